"""Limits of a driver under test, so that an endless loop and an endless wait become findings."""

import contextlib
import signal
import threading
import time
from collections.abc import Iterator
from types import FrameType
from typing import Final

LOOKS: Final = 20
"""Number of times in the longest wait at which the CPU time is compared."""


class TooMuchWorkError(BaseException):
    """The limit is exceeded.  Not an `Exception`, so that a driver with `except Exception` does not catch it."""


class WaitedError(TooMuchWorkError):
    """The block waited for longer than allowed, without work."""


@contextlib.contextmanager
def at_most(cpu_seconds: float, waiting_seconds: float = 0.0) -> Iterator[None]:
    """Raise `TooMuchWorkError` in the `with` block after `cpu_seconds` of CPU time.

    With `waiting_seconds`, raise `WaitedError` after this time on the clock without any work of the process.  A slow or
    busy machine is no wait: the time counts only while the block uses no CPU time at all.

    Only in the main thread of a POSIX system, which receives signals; elsewhere there is no limit.
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "ITIMER_VIRTUAL"):
        yield
        return
    worked, waits = time.process_time(), 0

    def used_up(_number: int, _frame: FrameType | None) -> None:
        raise TooMuchWorkError

    def looked(_number: int, _frame: FrameType | None) -> None:
        nonlocal worked, waits
        now = time.process_time()
        # The signal itself takes some microseconds.
        waits = waits + 1 if now - worked < 1e-3 else 0
        worked = now
        if waits >= LOOKS:
            raise WaitedError

    before = signal.signal(signal.SIGVTALRM, used_up), signal.signal(signal.SIGALRM, looked)
    try:
        signal.setitimer(signal.ITIMER_VIRTUAL, cpu_seconds)
        if waiting_seconds:
            signal.setitimer(signal.ITIMER_REAL, waiting_seconds / LOOKS, waiting_seconds / LOOKS)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
            if waiting_seconds:
                signal.setitimer(signal.ITIMER_REAL, 0.0)
    finally:
        signal.signal(signal.SIGVTALRM, before[0])
        signal.signal(signal.SIGALRM, before[1])
