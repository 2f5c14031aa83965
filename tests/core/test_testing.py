"""The public test rig: virtual time, and hostile lines that do the damage in their names."""

import asyncio

import pytest

from daq.adapters.clock import Clock
from daq.testing import (
    Cut,
    Delayed,
    DoubledEnds,
    FlippedBits,
    Garbage,
    Joined,
    OneByteAtATime,
    VirtualClock,
)

S = 1_000_000_000


def test_it_is_a_clock_and_stands_still():
    clock: Clock = VirtualClock(5 * S, 100 * S)
    assert (clock.mono_ns(), clock.utc_ns(), clock.boot_id) == (5 * S, 100 * S, "virtual")
    assert clock.mono_ns() == 5 * S


def test_time_is_moved_and_never_back():
    clock = VirtualClock(0, 100 * S)
    clock.move_to(3 * S)
    assert (clock.mono_ns(), clock.utc_ns()) == (3 * S, 103 * S)
    clock.step_utc(-2.0)
    assert (clock.mono_ns(), clock.utc_ns()) == (3 * S, 101 * S)
    with pytest.raises(ValueError, match="cannot go back"):
        clock.move_to(2 * S)


@pytest.mark.asyncio
async def test_callbacks_and_sleepers_come_in_the_order_of_their_times():
    clock = VirtualClock(0)
    happened = []

    async def sleeper(seconds):
        await clock.sleep(seconds)
        happened.append((clock.mono_ns() / S, f"slept {seconds}"))
        await clock.sleep(1.0)
        happened.append((clock.mono_ns() / S, "again"))

    tasks = [asyncio.create_task(sleeper(s)) for s in (2.0, 0.5)]
    clock.call_at(S, lambda: happened.append((clock.mono_ns() / S, "called")))
    clock.call_at(3 * S, lambda: happened.append((0, "cancelled"))).cancel()
    await clock.advance(1.2)
    assert happened == [(0.5, "slept 0.5"), (1.0, "called")]
    assert clock.mono_ns() == 1_200_000_000
    await clock.advance(10.0)
    assert happened[2:] == [(1.5, "again"), (2.0, "slept 2.0"), (3.0, "again")]
    await asyncio.gather(*tasks)


@pytest.mark.asyncio
async def test_a_cancelled_sleeper_leaves_nothing_behind():
    clock = VirtualClock(0)
    task = asyncio.create_task(clock.sleep(5.0))
    await clock.advance(1.0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await clock.advance(10.0)
    assert clock.mono_ns() == 11 * S


LINE = b"val 42.35 12.000 24.981 -#ABCD\r\n"


def test_nothing_is_lost_where_nothing_is_said_to_be():
    for line in (OneByteAtATime(), Joined(), Delayed(50), Cut(1)):
        chunks = line(7, LINE)
        assert b"".join(data for _, data in chunks) == LINE
        assert [d for d, _ in chunks] == sorted(d for d, _ in chunks)
    assert len(OneByteAtATime()(0, LINE)) == len(LINE)
    assert len(Cut(1)(0, LINE)) > 1
    assert Joined(100)(7, LINE) == [(93, LINE)]
    assert 0 <= Delayed(50, seed=2)(0, LINE)[0][0] <= 50


def test_harm_is_counted_and_is_what_it_says():
    flipped = FlippedBits(1, 1.0)
    for _ in range(20):
        ((_, data),) = flipped(0, LINE)
        assert sum((a ^ b).bit_count() for a, b in zip(data, LINE, strict=True)) == 1
    assert flipped.struck == 20
    assert DoubledEnds(1, 1.0)(0, LINE) == [(0, LINE + b"\r\n")]
    ((_, noisy),) = Garbage(1, 1.0)(0, LINE)
    assert noisy.endswith(LINE)
    assert len(noisy) > len(LINE)
    lossy = Cut(1, loss=1.0)
    assert len(b"".join(data for _, data in lossy(0, LINE))) < len(LINE)
    quiet = FlippedBits(1, 0.0)
    assert quiet(0, LINE) == [(0, LINE)]
    assert quiet.struck == 0


def test_the_same_seed_does_the_same_harm():
    for make in (FlippedBits, Garbage, Cut, DoubledEnds):
        one, two, other = make(1), make(1), make(2)
        first = [one(0, LINE) for _ in range(30)]
        assert first == [two(0, LINE) for _ in range(30)]
        assert first != [other(0, LINE) for _ in range(30)]
