"""Frames with other ends than one terminator: independent of how bytes are cut, bounded, found again after garbage."""

import binascii

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.errors import DriverError
from daq.core.frames import make_framer
from daq.core.framing import NEVER, Framing

EITHER = Framing(terminator=(b"\r", b"\n"), longest=8)
BOTH = Framing(terminator=(b"\n", b"\r\n"), longest=8)
WITH_BEGIN = Framing(terminator=b"\r\n", longest=8, begin=b"$")
WIDE = Framing(terminator=(b"\x03", b"\x17"), longest=6, begin=b"\x01\x02")
FIXED = Framing(length=4)
MARKED = Framing(length=4, begin=b"##")


def counted_frame(window: bytes) -> int:
    """`~`, the number of bytes of content, the content, CRC-16/XMODEM over all before it (binascii's crc_hqx)."""
    if window[:1] != b"~":
        return -1
    if len(window) < 2:
        return 0
    total = 2 + window[1] + 2
    if len(window) < total:
        return total
    return total if binascii.crc_hqx(window[:total], 0) == 0 else -1


def packed(content: bytes) -> bytes:
    head = b"~" + bytes([len(content)]) + content
    return head + binascii.crc_hqx(head, 0).to_bytes(2, "big")


COUNTED = Framing(longest=20, measure=counted_frame)
SPECS = [EITHER, BOTH, WITH_BEGIN, WIDE, FIXED, MARKED, COUNTED]


def framed(spec, *chunks):
    framer = make_framer(spec)
    return [line for chunk in chunks for line in framer.feed(0, chunk)], framer


@pytest.mark.parametrize(
    ("spec", "data", "lines", "counted"),
    [
        (EITHER, b"ab\rcd\nef\r\n\r\ngh\n\r", [b"ab", b"cd", b"ef", b"gh"], {"lines": 4}),
        (EITHER, b"123456789\r\nab\r", [b"ab"], {"lines": 1, "too_long": 1}),
        (EITHER, b"x" * 99 + b"\r\nab\n", [b"ab"], {"lines": 1, "too_long": 1}),
        (BOTH, b"a\rb\ncd\r\n\nef\n", [b"a\rb", b"cd", b"ef"], {"lines": 3}),
        (
            Framing(terminator=(b"\r", b"\n"), drop_first=True),
            b"rt\r\nab\r\n",
            [b"ab"],
            {"lines": 1, "first_dropped": 1},
        ),
        (WITH_BEGIN, b"$ab\r\n$cd\r\n", [b"ab", b"cd"], {"lines": 2}),
        (WITH_BEGIN, b"xy$ab\r\nz\r\n$cd\r\n", [b"ab", b"cd"], {"lines": 2, "skipped": 5}),
        (WITH_BEGIN, b"$ab$cd\r\n", [b"cd"], {"lines": 1, "skipped": 3}),
        (WITH_BEGIN, b"$ab" + b"x" * 99 + b"\r\n$cd\r\n", [b"cd"], {"lines": 1, "too_long": 1, "skipped": 104}),
        (WITH_BEGIN, b"x" * 99 + b"\r\n$cd\r\n", [b"cd"], {"lines": 1, "skipped": 101}),
        (WIDE, b"\x01\x02abc\x03\x02no\x03\x01\x02de\x17", [b"abc", b"de"], {"lines": 2, "skipped": 4}),
        (FIXED, b"abcdefgh12", [b"abcd", b"efgh"], {"lines": 2}),
        (MARKED, b"#abcd##efgh##ij##", [b"efgh", b"ij##"], {"lines": 2, "skipped": 5}),
        (COUNTED, packed(b"abc") + packed(b""), [packed(b"abc"), packed(b"")], {"lines": 2}),
        (COUNTED, b"~~" + packed(b"abc") + b"#" * 130, [packed(b"abc")], {"lines": 1, "skipped": 132}),
        (COUNTED, b"~\xff" + packed(b"abc"), [packed(b"abc")], {"lines": 1, "skipped": 2}),
    ],
)
@pytest.mark.parametrize("size", [1, 2, 3, 10_000])
def test_frames_and_counters_whole_and_cut(spec, data, lines, counted, size):
    found, framer = framed(spec, *(data[i : i + size] for i in range(0, len(data), size)))
    assert found == lines
    expected = {"too_long": 0, "idle_cut": 0, "first_dropped": 0, "skipped": 0, "bytes": len(data)} | counted
    assert {k: getattr(framer.counters, k) for k in expected} == expected


PIECES = st.sampled_from(
    [bytes([byte]) for byte in b"ab\r\n$#~\x00\x01\x02\x03\x17\xff"]
    + [packed(b"ab"), packed(b"~\x01"), packed(b"c")[:-1], b"\r\n", b"##", b"\x01\x02", b"0123456789"]
)


@settings(derandomize=True, max_examples=400)
@given(
    data=st.lists(PIECES, max_size=30).map(b"".join),
    cuts=st.lists(st.integers(0, 200), max_size=20),
    spec=st.sampled_from(SPECS),
)
def test_however_the_bytes_are_cut_frames_and_counters_are_the_same(data, cuts, spec):
    whole, one = framed(spec, data)
    at = sorted({min(c, len(data)) for c in cuts})
    pieces, two = framed(spec, *(data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)))
    single, three = framed(spec, *(data[i : i + 1] for i in range(len(data))))
    assert whole == pieces == single
    assert one.counters == two.counters == three.counters
    assert max(f.pending for f in (one, two, three)) <= spec.longest + 4


@pytest.mark.parametrize("spec", [WITH_BEGIN, WIDE])
@pytest.mark.parametrize("length", range(16))
def test_around_the_greatest_length_counters_do_not_depend_on_how_the_bytes_are_cut(spec, length):
    for end in (spec.begin + b"ab", spec.begin + b"ab" + spec.ends[0], spec.ends[0]):
        data = spec.begin + b"x" * length + end
        whole, one = framed(spec, data)
        single, two = framed(spec, *(data[i : i + 1] for i in range(len(data))))
        assert (whole, one.counters) == (single, two.counters)


def test_a_measure_that_never_knows_holds_nothing_up():
    found, framer = framed(Framing(longest=10, measure=lambda _: 0), b"x" * 500)
    assert (found, framer.pending, framer.counters.skipped) == ([], 9, 491)


@settings(derandomize=True, max_examples=300)
@given(noise=st.binary(max_size=300))
def test_within_one_frame_after_garbage_frames_are_whole_again(noise):
    for spec, frames in (
        (EITHER, [b"first\r\n", b"second\r\n", b"third\r\n"]),
        (WITH_BEGIN, [b"$first\r\n", b"$second\r\n", b"$third\r\n"]),
        (WIDE, [b"\x01\x02first\x03", b"\x01\x02second\x03", b"\x01\x02third\x03"]),
    ):
        found, _ = framed(spec, noise, *frames)
        assert found[-2:] == [f.strip(b"\r\n$\x01\x02\x03") for f in frames[1:]]
    # A measured frame can claim at most `longest` bytes, so what follows is at most that late.
    frames = [packed(b"first"), packed(b"second"), packed(b"third"), packed(b"fourth"), packed(b"fifth")]
    found, _ = framed(COUNTED, noise, *frames)
    assert found[-2:] == frames[-2:]


def test_a_measured_frame_is_forgotten_at_a_pause_so_that_what_follows_is_found():
    framer = make_framer(Framing(longest=20, measure=counted_frame, idle_ns=100))
    assert framer.feed(0, b"~\x0f claims") == []
    assert framer.feed(200, packed(b"abc")) == [packed(b"abc")]
    assert framer.counters.idle_cut == 1


def test_a_frame_ends_after_its_silence():
    framer = make_framer(Framing(silence_ns=100, longest=6))
    assert framer.wake_at == NEVER
    assert framer.feed(0, b"ab") == []
    assert framer.wake_at == 100
    assert framer.feed(100, b"cd") == []  # at the very time it still belongs to it
    assert framer.tick(199) == []
    assert framer.tick(200) == [b"abcd"]
    assert framer.wake_at == NEVER
    framer.feed(300, b"x" * 50)
    framer.feed(350, b"x" * 50)
    assert framer.pending <= 6
    assert framer.tick(framer.wake_at) == []
    framer.feed(1000, b"next")
    assert framer.feed(1101, b"one") == [b"next"]  # no tick came in between
    assert (framer.counters.lines, framer.counters.too_long) == (2, 1)


def test_the_first_frame_by_silence_may_be_a_part():
    framer = make_framer(Framing(silence_ns=100, drop_first=True))
    framer.feed(0, b"rt")
    assert framer.tick(100) == []
    framer.feed(200, b"whole")
    assert framer.tick(300) == [b"whole"]
    assert framer.counters.first_dropped == 1


@pytest.mark.parametrize("spec", [EITHER, WITH_BEGIN, FIXED, COUNTED, Framing(silence_ns=100)])
def test_a_part_of_a_frame_can_be_forgotten(spec):
    framer = make_framer(spec)
    framer.feed(0, b"$~")
    framer.forget()
    assert framer.pending == 0
    assert framer.wake_at == NEVER


def test_a_line_too_long_is_forgotten_with_its_part_and_the_first_line_is_still_dropped():
    framer = make_framer(Framing(terminator=b"\r", longest=4))
    framer.feed(0, b"x" * 50)
    framer.forget()
    assert framer.feed(0, b"ab\r") == [b"ab"]
    assert framer.counters.too_long == 1
    framer = make_framer(Framing(terminator=b"\r", drop_first=True))
    framer.feed(0, b"rt")
    framer.forget()
    assert framer.feed(0, b"st\rab\r") == [b"ab"]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"length": 4, "silence_ns": 1}, "only one"),
        ({"length": 4, "measure": len}, "only one"),
        ({"length": 400}, "longest"),
        ({"longest": 0}, "longest"),
        ({"begin": b"$", "silence_ns": 5}, "begin"),
        ({"begin": b"$", "measure": len}, "begin"),
        ({"terminator": b""}, "at least one byte"),
        ({"terminator": ()}, "at least one byte"),
        ({"terminator": (b"\r", b"\r\n")}, "inside another"),
        ({"terminator": b"$$", "begin": b"$"}, "contain each other"),
    ],
)
def test_marks_that_contradict_each_other_are_refused(more, message):
    with pytest.raises(DriverError, match=message):
        Framing(**more)
