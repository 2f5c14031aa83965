"""The daemon that is killed: forked from a process that has imported everything, armed to die at a named point.

It runs the code of `daq serve`.  Its report is a file of lines: ``clock MONO0 SCALE`` when the
clock is made (to bring the journal's scaled times back to real ones), every point passed when it
only counts, and ``died NS POINT`` as its last act before SIGKILL.
"""

import logging
import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from daq.adapters.clock import ScaledClock
from tests.support.processes import daemon_entry as entry
from tests.support.processes.laboratory import Lab


@dataclass(frozen=True)
class Doom:
    """When to die: at the `n`-th passing of `point` (counted from 1), or `after` so many real seconds; or never."""

    point: str = ""
    n: int = 1
    after: float = 0.0


class Victim:
    """One life of the daemon."""

    def __init__(self, lab: Lab, doom: Doom, report: Path, log: Path, *, census: bool = False) -> None:
        self.report = report
        self.pid = os.fork()
        self._status: int | None = None
        if self.pid == 0:
            code = 99
            try:
                code = _live(lab, doom, report, log, census=census)
            except Exception:
                logging.getLogger(__name__).exception("the daemon's process broke")
            finally:
                os._exit(code)  # nothing of the parent may be unwound here

    @property
    def ended(self) -> int | None:
        """The exit code (negative: the signal), or None while it lives."""
        if self._status is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self._status = os.waitstatus_to_exitcode(status)
        return self._status

    def signal(self, number: int) -> None:
        """Send a signal, if it lives."""
        if self.ended is None:
            os.kill(self.pid, number)

    def lines(self, kind: str) -> list[list[str]]:
        """The report's lines of one kind, in words without the kind."""
        if not self.report.exists():
            return []
        words = (line.split() for line in self.report.read_text().splitlines())
        return [w[1:] for w in words if w and w[0] == kind]

    def real_ns(self, scaled_ns: int) -> float:
        """The real monotonic time of a time of its scaled clock."""
        ((mono0, scale),) = self.lines("clock")
        return int(mono0) + (scaled_ns - int(mono0)) / float(scale)


def _live(lab: Lab, doom: Doom, report: Path, log: Path, *, census: bool) -> int:
    out = os.open(report, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    to_log = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for fd in (1, 2):
        os.dup2(to_log, fd)
    os.environ.update(lab.env)

    def say(*words: object) -> None:
        os.write(out, (" ".join(map(str, words)) + "\n").encode())

    def die(point: str) -> None:
        say("died", time.monotonic_ns(), point)
        os.kill(os.getpid(), signal.SIGKILL)

    class Clock(ScaledClock):
        def __init__(self, scale: float) -> None:
            super().__init__(scale)
            say("clock", self._mono0, scale)

    hook = _hook(doom, say, die, census=census)
    if doom.after:
        timer = threading.Timer(doom.after, die, ("any moment",))
        timer.daemon = True
        timer.start()
    where = ["--config", str(lab.config), "--state", str(lab.state)]
    return entry.main(["--scale", str(lab.scale), "--", *where, "serve"], hook=hook, clock=Clock)


def _hook(doom: Doom, say: Callable[..., None], die: Callable[[str], None], *, census: bool) -> Callable[[str], None]:
    passed: Counter[str] = Counter()
    turn = threading.Lock()

    def hook(point: str) -> None:
        if census:
            say("passed", point)
        if point == doom.point:
            with turn:
                passed[point] += 1
                if passed[point] == doom.n:
                    die(point)

    return hook
