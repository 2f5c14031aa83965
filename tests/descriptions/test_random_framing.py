"""Framers of any description: whatever comes, and however it is cut, they neither raise nor hang nor hold more than a line."""

import random
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.errors import DriverError
from daq.core.frames import make_framer
from daq.core.framing import NEVER, Framing
from daq.testing.watchdog import at_most
from tests.support.instruments.built_in import DRIVERS

MARKS = st.text("\r\n$#\x02\x03ab", min_size=1, max_size=3).map(str.encode)
SEVERAL = st.sampled_from([(b"\r", b"\n"), (b"\n", b"\r\n"), (b"\x03", b"#", b"ab")]) | st.lists(
    MARKS, min_size=2, max_size=3
).map(tuple)
SPECS = st.fixed_dictionaries(
    {"longest": st.integers(1, 40)},
    optional={
        "terminator": MARKS | SEVERAL,
        "begin": MARKS,
        "length": st.integers(1, 40),
        "silence_ns": st.integers(1, 1_000),
        "idle_ns": st.integers(1, 1_000),
        "longest_pause_ns": st.integers(1, 1_000),
        "drop_first": st.booleans(),
    },
)
PIECES = st.lists(
    st.sampled_from([b"a", b"b", b"\r", b"\n", b"\r\n", b"$", b"#", b"\x02", b"\x03", b"x" * 50, b"\xff\x00"]),
    max_size=40,
)


def held(framer, spec):
    """Bytes that may wait for more: a line with its marks."""
    return framer.pending <= spec.longest + len(spec.begin) + max(map(len, spec.ends), default=0)


@pytest.mark.slow
@settings(max_examples=400, derandomize=True, deadline=None)
@given(given=SPECS, pieces=PIECES, cuts=st.lists(st.integers(0, 600), max_size=20))
def test_any_framing_takes_any_bytes_however_they_are_cut(given, pieces, cuts):
    try:
        spec = Framing(**given)
    except DriverError as error:
        assert str(error)  # noqa: PT017 - either outcome is right
        return
    data = b"".join(pieces)
    at = sorted({min(c, len(data)) for c in cuts})
    results = []
    for parts in (
        [data],
        [data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)],
        [bytes([b]) for b in data],
    ):
        framer, found = make_framer(spec), []
        with at_most(2.0):
            for part in parts:
                found += framer.feed(0, part)
                assert held(framer, spec)
            if framer.wake_at < NEVER:
                found += framer.tick(framer.wake_at)
        assert all(len(frame) <= spec.longest for frame in found)
        results.append((found, framer.counters))
    assert results[0] == results[1] == results[2]


@pytest.mark.parametrize("name", DRIVERS)
def test_a_line_of_noise_alone_costs_no_memory(name):
    spec = DRIVERS[name].framing
    framer, rng = make_framer(spec), random.Random(name)

    def some(count):
        for t in range(count):
            noise = rng.randbytes(500) if t % 2 else b"x" * 500
            framer.feed(t, noise)
            framer.tick(t)
            assert held(framer, spec)

    some(40)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        some(400)
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert grown < 4_000, grown
