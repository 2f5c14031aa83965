"""The machine's clock during a run: anchors of UTC in the journal, and the evidence that the end of the run seals."""

from collections.abc import Callable
from typing import Any, Final

import structlog

from daq.adapters.clock import Clock
from daq.core.clocks import STEP_NS
from daq.core.events import ClockAnchor

log = structlog.get_logger()

CHECK_NS: Final = 50_000_000
"""Least time between two checks that readings cause, ns.  A step before the last reading of a run is so noticed."""
WORDS: Final = {True: "yes", False: "no", None: "unknown"}
"""State of synchronisation as the audit trail names it."""


class ClockWatch:
    """Compares UTC with the monotonic clock; gives an anchor where it was stepped or its synchronisation changed."""

    def __init__(self, run: str, clock: Clock, began: tuple[int, int], feed: Callable[[ClockAnchor], None]) -> None:
        """`began` is the start of the run: monotonic time and UTC, ns.  `feed` takes the anchors."""
        self._run, self._clock, self._began, self._feed = run, clock, began, feed
        self._began_synchronised = clock.synchronised()
        self._anchor = began
        self._synchronised: bool | None = None
        self._checked = 0

    def begin(self, mono_ns: int) -> None:
        """Give the first anchor, which continues the time of the record; a step since then becomes a second one."""
        self._set(mono_ns, self.utc_of(mono_ns))
        self.check()

    def utc_of(self, mono_ns: int) -> int:
        """Return the UTC (ns) of a monotonic time (ns) by the clock as it was at the start of the run."""
        return self._began[1] + mono_ns - self._began[0]

    def check_at(self, mono_ns: int) -> None:
        """Check the clock at a reading, at most once in `CHECK_NS`."""
        if mono_ns - self._checked >= CHECK_NS:
            self.check()

    def check(self) -> None:
        """Give an anchor where UTC was stepped, or where its synchronisation changed."""
        mono, utc = self._clock.mono_ns(), self._clock.utc_ns()
        self._checked = mono
        drift = (utc - self._anchor[1]) - (mono - self._anchor[0])
        if abs(drift) >= STEP_NS:
            log.warning("clock step", run=self._run, seconds=round(drift * 1e-9, 3))
            self._set(mono, utc)
        elif self._clock.synchronised() != self._synchronised:
            self._set(mono, utc)

    def _set(self, mono: int, utc: int) -> None:
        self._anchor, self._synchronised = (mono, utc), self._clock.synchronised()
        self._feed(ClockAnchor(mono, utc, self._clock.boot_id, self._synchronised))

    def evidence(self) -> dict[str, Any]:
        """Return both clocks at the start and now, their difference over the run, and whether UTC was synchronised."""
        mono, utc = self._clock.mono_ns(), self._clock.utc_ns()
        return {
            "boot": self._clock.boot_id,
            "began_utc_ns": self._began[1],
            "ended_utc_ns": utc,
            "monotonic_ns": mono - self._began[0],
            "difference_ns": (utc - self._began[1]) - (mono - self._began[0]),
            "synchronised_at_start": WORDS[self._began_synchronised],
            "synchronised_at_end": WORDS[self._clock.synchronised()],
        }


def unknown_evidence(began_utc_ns: int, synchronised: bool | None) -> dict[str, Any]:
    """Return the evidence of a run whose end was not observed, because the daemon was killed.

    `synchronised` is the state of the clock before the kill.  The difference of the clocks is null, because the
    monotonic times of two boots cannot be compared.
    """
    return {
        "boot": "unknown",
        "began_utc_ns": began_utc_ns,
        "ended_utc_ns": None,
        "monotonic_ns": None,
        "difference_ns": None,
        "synchronised_at_start": WORDS[synchronised],
        "synchronised_at_end": "unknown",
    }
