"""Clocks: the machine's, and one that runs faster for the demonstration.

All times are integer nanoseconds.  Rules use only the monotonic clock; UTC is read for anchors.
"""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

STEP_NS = 500_000_000
"""UTC that moves against the monotonic clock by more than this is a clock step."""


class Clock(Protocol):
    """The only source of time for everything outside the core."""

    boot_id: str

    def mono_ns(self) -> int:
        """Monotonic time."""
        ...

    def utc_ns(self) -> int:
        """Time of day, since 1970."""
        ...

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` on the running loop at a monotonic time."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait so many of this clock's seconds."""
        ...


class SystemClock:
    """The machine's clocks."""

    def __init__(self) -> None:
        self.boot_id = _boot_id()

    def mono_ns(self) -> int:
        """`time.monotonic_ns`."""
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        """`time.time_ns`."""
        return time.time_ns()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Not before `mono_ns`; late by the loop's load."""
        # The loop's clock is the same one, in seconds.
        return asyncio.get_running_loop().call_at(mono_ns * 1e-9, callback)

    async def sleep(self, seconds: float) -> None:
        """`asyncio.sleep`."""
        await asyncio.sleep(seconds)


class ScaledClock:
    """A clock that runs `scale` times as fast from the moment it is made; for simulated instruments only."""

    def __init__(self, scale: float) -> None:
        """`scale` must be the one of the simulators, 1 to 20 on pseudo-terminals."""
        self.scale = scale
        self.boot_id = _boot_id()
        self._mono0 = time.monotonic_ns()
        self._utc0 = time.time_ns()

    def _passed(self) -> int:
        return round((time.monotonic_ns() - self._mono0) * self.scale)

    def mono_ns(self) -> int:
        """Scaled monotonic time, equal to the machine's at the beginning."""
        return self._mono0 + self._passed()

    def utc_ns(self) -> int:
        """Scaled time of day."""
        return self._utc0 + self._passed()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Not before the scaled `mono_ns`."""
        loop = asyncio.get_running_loop()
        return loop.call_later(max(0.0, (mono_ns - self.mono_ns()) * 1e-9 / self.scale), callback)

    async def sleep(self, seconds: float) -> None:
        """So many scaled seconds."""
        await asyncio.sleep(seconds / self.scale)


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return "unknown"


def utc_text(utc_ns: int) -> str:
    """RFC 3339 text with milliseconds, ``2026-03-01T07:15:30.250Z``."""
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest // 1_000_000:03d}Z"
