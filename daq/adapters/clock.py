"""Clocks: the machine's clock, and a faster one for the demonstration.

All times are integer nanoseconds.  Rules use only the monotonic clock.  UTC is read for anchors, stamps and messages.
"""

import ctypes
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    import asyncio

RUNNING_ON: Final[int] = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Clock of all monotonic times.  It goes on while the machine sleeps, as the instrument does: a run that the machine
slept through must not count the sleep as no time."""
STA_UNSYNC: Final = 0x0040
"""Status bit: the clock is not synchronised."""


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

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> "asyncio.TimerHandle":
        """Call `callback` on the running event loop at a monotonic time, ns."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of this clock."""
        ...

    def synchronised(self) -> bool | None:
        """Return whether a time source disciplines UTC; None where that is unknown."""
        ...


class SystemClock:
    """The machine's clocks."""

    def __init__(self) -> None:
        self.boot_id = _boot_id()

    def mono_ns(self) -> int:
        """Return the time since the start of the machine, sleep included, ns."""
        return time.clock_gettime_ns(RUNNING_ON)

    def utc_ns(self) -> int:
        """Return `time.time_ns`."""
        return time.time_ns()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> "asyncio.TimerHandle":
        """Call `callback` at `mono_ns` or later, depending on the load of the event loop."""
        import asyncio  # commands read the time, and none waits

        # The event loop's own clock stops while the machine sleeps, so only the time that is left counts.
        left = max(0.0, (mono_ns - self.mono_ns()) * 1e-9)
        return asyncio.get_running_loop().call_later(left, callback)

    async def sleep(self, seconds: float) -> None:
        """Wait with `asyncio.sleep`."""
        import asyncio

        await asyncio.sleep(seconds)

    def synchronised(self) -> bool | None:
        """Return what the kernel reports: see `clock_synchronised`."""
        return clock_synchronised()


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

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> "asyncio.TimerHandle":
        """Call `callback` at the scaled `mono_ns` or later."""
        import asyncio

        loop = asyncio.get_running_loop()
        return loop.call_later(max(0.0, (mono_ns - self.mono_ns()) * 1e-9 / self.scale), callback)

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of the scaled time."""
        import asyncio

        await asyncio.sleep(seconds / self.scale)

    def synchronised(self) -> bool | None:
        """Return None: no time source has a scaled time of day."""
        return None


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time", ctypes.c_long * 2),
        ("tick", ctypes.c_long),
        ("ppsfreq", ctypes.c_long),
        ("jitter", ctypes.c_long),
        ("shift", ctypes.c_int),
        ("stabil", ctypes.c_long),
        ("jitcnt", ctypes.c_long),
        ("calcnt", ctypes.c_long),
        ("errcnt", ctypes.c_long),
        ("stbcnt", ctypes.c_long),
        ("tai", ctypes.c_int),
        # The kernel may write more than is named here.
        ("spare", ctypes.c_int * 32),
    )


def clock_synchronised() -> bool | None:
    """Return whether a time source disciplines the machine's clock; None where the system does not report it.

    Time daemons (NTP, PTP) tell the Linux kernel whether they discipline its clock.  Source of the structure and the
    constant: adjtimex(2) of the Linux manual pages.
    """
    if not sys.platform.startswith("linux"):
        return None
    state = _Timex()  # modes 0: read only
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.byref(state))
    except (OSError, AttributeError):
        return None
    return None if answer < 0 else not state.status & STA_UNSYNC


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return "unknown"


def utc_text(utc_ns: int) -> str:
    """Return UTC as RFC 3339 text with milliseconds, ``2026-03-01T07:15:30.250Z``; `utc_ns` is ns since 1970."""
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)) + f".{rest // 1_000_000:03d}Z"
