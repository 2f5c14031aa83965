"""Virtual clock for tests: its time changes only by calls."""

import asyncio
import heapq
import itertools
from collections.abc import Callable
from typing import Final

SETTLING: Final = 50
"""Turns of the event loop between two times, in which tasks can react."""


class VirtualClock:
    """A `daq.adapters.clock.Clock` whose time is set by calls: the same calls give the same times.

    `move_to` sets the time without a loop.  `advance` runs the callbacks of `call_at` and `sleep` in the order of their
    times, and lets the loop's tasks react after each.
    """

    boot_id = "virtual"

    def __init__(self, mono_ns: int = 1_000_000_000_000, utc_ns: int = 1_772_000_000_000_000_000) -> None:
        self._mono = mono_ns
        self._ahead = utc_ns - mono_ns
        self._timers: list[tuple[int, int, asyncio.TimerHandle, Callable[[], None]]] = []
        self._numbers = itertools.count()

    def mono_ns(self) -> int:
        """Return the monotonic time, ns."""
        return self._mono

    def utc_ns(self) -> int:
        """Return the time of day, ns since 1970; it advances with the monotonic time."""
        return self._mono + self._ahead

    def step_utc(self, seconds: float) -> None:
        """Step the time of day forward or back (s), as when the machine's clock is set."""
        self._ahead += round(seconds * 1e9)

    def move_to(self, mono_ns: int) -> None:
        """Set the time to `mono_ns` without running callbacks.

        Raises:
            ValueError: that is in the past.
        """
        if mono_ns < self._mono:
            raise ValueError(f"the clock is at {self._mono} ns and cannot go back to {mono_ns} ns")
        self._mono = mono_ns

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` when `advance` reaches `mono_ns`; needs a running loop."""
        loop = asyncio.get_running_loop()
        handle = asyncio.TimerHandle(mono_ns * 1e-9, callback, [], loop)
        heapq.heappush(self._timers, (mono_ns, next(self._numbers), handle, callback))
        return handle

    async def sleep(self, seconds: float) -> None:
        """Wait until `advance` has advanced the time by `seconds`."""
        woken = asyncio.Event()
        handle = self.call_at(self._mono + round(seconds * 1e9), woken.set)
        try:
            await woken.wait()
        finally:
            handle.cancel()

    def synchronised(self) -> bool | None:
        """Return None: unknown."""
        return None

    async def advance(self, seconds: float) -> None:
        """Advance the time by `seconds`, running callbacks in order."""
        end = self._mono + round(seconds * 1e9)
        await _settle()
        while self._timers and self._timers[0][0] <= end:
            when, _, handle, callback = heapq.heappop(self._timers)
            if not handle.cancelled():
                self._mono = max(self._mono, when)
                callback()
                await _settle()
        self._mono = end


async def _settle() -> None:
    for _ in range(SETTLING):
        await asyncio.sleep(0)
