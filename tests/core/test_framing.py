"""Bytes to lines: bounded, resynchronising, independent of how bytes are cut."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.errors import DriverError
from daq.core.framing import Framer, Framing

CRLF = Framing(terminator=b"\r\n", longest=8)
LF = Framing(terminator=b"\n", longest=8)


def framed(spec: Framing, *chunks: bytes) -> tuple[list[bytes], Framer]:
    framer = Framer(spec)
    return [line for chunk in chunks for line in framer.feed(0, chunk)], framer


@pytest.mark.parametrize(
    ("spec", "data", "lines", "counted"),
    [
        (CRLF, b"ab\r\ncd\r\n", [b"ab", b"cd"], {"lines": 2}),
        (CRLF, b"ab\r\ncd", [b"ab"], {"lines": 1}),
        (CRLF, b"a\rb\nc\r\n", [b"a\rb\nc"], {"lines": 1}),
        (CRLF, b"\r\n\r\n", [b"", b""], {"lines": 2}),
        (CRLF, b"12345678\r\n", [b"12345678"], {"lines": 1}),
        (CRLF, b"123456789\r\nab\r\n", [b"ab"], {"lines": 1, "too_long": 1}),
        (CRLF, b"x" * 500 + b"\r\nab\r\n", [b"ab"], {"lines": 1, "too_long": 1}),
        (CRLF, b"x" * 500 + b"\r" + b"\nab\r\n", [b"ab"], {"lines": 1, "too_long": 1}),
        (LF, b"x" * 500 + b"\nab\n" + b"y" * 9 + b"\ncd\n", [b"ab", b"cd"], {"lines": 2, "too_long": 2}),
        (Framing(b"\r\n", 8, drop_first=True), b"rt\r\nab\r\n", [b"ab"], {"lines": 1, "first_dropped": 1}),
        (Framing(b"\r\n", 8, drop_first=True), b"x" * 99 + b"\r\nab\r\n", [b"ab"], {"lines": 1, "first_dropped": 1}),
        (Framing(b"END", 8), b"aENbENENDcEND", [b"aENbEN", b"c"], {"lines": 2}),
    ],
)
@pytest.mark.parametrize("size", [1, 2, 3, 10_000])
def test_lines_and_counters_whole_and_cut(spec, data, lines, counted, size):
    found, framer = framed(spec, *(data[i : i + size] for i in range(0, len(data), size)))
    assert found == lines
    expected = {"too_long": 0, "idle_cut": 0, "first_dropped": 0, "bytes": len(data)} | counted
    assert {k: getattr(framer.counters, k) for k in expected} == expected


def test_a_line_that_pauses_is_thrown_away_and_the_next_one_is_whole():
    framer = Framer(Framing(b"\n", 20, idle_ns=100))
    assert framer.feed(0, b"half") == []
    assert framer.feed(100, b"-more\n") == [b"half-more"]
    assert framer.feed(200, b"half") == []
    assert framer.feed(301, b"new\n") == [b"new"]
    assert framer.counters.idle_cut == 1


@settings(max_examples=200, derandomize=True, deadline=None)
@given(
    pieces=st.lists(
        st.tuples(st.integers(0, 200), st.sampled_from([b"a", b"\r", b"\n", b"b\r\n", b"c" * 9])), max_size=30
    ),
    end=st.sampled_from([b"\r\n", b"\n", (b"\r", b"\n")]),
)
def test_with_idle_a_pause_is_the_start_of_a_new_framer(pieces, end):
    """Journals of older runs have `idle`: they replay with the lines that they had."""
    t, found, wanted = 1000, [], []
    framer, fresh = Framer(Framing(end, 8, idle_ns=100)), Framer(Framing(end, 8))
    for pause, data in pieces:
        t += pause
        if pause > 100:
            fresh = Framer(Framing(end, 8))
        found += framer.feed(t, data)
        wanted += fresh.feed(t, data)
    assert found == wanted
    assert framer.counters.cut_off == 0


@pytest.mark.parametrize("end", [b"\n", b"\r\n", (b"\r", b"\n")])
def test_a_line_with_a_pause_inside_it_is_skipped_up_to_its_end(end):
    stop = end if isinstance(end, bytes) else b"\r\n"
    framer = Framer(Framing(end, 20, longest_pause_ns=100))
    whole = b"half-more" + stop
    for at in range(1, len(whole)):
        # Alternatives: the line is complete with the first of them.
        is_done = not isinstance(end, bytes) and at == len(whole) - 1
        before = framer.counters.cut_off
        found = framer.feed(1000 * at, whole[:at])
        found += framer.feed(1000 * at + 101, whole[at:] + b"new" + stop)
        assert found == ([b"half-more", b"new"] if is_done else [b"new"])
        assert framer.counters.cut_off - before == (not is_done)
        assert framer.feed(1000 * at + 500, whole[:at]) + framer.feed(1000 * at + 600, whole[at:]) == [b"half-more"]
    assert (framer.counters.too_long, framer.counters.first_dropped, framer.counters.idle_cut) == (0, 0, 0)


def test_a_pause_in_the_first_line_or_in_one_too_long_ends_neither():
    framer = Framer(Framing(b"\n", 4, longest_pause_ns=100, drop_first=True))
    assert framer.feed(1000, b"rs") + framer.feed(1200, b"t\nab\n") == [b"ab"]
    assert framer.feed(2000, b"y" * 50) + framer.feed(2200, b"y\nab\n") == [b"ab"]
    assert (framer.counters.first_dropped, framer.counters.too_long, framer.counters.cut_off) == (1, 1, 0)


@pytest.mark.parametrize("other", [{"idle_ns": 1}, {"silence_ns": 1}, {"begin": b"$"}])
def test_the_longest_pause_is_for_lines_without_other_marks(other):
    with pytest.raises(DriverError, match="longest_pause"):
        Framing(b"\n", 20, longest_pause_ns=100, **other)


def test_after_a_pause_the_line_behind_one_too_long_is_taken():
    framer = Framer(Framing(b"\n", 4, idle_ns=100))
    assert framer.feed(0, b"y" * 50) == []
    assert framer.feed(500, b"new\n") == [b"new"]
    assert (framer.counters.too_long, framer.counters.idle_cut) == (1, 0)


def test_reset_forgets_a_part_and_drops_the_first_again():
    framer = Framer(Framing(b"\n", 20, drop_first=True))
    framer.feed(0, b"x\nhalf")
    assert framer.pending == 4
    framer.reset()
    assert framer.pending == 0
    assert framer.feed(1, b"rest\nwhole\n") == [b"whole"]
    assert framer.counters.first_dropped == 2


def test_the_buffer_stays_bounded_whatever_comes():
    framer = Framer(CRLF)
    for _ in range(1000):
        framer.feed(0, b"z" * 37)
        assert framer.pending <= CRLF.longest + len(CRLF.terminator)


@settings(derandomize=True, max_examples=300)
@given(
    data=st.lists(st.sampled_from([b"a", b"bc", b"\r", b"\n", b"\r\n", b"0123456789", b"#"]), max_size=40).map(
        b"".join
    ),
    cuts=st.lists(st.integers(0, 400), max_size=30),
    spec=st.sampled_from([CRLF, LF, Framing(b"\r\n", 8, drop_first=True), Framing(b"\n", 3, drop_first=True)]),
)
def test_however_the_bytes_are_cut_lines_and_counters_are_the_same(data, cuts, spec):
    whole, one = framed(spec, data)
    at = sorted({min(c, len(data)) for c in cuts})
    pieces, two = framed(spec, *(data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)))
    single, three = framed(spec, *(data[i : i + 1] for i in range(len(data))))
    assert whole == pieces == single
    assert one.counters == two.counters == three.counters


@settings(derandomize=True, max_examples=200)
@given(noise=st.binary(max_size=300), spec=st.sampled_from([CRLF, LF]))
def test_within_one_line_after_garbage_lines_are_whole_again(noise, spec):
    lines = [b"first", b"second", b"third"]
    data = noise + spec.terminator.join([*lines, b""])
    found, _ = framed(spec, data)
    assert found[-2:] == lines[1:]
