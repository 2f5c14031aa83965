"""The Modbus driver against the examples of the public specifications, and its framing against damage."""

import struct

import pytest
from crc import Calculator, Crc16
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Identity, Part, Reject, Reply, Values
from daq.core.errors import DriverError, SettingError
from daq.core.frames import make_framer
from drivers.modbus import ModbusDriver, frames, registers

MODBUS = Calculator(Crc16.MODBUS)  # the public package `crc`
BATH = {
    "address": 17,
    "interval_ms": 500,
    "channels": {
        "temperature": {"register": 0, "type": "float32", "words": "high first", "unit": "Cel", "low": -50, "high": 200},
        "probe": {
            "register": 2, "type": "int16", "unit": "Cel", "low": -50, "high": 200, "scale": 0.01,
            "special": {"-32768": "probe"},
        },
        "pump": {"register": 3, "type": "uint16", "unit": "/min", "low": 0, "high": 6000},
    },
    "status": {"register": 4, "bits": {"4": "instrument_error"}},
    "serial": {"register": 10, "count": 4},
    "commands": {
        "bath": {"register": 0, "type": "float32", "words": "high first", "low": -30, "high": 150},
        "turn": {"register": 2, "type": "uint16", "value": 1, "function": 6},
        "halt": {"register": 2, "type": "uint16", "value": 0},
    },
    "on_link_loss": "keeps_turning",
}  # fmt: skip


def driver(**more):
    return ModbusDriver({**BATH, **more})


def sealed(content: bytes) -> bytes:
    """An RTU frame, its CRC computed by the public package, low byte first (serial line V1.02, 6.2.2)."""
    return content + struct.pack("<H", MODBUS.checksum(content))


def answer(d, asked, content):
    """Return the driver's decoding of an answer whose bytes passed its framing."""
    framer = make_framer(d.framing)
    (frame,) = framer.feed(0, sealed(content))
    return d.decode(frame, asked)


def test_request_and_answer_of_the_specification():
    # Application protocol V1.1b3, 6.3 (read holding registers 108 to 110 of unit 17), framed as in serial line V1.02:
    # request 11 03 006B 0003 with CRC 8776 (low byte first) or LRC 7E; answer 11 03 06 AE41 5652 4340 with CRC AD49.
    content = frames.read(17, frames.READ_HOLDING, 0x6B, 3)
    assert content.hex().upper() == "1103006B0003"
    assert frames.rtu(content).hex().upper() == "1103006B00037687"
    assert frames.ascii_frame(content) == b":1103006B00037E\r\n"
    whole = bytes.fromhex("110306AE415652434049AD")
    assert frames.answer_length(whole) == len(whole)
    assert frames.body_of_rtu(whole) == whole[:-2]
    assert struct.unpack(">3H", whole[3:-2]) == (44609, 22098, 17216)
    assert MODBUS.checksum(frames.rtu(content)) == 0  # the CRC of a whole frame is zero


def test_registers_that_follow_each_other_are_read_together():
    asked = driver().poll()
    assert asked.data == sealed(bytes.fromhex("11 04 0000 0005"))
    assert (asked.expects, asked.timeout_ns) == ("reading", 500_000_000)
    apart = dict(BATH["channels"], far={"register": 100, "type": "uint16", "unit": "1", "low": 0, "high": 9})
    first, second = driver(channels=apart).poll()
    assert (first.data[2:6].hex(), second.data[2:6].hex()) == ("00000005", "00640001")


def test_a_reading():
    d = driver()
    asked = d.poll()
    words = struct.pack(">fhHH", 25.5, 2534, 1200, 1)
    assert answer(d, asked, bytes([17, 4, 10]) + words) == (25.5, 25.34, 1200.0)
    words = struct.pack(">fhHH", float("nan"), -32768, 1200, 4)
    assert answer(d, asked, bytes([17, 4, 10]) + words) == Values(
        (None, None, 1200.0), (("temperature", "not_a_number"), ("probe", "probe"), ("", "instrument_error"))
    )


def test_parts_of_a_reading():
    apart = dict(BATH["channels"], far={"register": 100, "type": "uint16", "unit": "1", "low": 0, "high": 9})
    d = driver(channels=apart, status=BATH["status"])
    _, second = d.poll()
    assert answer(d, second, bytes([17, 4, 2, 0, 7])) == Part(((3, 7.0),))


@pytest.mark.parametrize(
    ("kind", "words", "order", "value", "raw"),
    [
        # 1.0 in binary32 is 3F800000, -2.5 in binary64 is C004000000000000 (IEEE 754); integers by definition.
        ("float32", "high first", "high first", 1.0, "3F80 0000"),
        ("float32", "low first", "high first", 1.0, "0000 3F80"),
        ("float32", "high first", "low first", 1.0, "803F 0000"),
        ("float32", "low first", "low first", 1.0, "0000 803F"),
        ("float64", "high first", "high first", -2.5, "C004 0000 0000 0000"),
        ("float64", "low first", "high first", -2.5, "0000 0000 0000 C004"),
        ("int32", "high first", "high first", -2.0, "FFFF FFFE"),
        ("int32", "low first", "high first", -2.0, "FFFE FFFF"),
        ("uint32", "high first", "high first", 65538.0, "0001 0002"),
        ("uint32", "low first", "low first", 65538.0, "0200 0100"),
        ("int16", "high first", "high first", -1.0, "FFFF"),
        ("uint16", "high first", "low first", 256.0, "0001"),
    ],
)
def test_orders_of_bytes_and_words(kind, words, order, value, raw):
    channel = {"register": 7, "type": kind, "words": words, "bytes": order, "unit": "1", "low": -1e6, "high": 1e6}
    d = ModbusDriver({"address": 1, "channels": {"x": channel}})
    data = bytes.fromhex(raw)
    assert answer(d, d.poll(), bytes([1, 4, len(data)]) + data) == (value,)


def test_actions_write_with_function_16_or_6_and_their_answers_confirm():
    d = driver()
    assert d.capabilities == {"bath", "turn", "halt"}
    bath = d.action("bath", 25.0)
    assert bath.data == sealed(bytes.fromhex("11 10 0000 0002 04 41C80000"))
    assert answer(d, bath, bytes.fromhex("11 10 0000 0002")) == Reply("bath", 25.0)
    turn = d.action("turn")
    assert turn.data == sealed(bytes.fromhex("11 06 0002 0001"))
    assert answer(d, turn, bytes.fromhex("11 06 0002 0001")) == Reply("turn")
    assert answer(d, turn, bytes.fromhex("11 06 0002 0000")) == Reject("confirms something else")
    halt = d.action("halt")
    assert halt.data == sealed(bytes.fromhex("11 10 0002 0001 02 0000"))
    assert answer(d, halt, bytes.fromhex("11 10 0002 0001")) == Reply("halt")
    assert d.decode(halt.data, halt) == Reject("confirms something else")  # an echo is no answer
    for wrong in (None, 151.0, -31.0, float("nan")):
        with pytest.raises(DriverError):
            d.action("bath", wrong)
    with pytest.raises(DriverError):
        d.action("zero")


def test_exceptions_are_named():
    d = driver()
    # Application protocol V1.1b3, section 7: 02 ILLEGAL DATA ADDRESS, 04 SERVER DEVICE FAILURE.
    for code, output in ((2, "exception 2: illegal data address"), (4, "exception 4: server device failure")):
        assert answer(d, d.poll(), bytes([17, 0x84, code])) == Reply("refused", refusal=output)
    assert answer(d, d.poll(), bytes([17, 0x83, 2])) == Reject("answers another function")


def test_identity_and_answers_of_others():
    d = driver()
    asked = d.identify()
    assert asked.data == sealed(bytes.fromhex("11 03 000A 0004"))
    text = b"TB-0042\0"
    assert answer(d, asked, bytes([17, 3, 8]) + text) == Reply("identity", identity=Identity("modbus", "TB-0042"))
    assert answer(d, asked, bytes([18, 3, 8]) + text) == Reject("of another address")
    assert answer(d, asked, bytes([17, 3, 6]) + text[:6]) == Reject("answers with another number of registers")
    assert answer(d, None, bytes([17, 3, 8]) + text) == Reject("nothing was asked")


def test_ascii_form():
    d = driver(form="ascii")
    asked = d.poll()
    assert asked.data == b":110400000005E6\r\n"  # LRC: 0x100 - (0x11 + 0x04 + 0x05) & 0xFF
    framer = make_framer(d.framing)
    content = bytes([17, 4, 10]) + struct.pack(">fhHH", 25.5, 2534, 1200, 0)
    lrc = -sum(content) & 0xFF
    (line,) = framer.feed(0, b":" + content.hex().upper().encode() + b"%02X\r\n" % lrc)
    assert d.decode(line, asked) == (25.5, 25.34, 1200.0)
    assert d.decode(line[:-1] + b"!", asked) == Reject("wrong checksum")
    assert d.decode(line.lower(), asked) == Reject("wrong checksum")
    assert d.decode(b"", asked) == Reject("wrong checksum")


@settings(max_examples=150, derandomize=True, deadline=None)
@given(
    values=st.tuples(
        st.floats(-50, 200, width=32), st.integers(-5000, 20000), st.integers(0, 6000), st.sampled_from([0, 1, 2])
    ),
    before=st.binary(max_size=12),
    bit=st.integers(0, 10_000),
)
def test_a_damaged_frame_gives_nothing_and_the_next_one_is_found(values, before, bit):
    d = driver()
    asked = d.poll()
    good = sealed(bytes([17, 4, 10]) + struct.pack(">fhHH", *values))
    broken = bytearray(good)
    broken[bit % (8 * len(good)) // 8] ^= 1 << bit % 8
    framer = make_framer(d.framing)
    found = framer.feed(0, before + bytes(broken))
    assert all(isinstance(d.decode(f, asked), Reject) for f in found)
    framer.reset()  # as the exchange does before it asks again
    (frame,) = framer.feed(1, good)
    assert d.decode(frame, asked) == pytest.approx((values[0], values[1] * 0.01, float(values[2])))


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.binary(max_size=60), st.sampled_from(["rtu", "ascii"]))
def test_no_bytes_make_it_raise(raw, form):
    d = driver(form=form)
    for asked in (None, d.poll(), d.identify(), d.action("halt")):
        d.decode(raw, asked)
        d.decode(sealed(raw), asked)
        d.decode((raw + bytes([-sum(raw) & 0xFF])).hex().upper().encode(), asked)


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"channels": {}}, "options.address"),
        ({"address": 0, "channels": {}}, "options.address"),
        ({"address": 248, "channels": {}}, "options.address"),
        ({"address": 1}, "options.channels"),
        ({"address": 1, "channels": {}}, "options.channels"),
        ({"address": 1, "channels": 3}, "options.channels"),
        ({**BATH, "baud": 9600}, "options.baud"),
        ({**BATH, "form": "tcp"}, "options.form"),
        ({**BATH, "echo": 1}, "options.echo"),
        ({"address": 1, "channels": {"x": {"register": 0, "unit": "Cel", "low": 0}}}, "options.channels.x.high"),
        ({"address": 1, "channels": {"x": {"register": 0, "type": "int16", "unit": "deg", "low": 0, "high": 1}}}, "options.channels.x.unit"),
        ({"address": 1, "channels": {"x": {"register": 65535, "type": "int32", "words": "low first", "unit": "1", "low": 0, "high": 1}}}, "options.channels.x.register"),
        ({"address": 1, "channels": {"x": {"register": 0, "unit": "1", "low": 0, "high": 1}}}, "options.channels.x.type"),
        ({"address": 1, "channels": {"x": {"register": 0, "type": "uint32", "unit": "1", "low": 0, "high": 1}}}, "options.channels.x.words"),
        ({**BATH, "commands": {"bath": {"register": 2, "low": 0, "high": 1}}}, "options.commands.bath.type"),
        ({**BATH, "commands": {"bath": {"register": 2, "type": "float32", "low": 0, "high": 1}}}, "options.commands.bath.words"),
        ({**BATH, "status": {"register": 1, "bits": {"3": "probe"}}}, "options.status.bits.3"),
        ({**BATH, "status": {"register": 1, "bits": {"4": "rain"}}}, "options.status.bits.4"),
        ({**BATH, "commands": {"turn": {"register": 2, "type": "uint16", "value": 70_000}, "halt": {"register": 2, "type": "uint16", "value": 0}}}, "options.commands.turn.value"),
        ({**BATH, "commands": {"turn": {"register": 2, "type": "uint16", "value": 1}}}, "options.commands"),
        ({**BATH, "commands": {"bath": {"register": 2}}}, "options.commands.bath.high"),
        ({**BATH, "serial": {"register": 2, "count": 99}}, "options.serial.count"),
    ],
)  # fmt: skip
def test_wrong_options_are_named(options, key):
    with pytest.raises(SettingError) as caught:
        ModbusDriver(options)
    assert caught.value.key == key


@pytest.mark.parametrize(
    ("kind", "minus"), [("magnitude16", "8000"), ("magnitude32", "80000000"), ("float32", "80000000"), ("float64", "80" + "00" * 7)]
)  # fmt: skip
def test_a_negative_zero_means_a_fault_beside_a_true_zero(kind, minus):
    words = {} if kind == "magnitude16" else {"words": "high first"}
    table = {"register": 0, "type": kind, "unit": "Cel", "low": -50, "high": 200, **words}
    raw = bytes.fromhex(minus)
    for special, read, at_zero in (
        ({"-0": "probe"}, (None, "probe"), (0.0, "")),
        ({"-0.0": "probe", "0": "sensor"}, (None, "probe"), (None, "sensor")),
        ({}, (0.0, ""), (0.0, "")),
    ):
        own = registers.measured_of("it", {**table, "special": special}, "it")
        assert (own.read(raw), own.read(bytes(len(raw)))) == (read, at_zero)
    assert own.place.raw(-0.0) == raw


@pytest.mark.parametrize("kind", ["int16", "uint16"])
def test_a_negative_zero_of_a_type_without_one_is_refused(kind):
    table = {"register": 0, "type": kind, "unit": "Cel", "low": -50, "high": 200, "special": {"-0": "probe"}}
    with pytest.raises(SettingError, match="has no negative zero"):
        registers.measured_of("it", table, "it")
