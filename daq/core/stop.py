"""Evaluate stop rules: conditions on any signal, combined with any or all, and their progress.

A rule sees every reading.  A reading that does not meet the condition, or a null, restarts a hold.  Among conditions
that are met at the same time, the first in the method's order counts.
"""

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final

from daq.core.exchange import NEVER
from daq.core.extent import Extent
from daq.core.plan import Rule
from daq.core.ruleprogress import RuleProgress
from daq.core.steady import drift_bound

SPAN_CHECKS: Final = 4
"""Number of steadiness checks in one span: the cost does not depend on the reading rate."""

#: Function that gives the block means of a signal in ``start < t_i <= end`` (ns): mean times (s) and mean values.
Window = Callable[[str, int, int], tuple[Sequence[float], Sequence[float]]]


@dataclass(slots=True)
class StepClock:
    """Time and counters of a step: its start (ns), the present time (ns), new readings and revolutions so far."""

    start: int
    """Time at which the speed was confirmed; where nothing turns, the time at which the step was entered."""
    floor: int
    """No span reaches back before this time, which is `start` plus the settling time."""
    now: int = 0
    readings: int = 0
    revolutions: float = 0.0
    shown: int = -1
    """The last time (ns) at which ``elapsed`` was shown to the rules."""

    def passed(self, extent: Extent) -> bool:
        """Return whether `extent` of the step has passed."""
        if extent.revolutions:
            return self.revolutions >= extent.revolutions
        return self.now - self.start >= extent.ns


@dataclass(slots=True)
class Met:
    """Name of the condition that made the rule true, and the value that met it."""

    name: str
    value: float | None
    is_late: bool = False
    """True if the condition may have held earlier: see `Leaf.is_late`."""
    since: int = -1
    """Time (ns) of the reading or check from which the condition has held; -1: not known."""


@dataclass(slots=True)
class Leaf:
    """State of one condition."""

    rule: Rule
    met: bool = False
    value: float | None = None
    since: int = -1
    since_revolutions: float = 0.0
    met_at: int = 0
    next_check: int = 0
    bound: float | None = None
    whole_from: int = 0
    """For a ``steady`` leaf: time (ns) of the last null of the signal; a span that contains a null is not judged."""
    low: float = 0.0
    is_late: bool = False
    """True if a null restarted a hold: the condition may have held before the null."""

    def __post_init__(self) -> None:
        # Elapsed time is a whole number of nanoseconds, so its limit is rounded to one.
        self.low = round(self.rule.low * 1e9) / 1e9 if self.rule.signal == "elapsed" else self.rule.low

    def see(self, value: float | None, clock: StepClock) -> None:
        """Take the value of the signal at ``clock.now``."""
        rule = self.rule
        if not clock.passed(rule.after):
            return
        if value is None:
            self.is_late = self.is_late or self.since >= 0
            self._break()
            return
        if rule.kind == "above":
            holds = value >= self.low
        elif rule.kind == "below":
            holds = value <= rule.high
        else:
            holds = self.low <= value <= rule.high
        self._hold(holds, value, clock)

    def _hold(self, holds: bool, value: float, clock: StepClock) -> None:
        if not holds:
            self.is_late = False
            self._break()
            return
        if self.since < 0:
            self.since, self.since_revolutions = clock.now, clock.revolutions
        hold = self.rule.hold
        held = (
            clock.revolutions - self.since_revolutions >= hold.revolutions
            if hold.revolutions
            else clock.now - self.since >= hold.ns
        )
        if held and not self.met:
            self.met, self.value, self.met_at = True, value, clock.now

    def _break(self) -> None:
        self.since, self.met, self.value = -1, False, None

    def see_null(self, clock: StepClock) -> None:
        """Restart a ``steady`` leaf whose signal has no value at ``clock.now``."""
        self.whole_from = clock.now
        self._break()

    def judge_steadiness(self, clock: StepClock, window: Window) -> None:
        """Compute the drift bound of a ``steady`` leaf over the last span, at most `SPAN_CHECKS` times in a span."""
        rule = self.rule
        span = rule.span.ns
        floor = max(clock.floor, self.whole_from)
        if clock.now < self.next_check or clock.now - floor < span or not clock.passed(rule.after):
            return
        # The checks are on a grid from `floor`, so their times do not depend on the readings.
        step = span // SPAN_CHECKS
        self.next_check = clock.now - (clock.now - floor) % step + step
        seconds, means = window(rule.signal, clock.now - span, clock.now)
        self.bound = None
        bound = drift_bound(seconds, means)
        if bound is not None:
            mean = abs(math.fsum(means) / len(means))
            if not rule.relative or mean > 0.0:
                self.bound = bound * span * 1e-9 / (mean if rule.relative else 1.0)
        if self.bound is None or self.bound > rule.limit:
            self._break()
            return
        if self.since < 0:
            self.since = clock.now
        if clock.now - self.since >= (rule.spans - 1) * span and not self.met:
            self.met, self.value, self.met_at = True, self.bound, clock.now

    def progress(self, clock: StepClock, value: float | None) -> RuleProgress:
        """Return the progress of the leaf, for a screen; `value` is the present value of the signal."""
        rule = self.rule
        limit = rule.limit if rule.kind == "steady" else rule.high if rule.kind == "below" else rule.low
        shown = self.bound if rule.kind == "steady" else value
        near = 0.0
        if self.met:
            near = 1.0
        elif rule.hold.ns and self.since >= 0:
            near = min(1.0, (clock.now - self.since) / rule.hold.ns)
        elif shown is not None and rule.kind == "above" and limit > 0:
            near = min(1.0, max(0.0, shown / limit))
        elif shown is not None and rule.kind in ("below", "steady") and shown > 0:
            near = min(1.0, max(0.0, limit / shown))
        return RuleProgress(rule.name, rule.kind, rule.relative, rule.signal, shown, limit, near, self.met)


@dataclass(slots=True)
class StopRule:
    """State of a rule and its conditions (leaves) in one step or in one stage of the conditioning."""

    rule: Rule
    leaves: list[Leaf] = field(init=False)
    by_signal: dict[str, list[Leaf]] = field(init=False)
    steady: list[Leaf] = field(init=False)

    def __post_init__(self) -> None:
        self.leaves = [Leaf(leaf) for leaf in self.rule.leaves()]
        self.by_signal = {}
        self.steady = [leaf for leaf in self.leaves if leaf.rule.kind == "steady"]
        for leaf in self.leaves:
            if leaf.rule.kind != "steady":
                self.by_signal.setdefault(leaf.rule.signal, []).append(leaf)

    def see(self, signal: str, value: float | None, clock: StepClock) -> None:
        """Give a new value of `signal` to the leaves that test it."""
        for leaf in self.by_signal.get(signal, ()):
            leaf.see(value, clock)

    @property
    def next_check(self) -> int:
        """Earliest time (ns) of the next steadiness check, or `NEVER`."""
        return min((leaf.next_check for leaf in self.steady), default=NEVER)

    def met(self) -> Met | None:
        """Return the leaf that makes the whole rule true (in a tie the first in the method's order), or None."""
        iterator = iter(self.leaves)
        leaf = _evaluate(self.rule, iterator)
        return Met(leaf.rule.name, leaf.value, leaf.is_late, leaf.since) if leaf is not None else None

    def see_null(self, signals: Collection[str], clock: StepClock) -> None:
        """Restart the leaves of `signals`, which have no value now."""
        for leaf in self.leaves:
            if leaf.rule.signal in signals:
                if leaf.rule.kind == "steady":
                    leaf.see_null(clock)
                else:
                    leaf.see(None, clock)

    def due(self, clock: StepClock) -> int:
        """Return the time (ns) at which an ``elapsed`` leaf may be met without a reading, or `NEVER`."""
        times = (
            clock.start + max(round(leaf.rule.low * 1e9), leaf.rule.after.ns)
            if leaf.since < 0
            else leaf.since + leaf.rule.hold.ns
            for leaf in self.by_signal.get("elapsed", ())
            if not leaf.met
        )
        # A leaf that has seen its time and is not met waits for revolutions or a hold, so it sees every reading.
        return min((t for t in times if t > clock.shown), default=NEVER)


def _evaluate(rule: Rule, leaves: Iterator[Leaf]) -> Leaf | None:
    if not rule.rules:
        leaf = next(leaves)
        return leaf if leaf.met else None
    results = [_evaluate(child, leaves) for child in rule.rules]
    if rule.kind == "any":
        return next((r for r in results if r is not None), None)
    met = [r for r in results if r is not None]
    # The leaf that was met last is the reason; in a tie the first in the method's order.
    return max(met, key=attrgetter("met_at")) if len(met) == len(results) else None
