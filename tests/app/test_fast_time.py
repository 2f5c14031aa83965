"""The loop of the simulated shift: time jumps, never past a timer, and not while a thread works."""

import asyncio
import threading
import time

import pytest

from daq.app.workshop.shift.fast_time import FastClock, FastLoop


@pytest.fixture
def loop():
    made = FastLoop()
    yield made
    made.close()


def test_timers_are_called_in_order_at_their_times_without_waiting(loop):
    called = []
    began = time.monotonic()
    for delay in (3600.0, 0.5, 86_400.0, 0.0, 0.5):
        loop.call_later(delay, lambda delay=delay: called.append((delay, loop.time())))
    loop.run_until_complete(asyncio.sleep(100_000.0))
    assert [delay for delay, _ in called] == [0.0, 0.5, 0.5, 3600.0, 86_400.0]
    assert all(0.0 <= at - delay < 1e-3 for delay, at in called)
    assert time.monotonic() - began < 3600.0


def test_time_does_not_pass_while_a_thread_works(loop):
    release = threading.Event()
    seen = []

    async def waiting():
        ticking = loop.call_later(1.0, lambda: seen.append(loop.time()))
        threading.Timer(0.05, release.set).start()
        await asyncio.to_thread(release.wait)
        assert loop.time() < 1.0
        assert not seen
        await asyncio.sleep(2.0)
        ticking.cancel()

    loop.run_until_complete(waiting())
    assert seen == [pytest.approx(1.0, abs=1e-3)]


def test_time_does_not_pass_while_another_thread_says_that_it_works(loop):
    busy = threading.Event()
    busy.set()
    loop.others.append(busy.is_set)
    threading.Timer(0.05, busy.clear).start()

    async def waiting():
        await asyncio.sleep(10.0)
        assert not busy.is_set()

    loop.run_until_complete(waiting())


def test_a_sleep_below_the_resolution_of_the_clock_ends(loop):
    """A loop that sleeps until the next whole second meets rests of 1e-10 s, because its time is a floating-point number."""

    async def seconds():
        for _ in range(1000):
            await asyncio.sleep(1.0 - loop.time() % 1.0)

    async def turns():
        while True:
            await asyncio.sleep(0.1)

    async def both():
        others = asyncio.create_task(turns())
        await seconds()
        others.cancel()

    loop.run_until_complete(asyncio.wait_for(both(), 5000.0))
    assert 300.0 < loop.time() < 1001.0


def test_the_clock_has_the_time_of_the_loop(loop):
    clock = FastClock(loop, 1_000)

    async def waiting():
        await clock.sleep(3.0)
        return clock.mono_ns(), clock.utc_ns(), clock.synchronised()

    mono, utc, synchronised = loop.run_until_complete(waiting())
    assert mono == pytest.approx(3e9, abs=1e6)
    assert (utc - mono, synchronised) == (1_000, None)
