"""The built-in descriptions decode every line, also damaged ones, as the drivers in Python did."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Reject, Values
from simulators.rotational import RotationalInstrument
from simulators.thermometer import Thermometer
from tests.support.instruments import python_drivers as python
from tests.support.instruments.described import RotationalDriver, ThermometerDriver, line

OPTIONS = [{}, {"direction": "backward"}, {"mode": "stream", "interval_ms": 250}, {"interval_ms": 50}]
ATTRIBUTES = (
    "kind", "channels", "framing", "port", "streams", "interval_ns", "refresh_ns", "stale_after_ns", "capabilities",
    "zero_condition", "on_link_loss", "has_checksum",
)  # fmt: skip


def same(one, other):
    """Alike but for the words of a rejection, the order of faults, and values without any, which are a tuple now."""
    if isinstance(one, Reject) or isinstance(other, Reject):
        return type(one) is type(other)
    if isinstance(one, Values) and not one.faults:
        one = one.values
    if isinstance(one, Values) and isinstance(other, Values):
        return one.values == other.values and sorted(one.faults) == sorted(other.faults)
    return one == other


@pytest.mark.parametrize("options", OPTIONS)
def test_a_rotational_instrument_says_the_same_of_itself(options):
    old, new = python.RotationalDriver(options), RotationalDriver(options)
    assert {a: getattr(old, a) for a in ATTRIBUTES} == {a: getattr(new, a) for a in ATTRIBUTES}
    for ask in ("identify", "poll", "start_stream"):
        one, other = getattr(old, ask)(), getattr(new, ask)()
        assert (one is None) == (other is None)
        if one is not None:
            assert (one.data, one.expects, one.timeout_ns, one.tries) == (
                other.data, other.expects, other.timeout_ns, other.tries,
            )  # fmt: skip
    for action, value in (
        ("speed", 12.5),
        ("speed", 0.0),
        ("bath", -4.25),
        ("turn", None),
        ("halt", None),
        ("zero", None),
    ):
        assert old.action(action, value).data == new.action(action, value).data


def test_a_thermometer_says_the_same_of_itself():
    old, new = python.ThermometerDriver({}), ThermometerDriver({})
    assert {a: getattr(old, a) for a in ATTRIBUTES} == {a: getattr(new, a) for a in ATTRIBUTES}
    assert old.identify().data == new.identify().data


def numbers(digits, decimals):
    return st.integers(-(10 ** (digits + decimals)) + 1, 10 ** (digits + decimals) - 1).map(
        lambda n: f"{n / 10**decimals:.{decimals}f}"
    )


TEXTS = st.one_of(
    st.builds(
        "val {} {} {} {}".format,
        numbers(3, 2),
        numbers(4, 3),
        numbers(3, 3) | st.just("---"),
        st.sampled_from(["-", "S", "P", "K", "B", "SP", "SPKB", "X", "KX", "", "s", "- -"]),
    ),
    st.builds(
        "ok {}".format, st.sampled_from(["speed 12.000", "turn", "halt", "zero -0.13", "dance", "speed", "turn 1.5"])
    ),
    st.builds("no{}".format, st.sampled_from(["", " range", " turning", " checksum", " command x"])),
    st.sampled_from(["is rotational serial=R-1 firmware=1.2 fs=1000.0", "is rotational serial=R-1 fs=1.0", "is", ""]),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40),
)


@pytest.mark.parametrize("options", OPTIONS)
@settings(max_examples=200, derandomize=True, deadline=None)
@given(text=TEXTS, damage=st.none() | st.tuples(st.integers(0, 10_000), st.integers(1, 255)))
def test_a_rotational_line_is_decoded_alike(options, text, damage):
    old, new = python.RotationalDriver(options), RotationalDriver(options)
    raw = bytearray(line(text)[:-2])
    if damage is not None:
        raw[damage[0] % len(raw)] ^= damage[1]
    one, other = old.decode(bytes(raw)), new.decode(bytes(raw))
    if text.startswith("ok speed") and "direction" in options and not isinstance(one, Reject):
        return  # a confirmed speed is given in the direction of turning now, as the speed that was asked for
    assert same(one, other), (bytes(raw), one, other)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(
    value=st.integers(-9_999_999, 9_999_999).map(lambda n: f"{n / 1000:+.3f}")
    | st.sampled_from(["---", "+nan", "1e5"]),
    state=st.sampled_from(["ok", "open", "shut", "ok ", ""]),
    damage=st.none() | st.tuples(st.integers(0, 10_000), st.integers(1, 255)),
)
def test_a_thermometer_line_is_decoded_alike(value, state, damage):
    old, new = python.ThermometerDriver({}), ThermometerDriver({})
    raw = bytearray(new.seal.sealed(f"T {value} {state}".encode()))
    if damage is not None:
        raw[damage[0] % len(raw)] ^= damage[1]
    assert same(old.decode(bytes(raw)), new.decode(bytes(raw))), bytes(raw)


def test_everything_the_simulators_say_is_decoded_alike():
    instrument, thermometer = RotationalInstrument(seed=5), Thermometer(seed=5)
    heard = {python.RotationalDriver: b"", python.ThermometerDriver: b""}
    for request in ("who", "speed 30.000", "turn", "read", "zero", "bath 30.000", "halt", "speed 99999.000", "dance"):
        heard[python.RotationalDriver] += instrument.receive(line(request)) + instrument.advance(0.5)
    for _ in range(20):
        heard[python.ThermometerDriver] += thermometer.receive(b"id\r\n") + thermometer.advance(0.5)
    for old, new in ((python.RotationalDriver, RotationalDriver), (python.ThermometerDriver, ThermometerDriver)):
        frames = heard[old].split(b"\r\n")[:-1]
        assert len(frames) > 8
        for frame in frames:
            assert same(old({}).decode(frame), new({}).decode(frame)), frame
