"""The synchronisation of the machine's clock, as the kernel reports it: adjtimex(2), Linux manual pages."""

import asyncio
import ctypes
import sys
import time

import pytest

from daq.adapters import clock
from daq.adapters.clock import clock_synchronised

STA_PLL, STA_UNSYNC, STA_NANO = 0x0001, 0x0040, 0x2000  # linux/timex.h


class Kernel:
    """A C library whose call gives a status and an answer."""

    def __init__(self, status, answer=0):
        self.status, self.answer = status, answer

    def adjtimex(self, pointer):
        assert pointer._obj.modes == 0  # nothing is set
        pointer._obj.status = self.status
        return self.answer


@pytest.mark.parametrize(
    ("status", "answer", "expected"),
    [
        (STA_PLL, 0, True),
        (0, 0, True),
        (STA_NANO | STA_PLL, 1, True),
        (STA_UNSYNC, 5, False),
        (STA_UNSYNC | STA_NANO, 5, False),
        (STA_UNSYNC, -1, None),
        (STA_PLL, -1, None),
    ],
)
def test_the_bit_of_the_status_decides_and_an_error_is_unknown(monkeypatch, status, answer, expected):
    monkeypatch.setattr(clock.ctypes, "CDLL", lambda _name: Kernel(status, answer))
    assert clock_synchronised() is expected


def test_without_the_call_it_is_unknown(monkeypatch):
    monkeypatch.setattr(clock.ctypes, "CDLL", lambda _name: object())
    assert clock_synchronised() is None
    monkeypatch.setattr(clock.sys, "platform", "plan9")
    assert clock_synchronised() is None


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a call of Linux")
def test_the_structure_has_the_layout_of_the_kernel():
    """The field `time`, which follows the status, shows the present time."""
    state = clock._Timex()
    if ctypes.CDLL(None).adjtimex(ctypes.byref(state)) < 0:
        pytest.skip("this system does not allow the call")
    assert state.time[0] == pytest.approx(time.time(), abs=2)
    assert 9_000 <= state.tick <= 11_000  # microseconds in a tick of the user interface, 100 a second


@pytest.mark.asyncio
@pytest.mark.parametrize("slept", [0, 10**9, 3600 * 10**9])
async def test_time_goes_on_while_the_machine_sleeps(monkeypatch, slept):
    """The event loop's clock stops, that of the instrument does not: what was due in the sleep is done after it."""
    machine = clock.SystemClock()
    before, sleeping = machine.mono_ns(), []
    honest = time.clock_gettime_ns
    monkeypatch.setattr(
        clock.time, "clock_gettime_ns", lambda which: honest(which) + (slept if which == clock.RUNNING_ON else 0)
    )
    assert machine.mono_ns() - before >= slept
    done = asyncio.Event()
    machine.call_at(before + slept // 2, done.set)
    later = machine.call_at(before + slept + 60 * 10**9, lambda: sleeping.append(1))
    await asyncio.wait_for(done.wait(), 5.0)
    assert 0.0 < later.when() - asyncio.get_running_loop().time() <= 60.0
    later.cancel()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a clock of Linux")
def test_the_clock_is_the_one_that_counts_sleep():
    """clock_gettime(2): CLOCK_MONOTONIC does not count the time that the system is suspended, CLOCK_BOOTTIME does."""
    assert time.CLOCK_BOOTTIME == clock.RUNNING_ON
