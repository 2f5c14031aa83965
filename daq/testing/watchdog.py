"""A limit to the work a foreign driver may do, so that an endless loop is a finding and not the end of the tests."""

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


class TooMuchWorkError(BaseException):
    """The limit is used up.  Not an `Exception`, so that a driver that catches everything does not catch it."""


@contextlib.contextmanager
def at_most(cpu_seconds: float) -> Iterator[None]:
    """Raise `TooMuchWorkError` in the body once it has used so much CPU time (not wall time: the machine may be busy).

    Only in the main thread of a POSIX system, where signals arrive; elsewhere there is no limit.
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
