"""Every built-in description reads back the lines that it composes from values."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.driver import Part, Reject, Reply, Values
from daq.core.faults import FAULTS
from daq.core.frames import make_framer
from daq.descriptions.compose import Composer, resolution
from daq.descriptions.driver import DescribedDriver
from daq.descriptions.load import check_description
from daq.descriptions.reading.slots import ChannelSlot, StatusSlot
from tests.support.instruments.built_in import DRIVERS


def places(driver: DescribedDriver):
    """By channel: its field's place, table and slot."""
    found = {}
    for reader in driver.readers.values():
        for place, slot in reader.slots.items():
            if isinstance(slot, ChannelSlot):
                found[slot.channel] = place, reader.line.table.table(place.name), slot
    return found


def read_back(driver: DescribedDriver, data: bytes, asked=()):
    """Values and faults by channel of what one reading's lines say, each after its own request."""
    framer = make_framer(driver.framing)
    framer.feed(0, b"".join(driver.framing.ends[:1]))  # the first line after opening may be dropped
    values, faults = {}, set()
    names = [c.name for c in driver.channels]
    for i, frame in enumerate(framer.feed(1, data)):
        output = driver.decode(frame, asked[i] if i < len(asked) else None)
        assert not isinstance(output, (Reject, Reply)), (frame, output)
        if isinstance(output, Part):
            values |= {names[at]: value for at, value in output.values}
            faults |= set(output.faults)
        else:
            given = output.values if isinstance(output, Values) else output
            values |= dict(zip(names, given, strict=True))
            faults |= set(output.faults) if isinstance(output, Values) else set()
    return values, faults


def polls(driver):
    asked = driver.poll()
    return () if asked is None else asked if isinstance(asked, tuple) else (asked,)


@pytest.mark.parametrize("name", DRIVERS)
@settings(max_examples=60, derandomize=True, deadline=None)
@given(data=st.data())
def test_values_are_read_back(name, data):
    driver = DRIVERS[name]
    composer = Composer(driver)
    fields = places(driver)
    values = {}
    for channel in driver.channels:
        _, table, _ = fields[channel.name]
        number = st.floats(channel.low, channel.high)
        values[channel.name] = data.draw(number | st.none() if table.special else number, channel.name)
    got, faults = read_back(driver, b"".join(composer.readings(values)), polls(driver))
    for channel in driver.channels:
        place, table, slot = fields[channel.name]
        value, back = values[channel.name], got[channel.name]
        if value is None:
            assert back is None
            special = next(iter(table.special.values()))
            assert not special or (channel.name, special) in faults
        else:
            raw = (value - slot.addend) / slot.factor
            within = resolution(place, table, raw) * abs(slot.factor) + 1e-9 * abs(value)
            assert back == pytest.approx(value, abs=within, rel=0)
            assert math.copysign(1, back) > 0 or back < 0


@pytest.mark.parametrize("name", DRIVERS)
def test_every_state_means_what_the_description_says(name):
    driver = DRIVERS[name]
    composer = Composer(driver)
    middle = {c.name: (c.low + c.high) / 2 for c in driver.channels}
    for reader in driver.readers.values():
        for place, slot in reader.slots.items():
            if not isinstance(slot, StatusSlot):
                continue
            encoding = driver.tables.framing.encoding
            known = {text.decode(encoding): output for text, output in slot.means.items()}
            known |= {str(weight): output for weight, output in slot.bits.items()}
            for text, output in known.items():
                frame = composer.content(reader.line.name, middle | {place.name: text})
                decoded = reader.read(frame, None)
                got = decoded.faults if isinstance(decoded, (Values, Part)) else ()
                assert set(got) == set(output), (reader.line.name, place.name, text)
                nulled = {channel for channel, fault in output if not FAULTS[fault].keeps_value}
                if isinstance(decoded, Values):
                    for channel, value in zip(driver.channels, decoded.values, strict=True):
                        assert (value is None) == (channel.name in nulled)


def requests(driver):
    found = [r for r in (driver.identify(), driver.start_stream(), *polls(driver)) if r is not None]
    for action in sorted(driver.capabilities):
        value = {"speed": 12.5, "bath": 25.0}.get(action)
        found.append(driver.action(action, value))
    return found


@pytest.mark.parametrize("name", DRIVERS)
def test_every_request_is_heard_and_its_answer_believed(name):
    driver = DRIVERS[name]
    composer = Composer(driver)
    middle = {c.name: (c.low + c.high) / 2 for c in driver.channels}
    for request in requests(driver):
        asked = composer.recognise(request.data)
        assert asked is not None
        assert asked.expects == request.expects
        answer = composer.answer(asked, middle)
        assert answer is not None, request
        framer = make_framer(driver.framing)
        framer.feed(0, driver.framing.ends[0])
        (frame,) = framer.feed(1, answer)
        output = driver.decode(frame, request)
        if request.expects == "reading":
            assert isinstance(output, (tuple, Values, Part)), output
        else:
            assert isinstance(output, Reply), output
            assert output.kind == request.expects
        if request.expects in ("speed", "bath") and output.value is not None:
            assert output.value == pytest.approx({"speed": 12.5, "bath": 25.0}[request.expects], abs=1e-3)
        broken = bytearray(request.data)
        if driver.tables.checksum and driver.tables.checksum.requests:
            broken[2] ^= 1
            assert composer.recognise(bytes(broken)) is None
    refusal = composer.refusal()
    if refusal is not None:
        framer = make_framer(driver.framing)
        framer.feed(0, driver.framing.ends[0])
        (frame,) = framer.feed(1, refusal)
        assert driver.decode(frame, None).kind == "refused"


@pytest.mark.parametrize("pattern", ["{:digits 2}:{:digits 2} {mass:number}", "{day:digits 3};{:digits};{mass:number}"])
def test_digits_that_are_no_value_are_composed_as_digits(pattern):
    """Before, blanks filled their place, and the driver refused the line."""
    fields = {"day": {"means": {"007": ""}, "others": "ignored"}} if "day" in pattern else {}
    driver = check_description({
        "format": 1, "kind": "small", "stream": {},
        "channel": [{"name": "mass", "unit": "g", "low": 0, "high": 100}],
        "line": {"it": {"says": "reading", "pattern": pattern, "fields": fields}},
    }).driver()  # fmt: skip
    values, faults = read_back(driver, b"".join(Composer(driver).readings({"mass": 12.5})))
    assert (values, faults) == ({"mass": 12.5}, set())
