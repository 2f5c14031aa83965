"""Facts about the machine's clock in a run: its steps against the monotonic clock, and its synchronisation."""

from dataclasses import dataclass, field
from typing import Final

from daq.core.events import ClockAnchor

STEP_NS: Final = 500_000_000
"""Smallest change of UTC against the monotonic clock that counts as a clock step."""


@dataclass(slots=True)
class ClockStep:
    """A step of UTC: the monotonic time (ns) at which it was noticed, and its size (s); positive is forward."""

    t: int
    seconds: float


@dataclass(slots=True)
class ClockFacts:
    """Facts about the clock so far.

    Attributes:
        t, utc_ns: monotonic time and UTC of the start of the run; None before it.
        synchronised: whether a time source disciplined the clock all the time; None where that is unknown.
        steps: the steps, in order.
    """

    t: int | None = None
    utc_ns: int = 0
    synchronised: bool | None = None
    steps: list[ClockStep] = field(default_factory=list)

    def after(self, anchor: ClockAnchor) -> "ClockFacts":
        """Return the facts with a further anchor."""
        if self.t is None:
            return ClockFacts(anchor.t, anchor.utc_ns, anchor.synchronised)
        # UTC as it would be without a step: that of the start, and all steps that are known.
        known = self.utc_ns + sum(round(s.seconds * 1e9) for s in self.steps)
        change = anchor.utc_ns - (known + anchor.t - self.t)
        steps = [*self.steps, ClockStep(anchor.t, change / 1e9)] if abs(change) >= STEP_NS else list(self.steps)
        return ClockFacts(self.t, self.utc_ns, _both(self.synchronised, anchor.synchronised), steps)

    def utc_of(self, t: int) -> int | None:
        """Return the UTC (ns) of a monotonic time (ns) by the clock as it was at the start; None before the start."""
        return None if self.t is None else self.utc_ns + t - self.t

    @property
    def largest_step(self) -> float | None:
        """The step (s) with the greatest absolute value; None without steps."""
        return max((s.seconds for s in self.steps), key=abs, default=None)


def _both(a: bool | None, b: bool | None) -> bool | None:
    if a is False or b is False:
        return False
    return None if a is None or b is None else True
