"""A line that was cut off is not completed with the next reading: the kit finds a driver that does so."""

import random
import re
import tomllib

import pytest

from daq.core.frames import make_framer
from daq.descriptions.capture import Capture
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.load import check_description
from daq.testing import check_driver
from daq.testing.conformance import CHECKS
from tests.support.captures import MS, described, polled, streamed

MASS = {"name": "mass", "unit": "g", "low": -1e6, "high": 1e6}
OTHERS = frozenset(name for name, _ in CHECKS) - {"cut off"}


def number(rng):
    return b"%d.%02d" % (rng.randrange(3, 900), rng.randrange(100))


def frame(rng):
    return b"\xaa\x55" + rng.randrange(-(10**6), 10**6).to_bytes(4, "big", signed=True)


#: Framing, layout of a reading, line end, writer.
CUT = {
    "digits first": ({"ends": ["\r\n"]}, {"pattern": "{mass:number} g"}, b" g\r\n", number),
    "length": ({"length": 6}, {"pattern": "{mass:whole 6}"}, b"", lambda rng: b"%06d" % rng.randrange(10**6)),
    "frames": ({}, {"bytes": "AA 55 {mass:i32be}"}, b"", frame),
}


def made(framing, layout, way="stream"):
    tables = {
        "format": 1, "kind": "cut", "channel": [MASS], "framing": framing, "line": {"it": {"says": "reading", **layout}},
        way: {"interval": "500 ms"} | ({"requests": ["read"]} if way == "poll" else {}),
    } | ({"request": {"read": {"send": "R"}}} if way == "poll" else {})  # fmt: skip
    return check_description(tables).driver


def finding(make, capture):
    return check_driver(make, capture=capture, left_out=OTHERS).finding("cut off")


@pytest.mark.parametrize("name", CUT)
def test_a_stream_needs_a_time_after_which_an_unfinished_line_is_discarded(name):
    framing, layout, end, write = CUT[name]
    rng = random.Random(name)
    lines = [write(rng) for _ in range(30)]
    found = finding(made(framing, layout), streamed(lines, end=end))
    assert (found.outcome, "framing.idle" in found.do) == ("failed", True)
    assert finding(made(framing | {"idle": "100 ms"}, layout), streamed(lines, end=end)).outcome == "passed"
    # A time that is longer than that between two readings discards nothing.
    assert finding(made(framing | {"idle": "2 s"}, layout), streamed(lines, end=end)).outcome == "failed"


@pytest.mark.parametrize("name", CUT)
def test_with_it_no_reading_of_a_line_that_loses_bytes_has_a_part_of_the_next_one(name):
    framing, layout, end, write = CUT[name]
    rng = random.Random(f"lost {name}")
    for idle, is_wrong in (("100 ms", False), ("0 s", True)):
        driver = made(framing | {"idle": idle}, layout)()
        framer, true, good = make_framer(driver.framing), set(), []
        for n in range(400):
            line = write(rng)
            true.add(driver.decode(line + end[:-2]))
            kept = (line + end)[: rng.randrange(1, len(line))] if rng.random() < 0.2 else line + end
            good += [m for f in framer.feed(n * 500 * MS, kept) if type(m := driver.decode(f)) is tuple]
        assert len(good) > 200
        assert any(one not in true for one in good) == is_wrong


def test_answers_of_digits_need_it_and_lines_with_a_text_first_do_not():
    rng = random.Random(3)
    talk = [(b"R\r\n", number(rng)) for _ in range(30)]
    pattern = {"pattern": "{mass:number}"}
    assert finding(made({}, pattern, "poll"), polled(talk)).outcome == "failed"
    assert finding(made({"idle": "200 ms"}, pattern, "poll"), polled(talk)).outcome == "passed"
    named = [(sent, b"M " + answer) for sent, answer in talk]
    assert finding(made({}, {"pattern": "M {mass:number}"}, "poll"), polled(named)).outcome == "passed"


@pytest.mark.parametrize("way", ["stream", "poll"])
def test_a_description_from_a_capture_has_it_where_lines_have_no_checksum(way):
    rng = random.Random(5)
    units = [b"G:%d.%02d" % (rng.randrange(100, 900), rng.randrange(100)) for _ in range(20)]
    units += [b"KG:0.%03d" % rng.randrange(100, 900) for _ in range(20)]
    for lines in ([number(rng) + b" g" for _ in range(30)], units):
        capture: Capture = streamed(lines) if way == "stream" else polled([(b"R\r\n", line) for line in lines])
        make, guess = described(capture)
        assert "\nidle = " in guess.text
        assert finding(make, capture).outcome == "passed"
        without = re.sub("\nidle = .*", "", guess.text)
        assert finding(check_description(tomllib.loads(without)).driver, capture).outcome == "failed"


def test_a_description_of_frames_without_checksum_has_it():
    rng = random.Random(6)
    frames = [frame(rng) for _ in range(30)]
    assert 'idle = "250 ms"' in guess_description("made", streamed(frames, end=b""), "x").text
    polls = polled([(b"\xaa\x55\x01", one) for one in frames], end=b"")
    assert "idle = " not in guess_description("made", polls, "x").text
