"""The rotational driver: decode tables, the checksum's published value, and the simulator's own lines."""

import pytest
from crc import Calculator, Configuration
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import API_VERSION, Driver, Identity, Reject, Reply, Values
from daq.core.errors import DriverError, SettingError
from simulators.rotational import RotationalInstrument
from simulators.rotational.protocol import checked, text_of
from tests.support.instruments.described import RotationalDriver, line

XMODEM = Calculator(Configuration(width=16, polynomial=0x1021, init_value=0, final_xor_value=0))
DRIVER = RotationalDriver({})


def decode(text: str):
    whole = line(text)
    assert whole.endswith(b"\r\n")
    return DRIVER.decode(whole[:-2])


def test_the_checksum_has_its_published_check_value():
    # CRC-16/XMODEM of "123456789": catalogue of parametrised CRC algorithms.
    assert line("123456789") == b"123456789#31C3\r\n"
    assert line("") == b"#0000\r\n"


@settings(derandomize=True)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_the_checksum_agrees_with_a_public_package(text):
    assert line(text) == text.encode() + b"#%04X\r\n" % XMODEM.checksum(text.encode())


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("val 42.35 12.000 24.981 -", (42.35, 12.0, 24.981)),
        ("val -0.13 0.000 24.981 -", (-0.13, 0.0, 24.981)),
        ("val +0.13 0.000 -5.000 -", (0.13, 0.0, -5.0)),
        ("val 110.00 12.000 24.981 S", Values((None, 12.0, 24.981), (("torque", "saturated"),))),
        ("val -110.00 12.000 24.981 S", Values((None, 12.0, 24.981), (("torque", "saturated"),))),
        ("val 42.35 12.000 --- P", Values((42.35, 12.0, None), (("temperature", "probe"),))),
        ("val 42.35 12.000 --- -", Values((42.35, 12.0, None), (("temperature", "probe"),))),
        ("val 42.35 12.000 24.981 P", Values((42.35, 12.0, None), (("temperature", "probe"),))),
        ("val 42.35 12.000 24.981 K", Values((42.35, 12.0, 24.981), (("", "keys_used"),))),
        ("val 3.00 0.000 24.981 B", Values((None, None, 24.981), (("torque", "blocked"), ("speed", "blocked")))),
        (
            "val 110.00 12.000 --- SPK",
            Values((None, 12.0, None), (("torque", "saturated"), ("", "keys_used"), ("temperature", "probe"))),
        ),
        ("val 42.35 12.000 24.981 X", (42.35, 12.0, 24.981)),
        ("ok speed 12.500", Reply("speed", 12.5)),
        ("ok zero -0.13", Reply("zero", -0.13)),
        ("ok turn", Reply("turn")),
        ("ok halt", Reply("halt")),
        ("ok bath 25.000", Reply("bath", 25.0)),
        ("ok stream 100", Reply("stream", 100.0)),
        ("no range", Reply("refused", refusal="range")),
        ("no turning", Reply("refused", refusal="turning")),
        ("no command", Reply("refused", refusal="command")),
        (
            "is rotational serial=R-1042 firmware=1.2 fs=1000.0",
            Reply("identity", identity=Identity("rotational", "R-1042", "1.2", {"full_scale_uN_m": 1000.0})),
        ),
        ("no checksum", Reject("instrument saw a wrong checksum")),
        ("", Reject("unknown line")),
        ("val", Reject("unknown line")),
        ("val ", Reject("malformed line: values")),
        ("val 42.35 12.000 24.981", Reject("malformed line: values")),
        ("val 42.35 12.000 24.981 - -", Reject("malformed line: values")),
        ("val 42.35  12.000 24.981 -", Reject("malformed line: values")),
        ("val nan 12.000 24.981 -", Reject("malformed line: values")),
        ("val inf 12.000 24.981 -", Reject("malformed line: values")),
        ("val 1e9 12.000 24.981 -", Reject("malformed line: values")),
        ("val 4_2.35 12.000 24.981 -", Reject("malformed line: values")),
        ("val --- 12.000 24.981 -", Reject("malformed line: values")),
        ("ok speed fast", Reject("malformed line: done")),
        ("ok speed nan", Reject("malformed line: done")),
        ("ok dance", Reject("malformed line: done")),
        ("no", Reject("unknown line")),
        ("is rotational serial=R-1042", Reject("malformed line: identity")),
        ("is rotational serial= firmware=1.2 fs=1000.0", Reject("malformed line: identity")),
        ("is rotational serial=R-1042 fs=much", Reject("malformed line: identity")),
    ],
)
def test_what_a_line_means(text, meaning):
    assert decode(text) == meaning


@pytest.mark.parametrize(
    "raw",
    [
        b"#",
        b"#0000x",
        b"val 42.35 12.000 24.981 -",
        b"val 42.35 12.000 24.981 -#0000",
        b"\xff" * 40,
        b"ok turn#abcd",
    ],
)
def test_a_line_without_its_checksum_is_not_believed(raw):
    assert DRIVER.decode(raw) in (Reject("no checksum"), Reject("wrong checksum"))


def test_a_checksum_in_small_letters_is_not_believed():
    raw = line("ok turn")[:-2]
    assert raw[-4:] != raw[-4:].lower()
    assert DRIVER.decode(raw[:-4] + raw[-4:].lower()) == Reject("wrong checksum")


@settings(derandomize=True, max_examples=300)
@given(st.binary(max_size=100))
def test_no_bytes_make_it_raise_or_give_a_value(raw):
    assert isinstance(DRIVER.decode(raw), Reject)


@settings(derandomize=True, max_examples=300)
@given(st.text(st.characters(min_codepoint=1, max_codepoint=126), max_size=60))
def test_whatever_stands_before_a_right_checksum_it_does_not_raise(text):
    assert isinstance(decode(text), (tuple, Values, Reply, Reject))


@settings(derandomize=True, max_examples=300)
@given(
    torque=st.integers(-11000, 11000),
    speed=st.integers(0, 200_000),
    temperature=st.integers(-50_000, 300_000),
    bit=st.integers(0, 10_000),
)
def test_any_single_wrong_bit_is_seen(torque, speed, temperature, bit):
    good = line(f"val {torque / 100:.2f} {speed / 1000:.3f} {temperature / 1000:.3f} -")[:-2]
    assert DRIVER.decode(good) == (torque / 100, speed / 1000, temperature / 1000)
    broken = bytearray(good)
    broken[bit % (8 * len(good)) // 8] ^= 1 << bit % 8
    if bytes(broken) != good:
        assert isinstance(DRIVER.decode(bytes(broken)), Reject)


@settings(derandomize=True, max_examples=200)
@given(cut=st.integers(1, 29), other=st.integers(0, 9999))
def test_a_line_that_lost_bytes_or_runs_into_the_next_is_not_believed(cut, other):
    good = line("val 42.35 12.000 24.981 -")[:-2]
    follow = line(f"val {other / 100:.2f} 12.000 24.981 -")[:-2]
    for broken in (good[cut:], good[:-cut], good[:cut] + good[cut + 1 :], good[:cut] + follow):
        if broken not in (good, follow):
            assert isinstance(DRIVER.decode(broken), Reject)


# ---- with the simulator


@settings(derandomize=True, max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(["turn", "halt", "zero", "advance", "key", "block", "probe", "hot"]), max_size=8))
def test_every_line_the_simulator_says_is_understood(doings):
    instrument = RotationalInstrument(seed=3)
    output = [instrument.receive(request.data) for request in (DRIVER.identify(), DRIVER.poll())]
    output.append(instrument.receive(DRIVER.action("speed", 60.0).data))
    for doing in doings:
        if doing == "advance":
            instrument.advance(1.7)
        elif doing == "key":
            instrument.press_key()
        elif doing == "block":
            instrument.block()
        elif doing == "probe":
            instrument.probe_open = True
        elif doing == "hot":
            instrument.set_temperature(-7.0)
        else:
            output.append(instrument.receive(DRIVER.action(doing).data))
        output.append(instrument.receive(DRIVER.poll().data))
    for answer in output:
        raw = answer.removesuffix(b"\r\n")
        text = text_of(raw)
        meaning = DRIVER.decode(raw)
        assert not isinstance(meaning, Reject), text
        if text.startswith("val"):
            torque, speed, temperature, flags = text.split()[1:]
            values = meaning.values if isinstance(meaning, Values) else meaning
            assert (flags == "-") == isinstance(meaning, tuple)
            expected = (
                None if set(flags) & set("SB") else float(torque),
                None if "B" in flags else float(speed),
                None if temperature == "---" else float(temperature),
            )
            assert values == expected


@settings(derandomize=True, max_examples=200)
@given(st.floats(0.01, 200.0))
def test_a_speed_is_taken_as_it_is_confirmed(speed):
    instrument = RotationalInstrument()
    reply = DRIVER.decode(instrument.receive(DRIVER.action("speed", speed).data)[:-2])
    assert reply == Reply("speed", round(speed, 3))


def test_both_sides_frame_a_line_alike():
    for text in ("who", "read", "speed 12.500", "stream 100"):
        assert line(text) == checked(text)


def test_refusals_of_the_simulator():
    instrument = RotationalInstrument()
    assert DRIVER.decode(instrument.receive(DRIVER.action("speed", 999.0).data)[:-2]).refusal == "range"
    assert DRIVER.decode(instrument.receive(line("sing"))[:-2]).refusal == "command"
    assert DRIVER.decode(instrument.receive(b"read#0000\r\n")[:-2]) == Reject("instrument saw a wrong checksum")


def test_the_longest_lines_fit_the_framing():
    # The protocol allows 96 bytes with the end of the line.
    assert DRIVER.framing.longest == 94
    assert DRIVER.framing.terminator == b"\r\n"


def test_the_request_of_each_action_fits_the_protocol():
    assert DRIVER.action("speed", 12.5).data == line("speed 12.500")
    assert DRIVER.action("bath", 25.0).data == line("bath 25.000")
    for action in ("turn", "halt", "zero"):
        request = DRIVER.action(action)
        assert (request.data, request.expects) == (line(action), action)
    with pytest.raises(DriverError, match="speed needs a value"):
        DRIVER.action("speed")


# ---- settings and contract


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"interval": 100}, "options.interval"),
        ({"interval_ms": 49}, "options.interval_ms"),
        ({"interval_ms": 60_001}, "options.interval_ms"),
        ({"interval_ms": 100.0}, "options.interval_ms"),
        ({"interval_ms": True}, "options.interval_ms"),
        ({"mode": "shout"}, "options.mode"),
    ],
)
def test_wrong_options_are_refused_by_their_key(options, key):
    with pytest.raises(SettingError) as caught:
        RotationalDriver(options)
    assert caught.value.key == key


def test_polled_and_streamed():
    polled, streamed = RotationalDriver({"interval_ms": 250}), RotationalDriver({"mode": "stream", "interval_ms": 50})
    assert (polled.streams, polled.interval_ns, polled.start_stream()) == (False, 250_000_000, None)
    assert (streamed.streams, streamed.poll(), streamed.refresh_ns) == (True, None, 0)
    assert streamed.start_stream().data == line("stream 50")
    assert RotationalDriver({"interval_ms": 60_000}).stale_after_ns == 600_000_000_000


def test_it_keeps_the_contract():
    assert issubclass(RotationalDriver, Driver)
    assert RotationalDriver.api_version == API_VERSION
    assert DRIVER.has_checksum
    assert DRIVER.on_link_loss == "keeps_turning"
    assert DRIVER.zero_condition
    assert DRIVER.digest() == RotationalDriver({}).digest()
    assert DRIVER.digest() != RotationalDriver({"interval_ms": 50}).digest()
    again = RotationalDriver({})
    again.restore(DRIVER.state())
    assert again.state() == DRIVER.state()
