"""Clocks: the machine's clock, and a faster one for the demonstration.

All times are integer nanoseconds.  Rules use only the monotonic clock.  UTC is read for anchors, stamps and messages.
"""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

STEP_NS = 500_000_000
"""Smallest change of UTC against the monotonic clock that counts as a clock step."""


class TimeSource(Protocol):
    """The part of a `Clock` that only reads the time."""

    def mono_ns(self) -> int:
        """Return the monotonic time, ns."""
        ...

    def utc_ns(self) -> int:
        """Return UTC, ns since 1970."""
        ...


class Clock(TimeSource, Protocol):
    """The only source of time for everything outside the core.

    Attributes:
        boot_id: identity of the machine's present boot; monotonic times of two boots cannot be compared.
    """

    boot_id: str

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` on the running event loop at a monotonic time, ns."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of this clock."""
        ...


class SystemClock:
    """The machine's clocks."""

    def __init__(self) -> None:
        self.boot_id = _boot_id()

    def mono_ns(self) -> int:
        """Return `time.monotonic_ns`."""
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        """Return `time.time_ns`."""
        return time.time_ns()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` at `mono_ns` or later, depending on the load of the event loop."""
        # The event loop uses the same monotonic clock, in seconds.
        return asyncio.get_running_loop().call_at(mono_ns * 1e-9, callback)

    async def sleep(self, seconds: float) -> None:
        """Wait with `asyncio.sleep`."""
        await asyncio.sleep(seconds)


class ScaledClock:
    """A clock that runs `scale` times as fast from its creation on; for simulated instruments only."""

    def __init__(self, scale: float) -> None:
        """Start the clock; `scale` must equal the scale of the simulators, 1 to 20 on pseudo-terminals."""
        self.scale = scale
        self.boot_id = _boot_id()
        self._mono0 = time.monotonic_ns()
        self._utc0 = time.time_ns()

    def _passed(self) -> int:
        return round((time.monotonic_ns() - self._mono0) * self.scale)

    def mono_ns(self) -> int:
        """Return the scaled monotonic time, ns; it equals the machine's at the creation."""
        return self._mono0 + self._passed()

    def utc_ns(self) -> int:
        """Return the scaled UTC, ns since 1970."""
        return self._utc0 + self._passed()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` at the scaled `mono_ns` or later."""
        loop = asyncio.get_running_loop()
        return loop.call_later(max(0.0, (mono_ns - self.mono_ns()) * 1e-9 / self.scale), callback)

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of the scaled time."""
        await asyncio.sleep(seconds / self.scale)


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return "unknown"


def utc_text(utc_ns: int) -> str:
    """Return UTC as RFC 3339 text with milliseconds, ``2026-03-01T07:15:30.250Z``; `utc_ns` is ns since 1970."""
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest // 1_000_000:03d}Z"
