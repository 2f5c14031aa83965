"""The daemon that is killed: forked from a process that has imported everything; it kills itself at a named point.

It runs the code of `daq serve`.  Its report is a file of lines: ``clock MONO0 SCALE`` when the clock is made (to convert
the journal's scaled times to real ones), ``passed POINT`` for every point if it only counts, and ``died NS POINT`` as
the last line before SIGKILL.
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
class KillPlan:
    """Moment of the kill: at the `n`-th passing of `point` (counted from 1), or `after` seconds of real time; or never."""

    point: str = ""
    n: int = 1
    after: float = 0.0


class KilledDaemon:
    """One life of the daemon: a process from its start to its end."""

    def __init__(self, lab: Lab, plan: KillPlan, report: Path, log: Path, *, count_only: bool = False) -> None:
        self.report = report
        self.pid = os.fork()
        self._status: int | None = None
        if self.pid == 0:
            code = 99
            try:
                code = _live(lab, plan, report, log, count_only=count_only)
            except Exception:
                logging.getLogger(__name__).exception("the daemon's process failed")
            finally:
                os._exit(code)  # the parent's context managers must not run in the child

    @property
    def ended(self) -> int | None:
        """The exit code (negative: the signal), or None while it runs."""
        if self._status is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self._status = os.waitstatus_to_exitcode(status)
        return self._status

    def signal(self, number: int) -> None:
        """Send a signal if the process runs."""
        if self.ended is None:
            os.kill(self.pid, number)

    def lines(self, kind: str) -> list[list[str]]:
        """Return the report's lines of one kind, split into words, without the kind."""
        if not self.report.exists():
            return []
        words = (line.split() for line in self.report.read_text().splitlines())
        return [w[1:] for w in words if w and w[0] == kind]

    def real_ns(self, scaled_ns: int) -> float:
        """Return the real monotonic time (ns) of a time of its scaled clock."""
        ((mono0, scale),) = self.lines("clock")
        return int(mono0) + (scaled_ns - int(mono0)) / float(scale)


def _live(lab: Lab, plan: KillPlan, report: Path, log: Path, *, count_only: bool) -> int:
    out = os.open(report, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    to_log = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for fd in (1, 2):
        os.dup2(to_log, fd)
    os.environ.update(lab.env)

    def report_line(*words: object) -> None:
        os.write(out, (" ".join(map(str, words)) + "\n").encode())

    def die(point: str) -> None:
        report_line("died", time.monotonic_ns(), point)
        os.kill(os.getpid(), signal.SIGKILL)

    class ReportedClock(ScaledClock):
        def __init__(self, scale: float) -> None:
            super().__init__(scale)
            report_line("clock", self._mono0, scale)

    hook = _hook(plan, report_line, die, count_only=count_only)
    if plan.after:
        timer = threading.Timer(plan.after, die, ("any moment",))
        timer.daemon = True
        timer.start()
    where = ["--config", str(lab.config), "--state", str(lab.state)]
    return entry.main(["--scale", str(lab.scale), "--", *where, "serve"], hook=hook, clock=ReportedClock)


def _hook(
    plan: KillPlan, report_line: Callable[..., None], die: Callable[[str], None], *, count_only: bool
) -> Callable[[str], None]:
    passed: Counter[str] = Counter()
    turn = threading.Lock()

    def hook(point: str) -> None:
        if count_only:
            report_line("passed", point)
        if point == plan.point:
            with turn:
                passed[point] += 1
                if passed[point] == plan.n:
                    die(point)

    return hook
