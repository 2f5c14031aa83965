"""The thermometer driver: decode table, its one-byte checksum, and the simulator's own lines."""

import functools
import operator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Identity, Reject, Reply, Values
from daq.core.errors import SettingError
from simulators.thermometer import Thermometer
from tests.support.instruments.described import ThermometerDriver

DRIVER = ThermometerDriver({})
BROKEN = Values((None,), (("temperature", "probe"),))


def checked(content: bytes) -> bytes:
    return content + b"*%02X" % functools.reduce(operator.xor, content, 0)


def test_the_checksum_is_that_of_a_well_known_sentence():
    # Exclusive-or of the bytes between "$" and "*" of an NMEA 0183 sentence, checksum 47; a textbook sentence, from memory.
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert checked(sentence).endswith(b"*47")


@pytest.mark.parametrize(
    ("content", "meaning"),
    [
        (b"T +24.981 ok", (24.981,)),
        (b"T -5.000 ok", (-5.0,)),
        (b"T +0.000 ok", (0.0,)),
        (b"T --- open", BROKEN),
        (b"T +24.981 open", BROKEN),
        (b"T --- ok", BROKEN),
        (
            b"I thermometer serial=T-0310 firmware=1.0",
            Reply("identity", identity=Identity("thermometer", "T-0310", "1.0")),
        ),
        (b"T 24.981 ok", (24.981,)),
        (b"T +24.98 ok", Reject("malformed line: temperature")),
        (b"T +nan ok", Reject("malformed line: temperature")),
        (b"T +24.981 fine", Reject("malformed line: temperature")),
        (b"T +24.981", Reject("malformed line: temperature")),
        (b"T +24.9T +24.981 ok", Reject("malformed line: temperature")),
        (b"", Reject("unknown line")),
        (b"I thermometer", Reject("malformed line: identity")),
    ],
)
def test_what_a_line_means(content, meaning):
    assert DRIVER.decode(checked(content)) == meaning


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (b"", "ignored: an empty line"),
        (b"T +24.981 ok", "no checksum"),
        (b"T +24.981 ok*", "no checksum"),
        (b"T +24.981 ok*00", "wrong checksum"),
        (checked(b"T +24.981 ok").lower(), "wrong checksum"),
        (checked(b"T +24.981 ok") + b"0", "no checksum"),
    ],
)
def test_what_is_not_believed(raw, reason):
    assert DRIVER.decode(raw) == Reject(reason)


@settings(derandomize=True, max_examples=400)
@given(temperature=st.integers(-99_999, 399_999), bit=st.integers(0, 10_000))
def test_any_single_wrong_bit_is_seen(temperature, bit):
    good = checked(b"T %+.3f ok" % (temperature / 1000))
    assert DRIVER.decode(good) == (temperature / 1000,)
    broken = bytearray(good)
    broken[bit % (8 * len(good)) // 8] ^= 1 << bit % 8
    if bytes(broken) != good:
        assert isinstance(DRIVER.decode(bytes(broken)), Reject)


@settings(derandomize=True, max_examples=400)
@given(st.binary(max_size=100))
def test_no_bytes_make_it_raise(raw):
    assert isinstance(DRIVER.decode(raw), Reject)
    assert isinstance(DRIVER.decode(checked(raw.replace(b"*", b""))), (Reject, Reply, tuple, Values))


@settings(derandomize=True, max_examples=50)
@given(st.floats(-40.0, 120.0), st.integers(1, 20), st.booleans())
def test_every_line_the_simulator_says_is_understood(temperature, seed, open_probe):
    thermometer = Thermometer(seed, temperature=temperature)
    thermometer.probe_open = open_probe
    output = thermometer.receive(DRIVER.identify().data) + thermometer.advance(3.0)
    identity, *readings = [DRIVER.decode(raw) for raw in output.split(b"\r\n")[:-1]]
    assert identity.identity == Identity("thermometer", "T-0310", "1.0")
    assert len(readings) == 3
    for meaning in readings:
        assert meaning == BROKEN if open_probe else abs(meaning[0] - temperature) < 0.07


def test_it_streams_and_has_no_options():
    assert (DRIVER.streams, DRIVER.poll(), DRIVER.start_stream()) == (True, None, None)
    assert DRIVER.framing.drop_first
    assert DRIVER.on_link_loss == "no_motor"
    assert DRIVER.capabilities == frozenset()
    with pytest.raises(SettingError) as caught:
        ThermometerDriver({"interval_ms": 5})
    assert caught.value.key == "options.interval_ms"
