"""The new simulators: their lines letter by letter, their physics against published numbers."""

import math
import re
import struct

import pytest

from simulators.balance import Balance
from simulators.bath import Bath
from simulators.bath.modbus import RtuFrames
from simulators.column_logger import ColumnLogger
from simulators.commands import Commander
from simulators.dialects import DensityMeter
from simulators.kinds import KINDS
from simulators.level import LevelSensor
from simulators.misbehaviour import Misbehaving
from simulators.multimeter import Multimeter
from simulators.ph_meter import PhMeter
from simulators.ph_meter.meter import nernst_slope_mv, titrated_ph
from simulators.rotational import FLUIDS, GEOMETRIES
from simulators.scpi_thermometer import ScpiThermometer
from simulators.streaming_rotational import StreamingRotational


def commanded(instrument, *lines):
    commander = Commander(Misbehaving(instrument))
    for line in lines:
        assert commander.execute(line) == "done", line


def xor_ok(line, begin=b""):
    content, _, digits = line.removesuffix(b"\r\n").removeprefix(begin).rpartition(b"*")
    total = 0
    for byte in content:
        total ^= byte
    return digits == b"%02X" % total


# ---- balance


def weighed(balance):
    line = balance.receive(b"mass?\r\n")
    assert xor_ok(line)
    return line.decode().split("*")[0]


def grams(balance):
    return float(weighed(balance).removeprefix("mass=").split()[0])


def test_a_load_is_unsteady_then_steady_and_right():
    balance = Balance(seed=3)
    balance.advance(3.0)
    commanded(balance, "load 12.345")
    balance.advance(0.3)
    assert weighed(balance).endswith(" g; moving")
    balance.advance(10.0)
    assert re.fullmatch(r"mass=12\.34\d g; steady", weighed(balance))
    assert grams(balance) == pytest.approx(12.345, abs=0.003)


def test_the_ends_of_the_range_and_the_tare():
    balance = Balance()
    commanded(balance, "load 700")
    balance.advance(5.0)
    assert weighed(balance) == "mass=none g; over"
    assert balance.receive(b"tare\r\n").startswith(b"refused: tare load*")
    commanded(balance, "load 50", "pan off")
    balance.advance(5.0)
    assert weighed(balance) == "mass=none g; under"
    commanded(balance, "pan on")
    balance.advance(0.2)
    assert balance.receive(b"tare\r\n").startswith((b"refused: tare moving*", b"refused: tare load*"))
    balance.advance(8.0)
    assert balance.receive(b"tare\r\n") == b"done: tare*18\r\n"
    assert abs(grams(balance)) < 0.003
    assert balance.receive(b"what now\r\n").startswith(b"refused: what unknown*")


def test_the_print_key_sends_a_line_unasked_and_drying_takes_mass_away():
    balance = Balance()
    commanded(balance, "load 100", "dry 6")
    balance.advance(60.0)
    assert balance.advance(1.0) == b""
    device = Misbehaving(balance)
    Commander(device).execute("key")
    (line,) = device.advance(0.01).splitlines()
    assert float(line.removeprefix(b"mass=").split()[0]) == pytest.approx(100.0 - 6.0 * 61.0 / 60.0, abs=0.1)


# ---- SCPI


def test_the_multimeter_answers_the_whole_message_in_one_line():
    meter = Multimeter()
    assert meter.receive(b"FUNC?;:READ?;:SYST:ERR?\n") == b""
    line = meter.advance(0.1).decode()
    assert line.startswith('"VOLT";+1.2')
    assert line.endswith('E+00;0,"No error"\n')
    meter.receive(b"system:error:next?;*idn?\n")
    assert meter.advance(0.1) == b'0,"No error";Kiln Street Works,bench multimeter,M-0610,3.0\n'


def test_unknown_words_interrupted_questions_and_a_full_queue_are_errors():
    meter = Multimeter()
    meter.receive(b"WHAT?\n;;\n")
    assert meter.advance(0.1) == b""
    meter.receive(b"READ?\n")
    meter.receive(b"SYST:ERR?\n")
    assert meter.advance(0.1) == b'-113,"Undefined header"\n'
    meter.receive(b"SYST:ERR?\n")
    assert meter.advance(0.1) == b'-410,"Query INTERRUPTED"\n'
    meter.receive(b"X\n" * 25)
    assert meter.state()["errors"] == 20
    for _ in range(19):
        meter.receive(b"SYST:ERR?\n")
        meter.advance(0.1)
    meter.receive(b"SYST:ERR?\n")
    assert meter.advance(0.1) == b'-350,"Queue overflow"\n'


@pytest.mark.parametrize(
    ("commands", "value"),
    [
        (["voltage 5000"], b"+9.900000E+37\n"),
        (["voltage -5000"], b"-9.900000E+37\n"),
        (["function resistance", "leads open"], b"+9.900000E+37\n"),
        (["leads none"], b"+9.910000E+37\n"),
    ],
)
def test_special_numbers(commands, value):
    """9.9E37 is infinity, 9.91E37 is not a number: SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (from memory)."""
    meter = Multimeter()
    commanded(meter, *commands)
    meter.receive(b"READ?\n")
    assert meter.advance(0.1) == value


@pytest.mark.parametrize(("celsius", "ohm"), [(0.0, 100.0), (100.0, 138.5055), (-20.0, 92.1599), (25.0, 109.7347)])
def test_the_resistance_is_that_of_a_platinum_probe(celsius, ohm):
    """Table of IEC 60751 for Pt100: 138.51 at 100 Cel, 92.16 at -20, 109.73 at 25."""
    meter = Multimeter(function="resistance", temperature=celsius)
    assert meter.true_value == pytest.approx(ohm, abs=0.006)


def test_a_thermometer_that_is_asked_too_soon_says_nothing():
    thermometer = ScpiThermometer(temperature=23.456)
    assert thermometer.receive(b"MEAS:TEMP? (@1)\n") == b"9.91E37\r\n"
    thermometer.advance(2.0)
    first = thermometer.receive(b"MEAS:TEMP? (@1)\n")
    assert float(first) == pytest.approx(23.456, abs=0.05)
    thermometer.advance(0.019)
    assert thermometer.receive(b"MEAS:TEMP? (@2)\n") == b""
    thermometer.advance(0.002)
    assert float(thermometer.receive(b"meas:temp? (@2)\n")) == pytest.approx(23.456, abs=0.05)
    commanded(thermometer, "probe 1 open", "probe 2 short")
    for question, answer in ((b"MEAS:TEMP? (@1)\n", b"9.9E37\r\n"), (b"MEAS:TEMP? (@2)\n", b"-9.9E37\r\n")):
        thermometer.advance(0.05)
        assert thermometer.receive(question) == answer


# ---- pH


def test_the_nernst_slope_is_the_published_one():
    """59.16 mV at 25 Cel (IUPAC recommendations 2002, R. P. Buck et al., Pure Appl. Chem. 74, 2169), 54.20 at 0."""
    assert nernst_slope_mv(298.15) == pytest.approx(59.16, abs=0.005)
    assert nernst_slope_mv(273.15) == pytest.approx(54.20, abs=0.005)


def test_the_titration_curve_has_its_known_points():
    # 0.01 mol/L strong acid: pH 2; half way 0.01*25/52.5 = 0.004545... ; equivalence: 7; far beyond: 14 + lg of excess.
    assert titrated_ph(0.0) == pytest.approx(2.0, abs=1e-6)
    assert titrated_ph(2.5) == pytest.approx(-math.log10(0.25 / 52.5), abs=1e-6)
    assert titrated_ph(5.0) == pytest.approx(7.0, abs=1e-6)
    assert titrated_ph(10.0) == pytest.approx(14.0 + math.log10(0.5 / 60.0), abs=1e-6)


def ph_cells(line):
    content, digits = line[:-2], line[-2:]
    assert (sum(content) + int(digits, 16)) % 256 == 0
    return content.decode().split(";")[:-1]


def test_ph_lines_have_a_comma_and_a_sum_that_vanishes():
    meter = PhMeter(ph=7.02, temperature=23.4)
    lines = meter.advance(30.0).split(b"\r")
    cells = ph_cells(lines[-2])
    assert (cells[0], len(cells), cells[4]) == ("PH", 5, "A")
    assert float(cells[1].replace(",", ".")) == pytest.approx(7.02, abs=0.03)
    assert float(cells[3].replace(",", ".")) == pytest.approx(23.4, abs=0.15)
    commanded(meter, "ph 4")
    assert ph_cells(meter.advance(1.0)[:-1])[4] == "B"
    # 2 s lag: after 2 s 63 % of the three units
    shown = float(ph_cells(meter.advance(1.0)[:-1])[1].replace(",", "."))
    assert shown == pytest.approx(7.0 - 3.0 * (1.0 - math.exp(-1.0)), abs=0.15)
    commanded(meter, "electrode fault", "probe open")
    assert ph_cells(meter.advance(1.0)[:-1]) == ["PH", "--,--", "----,-", "", "E"]
    assert ph_cells(meter.receive(b"SN?\r")[:-1]) == ["SN", "P-0330", "1.7"]
    assert meter.receive(b"PH?\r") == b""


# ---- Modbus


def test_the_example_of_the_specification_and_a_float():
    """CRC of 02 07 is 41 12 on the wire (Modbus over serial line V1.02, 6.2.2); the float follows IEEE 754."""
    bath = Bath(temperature=25.0, address=2)
    assert bath._frames.wrapped(bytes.fromhex("0207")) == bytes.fromhex("02074112")
    request = bath._frames.wrapped(bytes.fromhex("020400000002"))
    assert bath.receive(request) == b""
    answer = bath.advance(0.05)
    assert answer[:3] == bytes.fromhex("020404")
    assert struct.unpack(">f", answer[3:7])[0] == pytest.approx(25.0, abs=0.06)
    assert bath.receive(request[:-1] + b"\x00") == b""
    assert bath.advance(0.1) == b""


def ask(bath, text):
    bath.advance(0.1)
    bath.receive(bath._frames.wrapped(bytes.fromhex(text)))
    return bath.advance(0.05)


@pytest.mark.parametrize("mode", ["rtu", "ascii"])
def test_functions_exceptions_addresses_and_broadcast(mode):
    bath = Bath(address=17, mode=mode)
    frames = bath._frames

    def content(answer):
        return frames.take(bath.now_ns + 10**9, answer)[0].hex()

    assert content(ask(bath, "1103000a0004")) == "110308" + b"H-00712A".hex()
    assert content(ask(bath, "11060002ffff")) == "118603"
    assert content(ask(bath, "1110000000020442200000")) == "111000000002"  # 40.0
    assert bath.state()["set_point_C"] == 40.0
    assert content(ask(bath, "111000000002044f000000")) == "119003"
    assert content(ask(bath, "110400050001")) == "118402"
    assert content(ask(bath, "110100000001")) == "118101"
    assert ask(bath, "120400000002") == b""
    assert ask(bath, "000600020000") == b""
    assert bath.state()["circulates"] is False
    commanded(bath, "probe open", "failure on")
    assert content(ask(bath, "110400020001")) == "118404"


def test_the_bath_heats_no_faster_than_it_can():
    bath = Bath(temperature=20.0)
    ask(bath, "1110000000020442200000")
    bath.advance(100.0)
    assert bath.state()["temperature_C"] == pytest.approx(20.0 + 0.08 * 100.0, abs=0.1)
    bath.advance(1000.0)
    assert bath.state()["temperature_C"] == pytest.approx(40.0, abs=0.01)


# ---- sentences and columns


def test_level_sentences_and_their_rhythm():
    sensor = LevelSensor()
    lines = sensor.advance(30.0).split(b"\r\n")[:-1]
    assert all(xor_ok(line, b"$") for line in lines)
    kinds = [line[1:6] for line in lines]
    assert {k: kinds.count(k) for k in set(kinds)} == {b"KSTNK": 30, b"KSDEN": 6, b"KSIDN": 3, b"KSTXT": 2}
    assert lines[0].split(b",")[0] == b"$KSTNK"
    commanded(sensor, "echo lost")
    assert sensor.advance(1.0).startswith(b"$KSTNK,,M,,C,V*")
    # NMEA 0183: exclusive or of the characters between $ and *; K S Q I D is 4B^53^51^49^44 = 44.
    assert sensor.receive(b"$KSQID*44\r\n").startswith(b"$KSIDN,L-0088,0.9*")
    assert sensor.receive(b"$KSQID*45\r\n") == b""


def test_columns_with_a_header_after_power_on():
    logger = ColumnLogger(temperature=23.45)
    lines = logger.advance(0.4).split(b"\n")
    assert lines[0] == b"# t_s T1_Cel T2_Cel"
    assert lines[1].split()[0] == b"0.2"
    assert len(lines[1]) == 24
    commanded(logger, "probe 2 missing", "power")
    lines = logger.advance(0.2).split(b"\n")
    assert (lines[0], lines[1].split()[0], lines[1].split()[2]) == (b"# t_s T1_Cel T2_Cel", b"0.2", b"NAN")


# ---- the second rotational instrument


def output(answer):
    lines = answer.split(b"\r\n")[:-1]
    for line in lines:
        content, _, digits = line.rpartition(b"!")
        assert int(digits, 16) == modbus_crc(content)
    return [line.rpartition(b"!")[0].decode() for line in lines]


def modbus_crc(data):
    """CRC-16/MODBUS by reflecting every byte and a forward register, another way than the simulator's."""
    crc = 0xFFFF
    for byte in data:
        crc ^= int(f"{byte:08b}"[::-1], 2) << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x8005 if crc & 0x8000 else crc << 1) & 0xFFFF
    return int(f"{crc:016b}"[::-1], 2)


def order(instrument, text):
    return output(instrument.receive(b"%s!%04x\r\n" % (text.encode(), modbus_crc(text.encode()))))


def test_the_checksum_of_the_catalogue():
    """CRC-16/MODBUS of 123456789 is 4B37 (catalogue of parametrised CRC algorithms)."""
    assert modbus_crc(b"123456789") == 0x4B37


def test_it_streams_a_viscosity_of_its_own():
    """0.8 Pa.s is 800 cP, within what geometry, gain and speed of one instrument may be off by (1.3 % in all)."""
    visc = StreamingRotational(GEOMETRIES["coaxial-12"], FLUIDS["clear-glaze"], seed=2)
    visc.advance(2.0)
    (hello,) = order(visc, "HI")
    assert hello.startswith("HI;streaming-rotational;V-0915;4.2;1.0000;")
    assert order(visc, "GO") == ["OK;GO"]
    assert order(visc, "RUN;3.1416") == ["OK;RUN;3.1416"]
    assert order(visc, "ON") == ["OK;ON"]
    lines = output(visc.advance(30.0))
    assert len(lines) == 150
    cells = lines[-1].split(";")
    assert (cells[0], len(cells), cells[6]) == ("D", 7, "0")
    assert float(cells[3]) == pytest.approx(3.1416, rel=2e-3)
    assert float(cells[4]) == pytest.approx(77.0, abs=1.0)
    viscosity = [float(line.split(";")[5]) for line in lines[-40:]]
    assert sum(viscosity) / len(viscosity) == pytest.approx(800.0, rel=0.02)
    # Its own viscosity: K times torque over speed.
    constant = float(hello.split(";")[5])
    assert float(cells[5]) == pytest.approx(constant * float(cells[2]) / float(cells[3]), rel=1e-3)
    assert order(visc, "NULL") == ["ERR;NULL;turning"]
    assert order(visc, "RUN;99.0000") == ["ERR;RUN;range"]
    assert order(visc, "SPIN") == ["ERR;SPIN;unknown"]
    assert visc.receive(b"OFF!0000\r\n") == b""
    assert order(visc, "OFF") == ["OK;OFF"]
    assert order(visc, "NOGO") == ["OK;NOGO"]
    assert visc.advance(20.0) == b""
    assert order(visc, "NULL") == ["OK;NULL"]


def test_flags_of_the_stream():
    visc = StreamingRotational(GEOMETRIES["coaxial-12"], FLUIDS["white-glaze"], full_scale_unm=50.0)
    order(visc, "GO")
    order(visc, "RUN;10.0000")
    order(visc, "ON")
    commanded(visc, "probe open")
    cells = output(visc.advance(30.0))[-1].split(";")
    assert (cells[2], cells[4], cells[5], cells[6]) == ("*", "*", "*", "3")
    commanded(visc, "probe ok", "block on")
    assert int(output(visc.advance(20.0))[-1].split(";")[6]) & 8
    commanded(visc, "key")
    assert int(output(visc.advance(0.2))[-1].split(";")[6]) & 4


# ---- all of them


@pytest.mark.parametrize("name", list(KINDS))
def test_the_same_however_time_is_cut(name):
    def made():
        kind = KINDS[name]
        given = {option.name: option.default for option in kind.options}
        given |= {"every": 2.0} if "every" in given else {}
        return kind.make(5, serial=kind.serial, **given)

    asked = {
        "balance": b"mass?\r\n", "multimeter": b"READ?\n", "scpi-thermometer": b"MEAS:TEMP? (@1)\n",
        "bath": RtuFrames().wrapped(bytes.fromhex("110400000005")), "rotational": b"read#AA3F\r\n",
        "streaming-rotational": b"GO!%04x\r\n" % modbus_crc(b"GO"),
        "density-meter": b"\xaa\x55" + (content := bytes([4, 0x20, 17])) + DensityMeter.check(content),
        "moisture-meter": b"\0\0:007RC1%02d\r\n" % (sum(b"007RC1") % 100),
    }.get(name, b"")  # fmt: skip
    whole, cut = made(), made()
    a = whole.advance(1.0) + whole.receive(asked) + whole.advance(12.34)
    b = b"".join(cut.advance(0.1) for _ in range(10)) + cut.receive(asked)
    b += b"".join(cut.advance(0.01) for _ in range(1234))
    assert a == b
    assert a
    assert whole.state()["kind"] == name == whole.kind
