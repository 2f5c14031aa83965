"""A line that was cut off makes no other value, with the next line or with its late rest: the kit finds a driver that does so."""

import random
import re
import tomllib

import pytest

from daq.core.exchange import Exchange
from daq.core.frames import make_framer
from daq.descriptions.capture import Capture, Piece
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


def made(framing, layout, way="stream", **others):
    tables = {
        "format": 1, "kind": "cut", "channel": [MASS], "framing": framing, "line": {"it": {"says": "reading", **layout}},
        way: {"interval": "500 ms"} | ({"requests": ["read"]} if way == "poll" else {}),
    } | ({"request": {"read": {"send": "R"}}} if way == "poll" else {})  # fmt: skip
    return check_description(tables | others).driver


def finding(make, capture):
    return check_driver(make, capture=capture, left_out=OTHERS).finding("cut off")


@pytest.mark.parametrize("name", CUT)
def test_a_stream_needs_the_longest_pause_inside_a_line(name):
    framing, layout, end, write = CUT[name]
    rng = random.Random(name)
    capture = streamed([write(rng) for _ in range(30)], end=end)
    found = finding(made(framing, layout), capture)
    assert (found.outcome, "framing.longest_pause" in found.do) == ("failed", True)
    assert finding(made(framing | {"longest_pause": "100 ms"}, layout), capture).outcome == "passed"
    # A time that is not shorter than that between two lines discards nothing.
    for pause in ("500 ms", "2 s"):
        assert finding(made(framing | {"longest_pause": pause}, layout), capture).outcome == "failed"
    # With `idle` the late rest of a line is a line, where nothing shows that its beginning is missing.
    found = finding(made(framing | {"idle": "100 ms"}, layout), capture)
    assert found.outcome == ("passed" if name == "frames" else "failed")
    assert name == "frames" or "taken for a whole line" in found.message


def test_lines_that_follow_sooner_than_a_reading_need_a_shorter_pause():
    """Two kinds of lines make a reading, so that the next line may come after half of the interval."""
    rng = random.Random(8)
    lines = [b"%d.%02d %s" % (rng.randrange(3, 900), rng.randrange(100), (b"g", b"K")[n % 2]) for n in range(40)]
    for pause, outcome in (("240 ms", "passed"), ("260 ms", "failed")):
        kinds = {
            "channel": [MASS, {"name": "temperature", "unit": "K", "low": 0, "high": 1000}],
            "line": {
                "it": {"says": "reading", "pattern": "{mass:number} g"},
                "other": {"says": "reading", "pattern": "{temperature:number} K"},
            },
        }
        make = made({"longest_pause": pause}, {}, **kinds)
        assert finding(make, streamed(lines, every_ms=250)).outcome == outcome


def test_a_request_before_the_stream_makes_its_lines_no_sooner():
    """Before, each line behind the request counted as a part of one reading, 17 ms after the one before it."""
    rng = random.Random(9)
    capture = streamed([number(rng) for _ in range(30)], end=b" g\r\n")
    capture.pieces[:0] = [Piece(-20 * MS, ">", b"V\r\n"), Piece(-15 * MS, "<", b"V 1\r\n")]
    asks = {"request": {"who": {"send": "V", "answers": ["who"]}}, "identify": "who"}
    lines = {
        "it": {"says": "reading", "pattern": "{mass:number} g"},
        "who": {"says": "identity", "pattern": "V {serial:word}"},
    }
    for pause, outcome in (("250 ms", "passed"), ("500 ms", "failed")):
        assert finding(made({"longest_pause": pause}, {}, line=lines, **asks), capture).outcome == outcome


@pytest.mark.parametrize("name", CUT)
@pytest.mark.parametrize("pause_ms", [1, 99, 100, 101, 250, 400, 499])
def test_a_line_in_two_pieces_is_read_right_or_not_at_all(name, pause_ms):
    """Every place of the cut; before and behind it lines are whole, 500 ms apart."""
    framing, layout, end, write = CUT[name]
    rng = random.Random(f"pieces {name}")
    driver = made(framing | {"longest_pause": "100 ms"}, layout)()
    lines = [write(rng) + end for _ in range(5)]
    values = [driver.decode(line.removesuffix(b"\r\n")) for line in lines]
    for at in range(1, len(lines[0])):
        framer = make_framer(driver.framing)
        times = [(0, lines[0]), (500, lines[1][:at]), (500 + pause_ms, lines[1][at:])]
        times += [(1000, lines[2]), (1500, lines[3]), (2000, lines[4])]
        found = [driver.decode(f) for t, data in times for f in framer.feed((5000 + t) * MS, data)]
        if pause_ms <= 100:
            assert found == values
        else:
            kept = [value for value in found if type(value) is tuple]
            # Frames without an end begin again behind a pause: here, one or two later.
            assert kept in ([*values[:1], *values[2:]], [*values[:1], *values[3:]])
            assert framer.counters.cut_off == 1


@pytest.mark.parametrize("name", CUT)
def test_with_it_no_reading_of_a_line_that_loses_bytes_has_a_part_of_the_next_one(name):
    framing, layout, end, write = CUT[name]
    rng = random.Random(f"lost {name}")
    for pause, is_wrong in (("100 ms", False), ("0 s", True)):
        driver = made(framing | {"longest_pause": pause}, layout)()
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
    for pause in ("1 ms", "100 ms", "249 ms"):
        assert finding(made({"longest_pause": pause}, pattern, "poll"), polled(talk)).outcome == "passed"
    # The next request follows half of the time-out (500 ms) after it at the earliest.
    for idle in ("100 ms", "200 ms", "300 ms", "5 s"):
        assert finding(made({"idle": idle}, pattern, "poll"), polled(talk)).outcome == "failed"
    named = [(sent, b"M " + answer) for sent, answer in talk]
    assert finding(made({}, {"pattern": "M {mass:number}"}, "poll"), polled(named)).outcome == "passed"


@pytest.mark.parametrize("rest_ms", [101, 400, 499, None, 760, 900, 1000])
def test_an_answer_in_two_pieces_makes_no_other_reading(rest_ms):
    """The rest comes before the time-out (500 ms), never, or after the next request, which follows at 1000 ms."""
    driver = made({"longest_pause": "100 ms"}, {"pattern": "{mass:number}"}, "poll")()
    answers = [b"112.50\r\n", b"245.75\r\n", b"378.25\r\n", b"491.50\r\n", b"523.00\r\n"]
    for at in range(1, len(answers[0])):
        sent = []
        exchange = Exchange("x", driver, lambda _l, data, sent=sent: sent.append(data), lambda *_: None, 1000 * MS)
        exchange.link_up(0)
        exchange.start_polling(0)
        events = {5: answers[0][:at], 1010: answers[1], 2010: answers[2], 3010: answers[3], 4010: answers[4]}
        if rest_ms is not None:
            events[rest_ms + 5] = answers[0][at:]
        found = []
        for ms in range(4500):
            exchange.tick(ms * MS)
            found += exchange.receive(ms * MS, events[ms]) if ms in events else []
        assert len(sent) == 5
        assert {value for (value,) in found} <= {112.5, 245.75, 378.25, 491.5, 523.0}
        assert found[-2:] == [(491.5,), (523.0,)]
        assert exchange.report()["rejected"]["cut off"] == 1


def test_noise_before_a_request_costs_no_answer():
    driver = made({"longest_pause": "100 ms"}, {"pattern": "{mass:number}"}, "poll")()
    exchange = Exchange("x", driver, lambda *_: None, lambda *_: None, 1000 * MS)
    exchange.link_up(0)
    exchange.start_polling(0)
    found = []
    for ms in range(5000):
        exchange.tick(ms * MS)
        if ms % 1000 == 10:
            found += exchange.receive(ms * MS, b"12.50\r\n>")
        if ms % 1000 == 400:
            found += exchange.receive(ms * MS, b">")
    assert found == [(12.5,)] * 5


@pytest.mark.parametrize("way", ["stream", "poll"])
def test_a_description_from_a_capture_has_it_where_lines_have_no_checksum(way):
    rng = random.Random(5)
    units = [b"G:%d.%02d" % (rng.randrange(100, 900), rng.randrange(100)) for _ in range(20)]
    units += [b"KG:0.%03d" % rng.randrange(100, 900) for _ in range(20)]
    for lines in ([number(rng) + b" g" for _ in range(30)], units):
        capture: Capture = streamed(lines) if way == "stream" else polled([(b"R\r\n", line) for line in lines])
        make, guess = described(capture)
        assert "\nlongest_pause = " in guess.text
        assert finding(make, capture).outcome == "passed"
        without = re.sub("\nlongest_pause = .*", "", guess.text)
        assert finding(check_description(tomllib.loads(without)).driver, capture).outcome == "failed"


def paced(gaps_ms, inside_ms):
    """A stream of lines in two pieces, `inside_ms` apart; the times between lines repeat."""
    rng, pieces, t = random.Random(7), [], 0
    for n in range(40):
        line = number(rng) + b" g\r\n"
        pieces += [Piece(t * MS, "<", line[:3]), Piece((t + inside_ms) * MS, "<", line[3:])]
        t += gaps_ms[n % len(gaps_ms)]
    return Capture(pieces)


@pytest.mark.parametrize(
    ("gaps_ms", "inside_ms", "pause"),
    [
        ((500,), 10, "250 ms"),
        ((500,), 80, "250 ms"),
        ((500,), 90, ""),  # not much longer than the pauses inside a line
        ((200,), 10, "100 ms"),
        ((190,), 10, ""),  # adapters and a loaded computer make pauses of some ten milliseconds
        ((20, 980), 5, ""),  # a reading of several lines
        ((20, 20, 960), 5, ""),
        ((10,), 1, ""),
        ((3000,), 10, "500 ms"),
    ],
)
def test_the_pause_of_a_description_is_longer_than_those_of_the_link(gaps_ms, inside_ms, pause):
    text = described(paced(gaps_ms, inside_ms))[1].text
    assert (f'longest_pause = "{pause}"' in text) == bool(pause)
    assert ("# no longest_pause" in text) == (not pause)
    assert "idle = " not in text


def test_a_description_of_frames_without_checksum_has_it():
    rng = random.Random(6)
    frames = [frame(rng) for _ in range(30)]
    assert 'longest_pause = "250 ms"' in guess_description("made", streamed(frames, end=b""), "x").text
    polls = polled([(b"\xaa\x55\x01", one) for one in frames], end=b"")
    assert "longest_pause = " not in guess_description("made", polls, "x").text
