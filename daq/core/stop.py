"""Stop rules: a condition on any signal, combined with any/all, and how near it is.

A rule sees every reading.  A hold is broken by a reading that does not meet the condition
and by a null.  Ties break in the method's order.
"""

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final

from daq.core.exchange import NEVER
from daq.core.plan import Extent, Rule, RuleKind
from daq.core.steady import drift_bound

SPAN_CHECKS: Final = 4
"""Steadiness is judged so many times per span: often enough, and cheap at any reading rate."""

#: Block means of a signal in ``start < t_i <= end`` (ns): mean times (s) and mean values.
Window = Callable[[str, int, int], tuple[Sequence[float], Sequence[float]]]


@dataclass(frozen=True, slots=True)
class RuleProgress:
    """How near a condition is to be met."""

    rule: str
    """Its name."""
    kind: RuleKind
    relative: bool
    """Of ``steady``: whether value and limit are fractions of the mean."""
    signal: str
    value: float | None
    """The signal's value, or for ``steady`` the bound of the drift."""
    limit: float
    near: float
    """0 to 1."""
    met: bool


@dataclass(slots=True)
class StepClock:
    """Where a step stands: its start (ns), the present (ns), fresh readings and revolutions so far."""

    start: int
    floor: int
    """No span reaches back before this time: confirmed speed plus settle."""
    now: int = 0
    readings: int = 0
    revolutions: float = 0.0
    shown: int = -1
    """The last time (ns) at which ``elapsed`` was shown to the rules."""

    def passed(self, extent: Extent) -> bool:
        """Whether so much of the step has passed."""
        if extent.revolutions:
            return self.revolutions >= extent.revolutions
        return self.now - self.start >= extent.ns


@dataclass(slots=True)
class Met:
    """The leaf that made the rule true, and the value that met it."""

    name: str
    value: float | None


@dataclass(slots=True)
class Leaf:
    """One condition and its memory."""

    rule: Rule
    met: bool = False
    value: float | None = None
    since: int = -1
    since_revolutions: float = 0.0
    met_at: int = 0
    next_check: int = 0
    bound: float | None = None
    whole_from: int = 0
    """For a ``steady`` leaf: when the signal was last null (ns); a span with a null in it is not judged."""
    low: float = 0.0

    def __post_init__(self) -> None:
        # Elapsed time is whole nanoseconds; so is its limit, however the method's number was computed.
        self.low = round(self.rule.low * 1e9) / 1e9 if self.rule.signal == "elapsed" else self.rule.low

    def see(self, value: float | None, clock: StepClock) -> None:
        """Take the signal's value at ``clock.now``."""
        rule = self.rule
        if not clock.passed(rule.after):
            return
        if value is None:
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
        """For a ``steady`` leaf: its signal has no value at ``clock.now``."""
        self.whole_from = clock.now
        self._break()

    def judge_steadiness(self, clock: StepClock, window: Window) -> None:
        """For a ``steady`` leaf: bound the drift over the last span, at most `SPAN_CHECKS` times a span."""
        rule = self.rule
        span = rule.span.ns
        floor = max(clock.floor, self.whole_from)
        if clock.now < self.next_check or clock.now - floor < span or not clock.passed(rule.after):
            return
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
        """How near the leaf is, for a screen."""
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
    """A tree of leaves that watches one step (or one stage of the conditioning)."""

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
        """Show a signal's new value to the leaves that look at it."""
        for leaf in self.by_signal.get(signal, ()):
            leaf.see(value, clock)

    @property
    def next_check(self) -> int:
        """The first time (ns) at which a steadiness may be judged, or `NEVER`."""
        return min((leaf.next_check for leaf in self.steady), default=NEVER)

    def met(self) -> Met | None:
        """The first leaf, in the method's order, that makes the whole rule true, or None."""
        iterator = iter(self.leaves)
        leaf = _evaluate(self.rule, iterator)
        return Met(leaf.rule.name, leaf.value) if leaf is not None else None

    def see_null(self, signals: Collection[str], clock: StepClock) -> None:
        """These signals have no value now: holds are broken."""
        for leaf in self.leaves:
            if leaf.rule.signal in signals:
                if leaf.rule.kind == "steady":
                    leaf.see_null(clock)
                else:
                    leaf.see(None, clock)

    def due(self, clock: StepClock) -> int:
        """When the passing of time alone may meet a leaf (``elapsed``), or `NEVER`."""
        times = (
            clock.start + max(round(leaf.rule.low * 1e9), leaf.rule.after.ns)
            if leaf.since < 0
            else leaf.since + leaf.rule.hold.ns
            for leaf in self.by_signal.get("elapsed", ())
            if not leaf.met
        )
        # What was looked at and is not met waits for turns or a hold, and is looked at with every reading.
        return min((t for t in times if t > clock.shown), default=NEVER)


def _evaluate(rule: Rule, leaves: Iterator[Leaf]) -> Leaf | None:
    if not rule.rules:
        leaf = next(leaves)
        return leaf if leaf.met else None
    results = [_evaluate(child, leaves) for child in rule.rules]
    if rule.kind == "any":
        return next((r for r in results if r is not None), None)
    met = [r for r in results if r is not None]
    # The last one to come about is the reason; among equals the first in the method's order.
    return max(met, key=attrgetter("met_at")) if len(met) == len(results) else None
