"""The kit passes good drivers, and finds every planted fault under the name of the check that is meant to find it."""

import random
import tomllib
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from daq.app.setup.driver_choice import chosen_driver
from daq.core.driver import Channel, Driver, Reject, Request
from daq.core.framing import Framing
from daq.descriptions.capture import Capture, Piece, read_capture
from daq.descriptions.load import check_description
from daq.testing import assert_conforms, check_driver, check_driver_apart
from daq.testing.conformance import CHECKS
from daq.testing.watchdog import TooMuchWorkError, at_most
from tests.support.instruments.built_in import BUILT_IN
from tests.support.instruments.driver_cases import CASES, instrument
from tests.support.planted import bad_on_the_line, bad_values
from tests.support.planted.bad_descriptions import PLANTED_IN_FILES
from tests.support.planted.bad_drivers import PLANTED, RollsDice
from tests.support.planted.bad_lines import MISREAD
from tests.support.planted.good_drivers import (
    SCALE_CAPTURE,
    Level,
    LevelInstrument,
    Probe,
    ProbeInstrument,
    Scale,
    Stirrer,
    StirrerInstrument,
)

assert bad_on_the_line  # its drivers are among PLANTED
assert bad_values
HEARD = {
    Stirrer: {"simulator": StirrerInstrument},
    Scale: {"capture": read_capture(SCALE_CAPTURE, "scale.capture")},
    Level: {"simulator": LevelInstrument},
    Probe: {"simulator": ProbeInstrument},
}


@pytest.mark.parametrize("made", HEARD, ids=lambda c: c.__name__)
def test_a_good_driver_passes(made):
    report = assert_conforms(lambda: made({}), **HEARD[made])
    looked_at = [f for f in report.findings if f.outcome != "not_applicable"]
    assert len(looked_at) >= 30


FIRST_OF_ITS_CHECK = {p.check: p.name for p in reversed(PLANTED)}
COSTLY = {"PatternWithoutEnd", "KeepsEveryLine"}


@pytest.mark.parametrize(
    "planted",
    [
        pytest.param(
            p,
            id=p.name,
            marks=() if p.name in FIRST_OF_ITS_CHECK.values() and p.name not in COSTLY else pytest.mark.slow,
        )
        for p in PLANTED
    ],
)
def test_every_planted_fault_is_found(planted):
    report = check_driver(lambda: planted.driver(planted.options), **HEARD[planted.base])
    assert planted.check in [f.name for f in report.failed], report.text()
    assert report.finding(planted.check).do


FIRST_OF_ITS_FILE = {name: i for i, (name, *_) in reversed([*enumerate(PLANTED_IN_FILES)])}


@pytest.mark.parametrize(
    ("name", "changes", "check"),
    [
        pytest.param(*p, id=f"{p[0]}-{i}", marks=() if FIRST_OF_ITS_FILE[p[0]] == i else pytest.mark.slow)
        for i, p in enumerate(PLANTED_IN_FILES)
    ],
)
def test_every_fault_planted_in_a_description_is_found(name, changes, check):
    text = Path(BUILT_IN[name].source).read_text("utf-8")
    for old, new in changes:
        assert old in text, "the description has changed"
        text = text.replace(old, new, 1)
    kind, given = next((kind, given) for driver, _, kind, given in CASES if driver == name)
    report = check_driver(check_description(tomllib.loads(text)).driver, simulator=lambda: instrument(kind, given))
    assert check in [f.name for f in report.failed], report.text()
    assert report.finding(check).do


def test_every_check_is_seen_to_find_something():
    """A check that is added needs a driver that it finds a fault in."""
    assert len(PLANTED) >= 25
    seen = {p.check for p in PLANTED} | {check for *_, check in PLANTED_IN_FILES} | {m.check for m in MISREAD}
    assert {name for name, _ in CHECKS} == seen


def test_without_anything_heard_it_is_said_what_was_not_looked_at():
    report = check_driver(chosen_driver("thermometer"))
    assert report.passed
    assert report.finding("flipped bits").outcome == "not_applicable"
    assert "needs a capture or a simulator" in report.finding("flipped bits").message


def test_what_has_no_checksum_is_said_to_be_unprotected():
    found = assert_conforms(lambda: Scale({}), **HEARD[Scale]).finding("flipped bits")
    assert found.outcome == "note"
    assert found.message.startswith("corruption undetectable: ")
    taken, tried = (int(word) for word in found.message.split() if word.isdigit())
    assert 0 < taken < tried


def test_a_driver_that_cannot_be_made_is_a_finding():
    report = check_driver(lambda: Scale({"no": 1}))
    assert [f.name for f in report.failed] == ["contract"]
    assert "cannot be created" in report.failed[0].message


def test_a_failing_driver_fails_the_test_with_the_report():
    with pytest.raises(AssertionError, match="same again.*two drivers read the same lines differently"):
        assert_conforms(lambda: RollsDice({}), **HEARD[Scale])


class Printing(Scale):
    """Prints its lines unasked."""

    streams = True

    def identify(self):
        return None

    def poll(self):
        return None


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lines", "outcome"),
    [((b"2.30 g ST", b"+   12.30 g ST"), "passed"), ((b"+   12.30 g ST", b"2.30 g ST", b"+   12.30 g ST"), "failed")],
)
def test_only_the_first_line_of_a_stream_may_be_a_part_of_one(lines, outcome):
    capture = Capture([Piece(i * 1_000_000_000, "<", line + b"\r\n") for i, line in enumerate(lines)])
    assert check_driver(lambda: Printing({}), capture=capture).finding("understands").outcome == outcome


@pytest.mark.slow
def test_expected_values_are_compared_channel_by_channel():
    assert_conforms(lambda: Scale({}), expected=[(12.30,), (-0.45,)], **HEARD[Scale])
    report = check_driver(lambda: Scale({}), expected=[(12.30,), (0.45,)], **HEARD[Scale])
    assert "reading 2: mass is -0.45, the display showed 0.45" in report.finding("values shown").message


@pytest.mark.slow
@pytest.mark.parametrize("made", bad_values.WAITING, ids=lambda c: c.__name__)
def test_a_driver_that_waits_is_found(made):
    base = next(c for c in made.__mro__ if c in HEARD)
    report = check_driver(lambda: made({}), waiting_s=0.5, **HEARD[base])
    assert any("waits without end" in f.message for f in report.failed), report.text()


@pytest.mark.slow
@pytest.mark.parametrize("made", bad_values.APART, ids=lambda c: c.__name__)
def test_a_driver_that_cannot_be_interrupted_is_found_in_a_process_of_its_own(made):
    report = check_driver_apart(lambda: made({}), capture=HEARD[Scale]["capture"], longest_s=2.0)
    assert not report.passed
    assert "without end" in report.text() or "ended the process" in report.text()


def test_a_class_without_decode_is_named():
    class NoDecode(Driver):
        kind = "none"

    report = check_driver(lambda: NoDecode({}))
    assert [f.name for f in report.failed] == ["contract"]
    assert "decode" in report.failed[0].message


def test_evidence_is_escaped_and_bounded():
    class Raises(Scale):
        def decode(self, line, asked=None):
            if len(line) > 300:
                raise ValueError(line)
            return Reject("unknown line")

    report = check_driver(lambda: Raises({}), **HEARD[Scale])
    text = report.text()
    assert text.isprintable() or all(c.isprintable() or c == "\n" for c in text)
    assert max(len(line) for line in text.splitlines()) < 700


@pytest.mark.slow
def test_the_kit_gives_the_same_report_again():
    def look():
        return check_driver(lambda: Stirrer({}), **HEARD[Stirrer]).text()

    assert look() == look()


def test_endless_work_is_stopped_even_where_everything_is_caught():
    with pytest.raises(TooMuchWorkError), at_most(0.05):
        while True:
            try:  # noqa: SIM105 - as a careless driver does
                sum(range(1000))
            except Exception:  # noqa: BLE001, S110 - as a careless driver does
                pass


class CountedBytes(Driver):
    """Frames of bytes: 2, the number of further bytes, a number, and a checksum; the count is not tested."""

    kind = "counted"
    has_checksum = True
    channels = (Channel("count", "1", -1e9, 1e9),)
    framing = Framing(silence_ns=20_000_000, longest=40)
    interval_ns = 1_000_000_000
    stale_after_ns = 10_000_000_000
    tests_count = False

    def poll(self):
        return Request(b"R\r", "reading")

    def decode(self, line, asked=None):
        if len(line) < 4 or line[:1] != b"\x02" or line[-1] != self.check(line[:-1]):
            return Reject("wrong checksum")
        if self.tests_count and line[1] != len(line) - 2:
            return Reject("wrong length")
        return (float(int.from_bytes(line[2:-1], "big", signed=True)),)

    def check(self, content):
        return sum(content) % 256 if self.options["check"] == "sum" else reduce(xor, content)


class CountsBytes(CountedBytes):
    """The same instrument; the count of each frame is tested."""

    tests_count = True


@pytest.mark.parametrize("check", ["sum", "xor"])
@pytest.mark.parametrize("sizes", [(4,), (2, 4), (3, 4, 5)], ids=str)
def test_a_frame_whose_length_shows_a_lost_byte_is_no_excuse_for_a_checksum_that_fits(check, sizes):
    """A sum and an exclusive or do not change where a zero byte is lost: the length of the frame shows it."""
    made = CountedBytes({"check": check})
    rng, pieces = random.Random(f"{check} {sizes}"), []
    for n in range(24):
        size = sizes[n % len(sizes)]
        number = bytes(
            [rng.randrange(1, 100), 0 if n % 8 == 0 else 7, *(rng.randrange(1, 250) for _ in range(size - 2))]
        )
        content = bytes([2, size + 1]) + number
        answer = content + bytes([made.check(content)])
        pieces += [Piece(n * 10**9, ">", b"R\r"), Piece(n * 10**9 + 10**7, "<", answer)]
    for driver, outcome in ((CountedBytes, "failed"), (CountsBytes, "passed")):
        found = check_driver(lambda made=driver: made({"check": check}), capture=Capture(pieces)).finding("lost bytes")
        assert found.outcome == outcome, found.message
        assert ("lines without one byte were accepted, although" in found.message) == (outcome == "failed")
