"""The built-in driver reads the simulator's value back, to the digits that are on the line."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Part, Reject, Values
from daq.core.frames import make_framer
from simulators.balance import Balance
from simulators.bath import Bath
from simulators.column_logger import ColumnLogger
from simulators.level import LevelSensor
from simulators.multimeter import Multimeter
from simulators.ph_meter import PhMeter
from simulators.printer_scale import PrinterScale
from simulators.rotational import FLUIDS, GEOMETRIES, RotationalInstrument
from simulators.scpi_thermometer import ScpiThermometer
from simulators.streaming_rotational import StreamingRotational
from simulators.thermometer import Thermometer
from tests.support.instruments.example_pairs import DRIVERS, driver_of
from tests.support.runs.examples import example

temperatures = st.floats(-20.0, 150.0)


def drivers(kind, **options):
    return DRIVERS.make(kind, options)


READ_BACK = set()


def of(*kinds):
    """Parametrize a test with the kinds of the drivers that it tests."""
    READ_BACK.update(kinds)
    return pytest.mark.parametrize("kind", kinds)


def test_no_built_in_driver_is_left_out():
    assert set(DRIVERS.names) == READ_BACK


def read(driver, line, asked=None):
    """Decode a line with its end; return the values by channel, None for a channel with a fault."""
    ends = driver.framing.terminator
    for end in (ends,) if isinstance(ends, bytes) else ends:
        line = line.removesuffix(end)
    line = line.removeprefix(driver.framing.begin)
    found = driver.decode(line, asked)
    assert not isinstance(found, Reject), (line, found)
    names = [c.name for c in driver.channels]
    if isinstance(found, Part):
        return {names[i]: value for i, value in found.values}
    values = found.values if isinstance(found, Values) else found
    nulls = {c for c, _ in found.faults} if isinstance(found, Values) else set()
    return {n: v for n, v in zip(names, values, strict=True) if not (v is None and n not in nulls)}


@of("balance")
@given(load=st.floats(0.0, 619.0))
@settings(derandomize=True, deadline=None, max_examples=100)
def test_balance(kind, load):
    balance = Balance(noise_g=0.0)
    balance._load = load
    balance.advance(15.0)
    got = read(drivers(kind), balance.receive(b"mass?\r\n"))
    # The sensitivity of this balance is wrong by at most 5 parts in a million.
    assert got["mass"] == pytest.approx(load, abs=0.0005 + 5e-6 * load + 1e-9)


@of("printer-port")
@given(load=st.floats(-99.0, 6199.0), unit=st.sampled_from(["g", "kg", "auto"]))
@settings(derandomize=True, deadline=None, max_examples=100)
def test_printer_port(kind, load, unit):
    scale = PrinterScale()
    for command, word in (("load", str(load)), ("unit", unit), ("header", "off")):
        scale.commands()[command]([word])
    scale.advance(15.0)
    scale.commands()["key"]([])
    (line,) = scale.advance(0.05).splitlines(keepends=True)
    assert b" kg" in line or unit != "kg"
    # The sensitivity of this scale is wrong by at most 10 parts in a million; the noise of its value is below 10 mg.
    assert read(drivers(kind), line)["mass"] == pytest.approx(load, abs=0.02 + 1e-5 * abs(load))


@of("multimeter-voltage")
@given(voltage=st.floats(-999.0, 999.0))
@settings(derandomize=True, deadline=None, max_examples=100)
def test_multimeter_voltage(kind, voltage):
    meter = Multimeter(voltage=voltage)
    meter.receive(b"FUNC?;:READ?;:SYST:ERR?\n")
    driver = drivers(kind)
    got = read(driver, meter.advance(0.1), driver.poll())
    # Gain 50 parts in a million, seven digits, noise of 2 uV.
    assert got["voltage"] == pytest.approx(voltage, rel=6e-5, abs=2e-5)


@of("multimeter-resistance")
@given(celsius=temperatures)
@settings(derandomize=True, deadline=None, max_examples=60)
def test_multimeter_on_a_platinum_probe(kind, celsius):
    """The simulator converts to ohms and the driver back, both by IEC 60751; 50 parts in a million are 0.02 K at 150 Cel."""
    file = example("instruments/multimeter-1.toml")
    assert file.driver == kind
    driver = driver_of(file)
    meter = Multimeter(function="resistance", temperature=celsius)
    meter.receive(b"FUNC?;:READ?;:SYST:ERR?\n")
    assert read(driver, meter.advance(0.1), driver.poll())["temperature"] == pytest.approx(celsius, abs=0.05)


@of("scpi-thermometer")
@given(first=temperatures, second=temperatures)
@settings(derandomize=True, deadline=None, max_examples=60)
def test_two_probes(kind, first, second):
    thermometer = ScpiThermometer(noise_kelvin=0.0, probe_limit_kelvin=0.0)
    thermometer._probes = thermometer._around = [first, second]
    thermometer.advance(2.0)
    driver = drivers(kind)
    got = {}
    for question in driver.poll()[:2]:
        got |= read(driver, thermometer.receive(question.data), question)
        thermometer.advance(0.05)
    assert got == {
        "probe_1": pytest.approx(first, abs=0.0005 + 1e-9), "probe_2": pytest.approx(second, abs=0.0005 + 1e-9),
    }  # fmt: skip


@of("ph-meter")
@given(ph=st.floats(-1.0, 15.0), celsius=temperatures.filter(lambda t: -10.0 <= t <= 130.0))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_ph_meter(kind, ph, celsius):
    meter = PhMeter(ph=ph, temperature=celsius)
    got = read(drivers(kind), meter.advance(1.0))
    assert got["ph"] == pytest.approx(ph, abs=0.06)  # slope, offset and rounding of this electrode
    assert got["voltage"] == pytest.approx(meter._voltage_mv, abs=0.25)
    assert got["temperature"] == pytest.approx(celsius, abs=0.2)


@of("thermometer")
@given(celsius=temperatures)
@settings(derandomize=True, deadline=None, max_examples=60)
def test_thermometer(kind, celsius):
    thermometer = Thermometer(temperature=celsius, noise_kelvin=0.0, probe_limit_kelvin=0.0)
    assert read(drivers(kind), thermometer.advance(1.0))["temperature"] == pytest.approx(celsius, abs=0.0005 + 1e-9)


@of("level")
@given(level=st.floats(0.0, 5.0), celsius=temperatures.filter(lambda t: t <= 79.0))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_level(kind, level, celsius):
    sensor = LevelSensor(level=level, temperature=celsius)
    got = read(drivers(kind), sensor.advance(1.0))
    assert got["level"] == pytest.approx(level, abs=0.01)
    assert got["temperature"] == pytest.approx(celsius, abs=0.25)


@of("columns")
@given(first=temperatures, second=temperatures)
@settings(derandomize=True, deadline=None, max_examples=60)
def test_columns(kind, first, second):
    logger = ColumnLogger()
    logger._probes = logger._around = [first, second]
    _, line = logger.advance(0.2).split(b"\n")[:2]
    got = read(drivers(kind), line + b"\n")
    assert got == {"first": pytest.approx(first, abs=0.07), "second": pytest.approx(second, abs=0.07)}


@of("modbus")
@given(celsius=temperatures, mode=st.sampled_from(["rtu", "ascii"]))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_bath(kind, celsius, mode):
    """A float in two registers, a hundredth in one; set-points are read back as they were written."""
    bath = Bath(temperature=celsius, mode=mode)
    options = example("instruments/bath-1.toml").driver_options | {"form": mode}
    driver = DRIVERS.make(kind, options)
    framer = make_framer(driver.framing)

    def answer(request):
        bath.receive(request.data)
        (frame,) = framer.feed(bath.now_ns, bath.advance(0.1))
        return driver.decode(frame, request)

    values = answer(driver.poll())
    assert values[0] == pytest.approx(celsius, abs=0.06)
    assert values[1] == pytest.approx(celsius, abs=0.0051)
    assert answer(driver.action("bath", celsius)).value == pytest.approx(celsius, rel=1e-6, abs=1e-30)
    assert bath.state()["set_point_C"] == pytest.approx(celsius, rel=1e-6, abs=1e-30)
    assert answer(driver.identify()).identity.serial == "H-00712A"


@of("rotational")
@given(
    speed=st.floats(0.1, 200.0),
    celsius=temperatures,
    mode=st.sampled_from(["poll", "stream"]),
    direction=st.sampled_from(["forward", "backward"]),
)
@settings(derandomize=True, deadline=None, max_examples=40)
def test_rotational_instrument(kind, speed, celsius, mode, direction):
    """Polled or streaming, in either direction: speed and torque count positive in the requested direction."""
    instrument = RotationalInstrument(
        geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], temperature=celsius
    )
    driver = drivers(kind, mode=mode, direction=direction)
    sign = -1.0 if direction == "backward" else 1.0

    def answer(request):
        return driver.decode(instrument.receive(request.data).removesuffix(b"\r\n"), request)

    assert answer(driver.identify()).identity.serial == instrument.serial
    assert answer(driver.action("speed", speed)).value == pytest.approx(speed, abs=0.0005 + 1e-9)
    assert answer(driver.action("turn")).kind == "turn"
    if mode == "stream":
        assert answer(driver.start_stream()).kind == "stream"
    *_, line, _ = (b"\r\n" + instrument.advance(12.0)).split(b"\r\n")
    if mode == "poll":
        line = instrument.receive(driver.poll().data)
    got = read(driver, line, driver.poll())
    shown = instrument.shown()
    assert instrument.state()["set_point_per_min"] == pytest.approx(sign * speed, abs=0.0005 + 1e-9)
    assert got["speed"] == pytest.approx(sign * shown.speed_per_min, abs=0.0005 + 1e-9)
    assert got["speed"] > 0.0
    assert got["temperature"] == pytest.approx(shown.temperature_celsius, abs=0.0005 + 1e-9)
    if shown.saturated:
        assert got["torque"] is None
    else:
        assert got["torque"] == pytest.approx(sign * shown.torque_percent, abs=0.005 + 1e-9)


@of("streaming-rotational")
@given(speed=st.floats(0.1, 200.0), celsius=temperatures)
@settings(derandomize=True, deadline=None, max_examples=25)
def test_second_rotational_instrument(kind, speed, celsius):
    """mN.m, rad/s, degF and cP on the line; %, /min, Cel and mPa.s in the reading."""
    visc = StreamingRotational(temperature=celsius)
    driver = drivers(kind, full_scale_uN_m=1000)
    for request in (driver.start_stream(), driver.action("speed", speed), driver.action("turn")):
        answer = driver.decode(visc.receive(request.data).removesuffix(b"\r\n"), request)
        assert not isinstance(answer, Reject), (request, answer)
    lines = visc.advance(12.0).split(b"\r\n")[:-1]
    got = read(driver, lines[-1] + b"\r\n")
    shown = visc.inner.shown()
    assert got["speed"] == pytest.approx(shown.speed_per_min, abs=0.0005 + 1e-3)  # 0.0001 rad/s is 0.00095 /min
    assert got["torque"] == pytest.approx(shown.torque_percent, abs=0.0006)
    assert got["temperature"] == pytest.approx(shown.temperature_celsius, abs=0.004)
    cells = lines[-1].split(b";")
    if cells[5] != b"*":
        assert got["own_viscosity"] == pytest.approx(float(cells[5]), abs=1e-6)
