"""Limit of the CPU time of a driver under test, so that an endless loop becomes a finding."""

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


class TooMuchWorkError(BaseException):
    """The limit is exceeded.  Not an `Exception`, so that a driver with `except Exception` does not catch it."""


@contextlib.contextmanager
def at_most(cpu_seconds: float) -> Iterator[None]:
    """Raise `TooMuchWorkError` in the `with` block after `cpu_seconds` of CPU time (not wall time).

    Only in the main thread of a POSIX system, which receives signals; elsewhere there is no limit.
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "ITIMER_VIRTUAL"):
        yield
        return

    def used_up(_number: int, _frame: FrameType | None) -> None:
        raise TooMuchWorkError

    before = signal.signal(signal.SIGVTALRM, used_up)
    try:
        signal.setitimer(signal.ITIMER_VIRTUAL, cpu_seconds)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
    finally:
        signal.signal(signal.SIGVTALRM, before)
