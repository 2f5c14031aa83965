"""Measure one step: its clock, its readings, its stop rule and its kept values."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.columns import Columns
from daq.core.derive import Getter, getters, roots
from daq.core.driver import Driver, Values
from daq.core.effects import Kept, StepEnded
from daq.core.exchange import NEVER
from daq.core.extent import Extent
from daq.core.faults import CHECKS, LAST_TEMPERATURES
from daq.core.latereadings import look_back_ns
from daq.core.plan import SLOWER, Keep, Plan
from daq.core.ruleprogress import RuleProgress
from daq.core.sensorsigns import tail_of
from daq.core.spans import last_temperature, settled_tail, take
from daq.core.steady import BLOCKS
from daq.core.stop import Met, StepClock, StopRule

BEGIN_OF_HOLD: Final = 5
"""Number of the checks since which the interval of an event is looked for from the reading that began its hold."""
DROP_MARGIN_NS: Final = 60 * 10**9
"""Readings stay this much longer (ns) than the longest span needs them."""


class Meter:
    """Measurement of one step.  The first reading or due time that meets the stop rule sets `met`."""

    def __init__(
        self,
        plan: Plan,
        number: int,
        t: int,
        drivers: Mapping[str, Driver],
        signals: Mapping[str, Getter],
        emit: Callable[[Kept], None],
        earlier: Mapping[str, tuple[int, tuple[float, ...] | Values]] | None = None,
        *,
        checks: int = CHECKS,
    ) -> None:
        """Start the step `number` of `plan` at `t` (ns).

        Args:
            plan: plan of the run.
            number: index of the step.
            t: start of the step, ns.
            drivers: drivers by the name of the link.
            signals: functions that give the signals of the lead instrument from one reading.
            emit: called with every kept value.
            earlier: time (ns) and values of the last reading of each companion before the step, by the name of its
                link; one that has not spoken yet is left out.
            checks: number of the checks of the daq whose run this is.
        """
        self.plan = plan
        self._checks = checks
        self.number = number
        self.step = step = plan.steps[number]
        self.drivers = drivers
        self.emit = emit
        self.columns = {link.name: Columns(link.channels) for link in plan.links}
        self.lead = self.columns[plan.lead.name]
        for name, (at, item) in (earlier or {}).items():
            self.columns[name].earlier = before = Columns(self.columns[name].channels)
            before.add_faulty(at, 0.0, item if isinstance(item, Values) else Values(item, ()))
        floor = NEVER if step.settle.revolutions else t + step.settle.ns
        self.clock = StepClock(start=t, floor=floor, now=t)
        self.stop = StopRule(step.stop)
        self.met: Met | None = None
        self._derivations = {d.name: d for d in plan.derivations}
        self._waiting = [(k, StopRule(k.event)) for k in step.keep if k.event is not None]
        self._intervals = [(k, 1) for k in step.keep if k.at == "every"]
        self._rules = [self.stop, *(rule for _, rule in self._waiting)]
        watched = dict.fromkeys(s for rule in self._rules for s in rule.by_signal if s in signals)
        self._watched = [(s, signals[s]) for s in watched]
        used = {s for rule in self._rules for s in rule.by_signal}
        # An ``elapsed`` leaf is met when its time is due; only with a hold or revolutions must it see every reading.
        by_turns = any(
            leaf.rule.signal == "elapsed" and (leaf.rule.after.revolutions or leaf.rule.hold != Extent())
            for rule in self._rules
            for leaf in rule.leaves
        )
        self._counted = [s for s in ("readings", "revolutions") if s in used] + (["elapsed"] if by_turns else [])
        self._turned_intervals = any(k.every.revolutions for k, _ in self._intervals)
        steady = dict.fromkeys(leaf.rule.signal for rule in self._rules for leaf in rule.steady)
        self._steady_of_lead = [(s, signals[s]) for s in steady if s in signals]
        self._steady_check = min(rule.next_check for rule in self._rules)
        self._reach = self._longest_reach()
        self._trail: list[float] = []
        self._trailed = t
        self._next_drop = NEVER if self._reach == NEVER else t + self._reach
        #: The rules use only time and steadiness, so readings with equal times can be taken as a batch.
        self.batchable = not (self._watched or self._counted or self._turned_intervals)
        self.wake_at = self._next_due()
        """Time (ns) at which an action is due without a reading."""

    def _longest_reach(self) -> int:
        """Return the time (ns) that the longest span reaches back; `NEVER` where a span counts turns or readings."""
        spans = [k.span for k in self.step.keep]
        spans += [leaf.rule.span for rule in self._rules for leaf in rule.steady]
        if not all(span.ns for span in spans):
            return NEVER
        every = [k.every.ns for k, _ in self._intervals]
        # The interval of an event is that of the readings since its rule began to hold.
        leaves = [leaf for k in self.step.keep if k.event for leaf in k.event.leaves()]
        held = [x.held_ns(self.step.speed) * (SLOWER if x.hold.revolutions else 1.0) for x in leaves]
        longest = max((span.ns for span in spans), default=0) + max(every, default=0)
        longest += math.ceil(max(held, default=0.0)) + look_back_ns(self.drivers[self.plan.lead.name])
        return longest + DROP_MARGIN_NS

    def _drop(self, t: int) -> None:
        """Discard the readings that no later span needs, so that a long step does not fill the memory."""
        self._next_drop = t + self._reach
        band, start, end = self.plan.band, max(self.clock.floor, self._trailed), t - self._reach
        if band is not None and start < end:
            # A frozen torque is known by the noise before, however long ago it was.
            (gone,) = self.lead.clean(self.lead.between(start, end), [band.signal])[1]
            self._trail, self._trailed = tail_of([*self._trail, *gone]), end
        for columns in self.columns.values():
            columns.drop_before(t - self._reach)

    # ---- readings

    def reading(self, t: int, item: tuple[float, ...] | Values, turned: float) -> None:
        """Take a checked, new reading of the lead instrument at `t` (ns).

        `turned` is the number of revolutions since the last reading.
        """
        clock, columns = self.clock, self.lead
        clock.now = t
        clock.readings += 1
        clock.revolutions = revolutions = clock.revolutions + turned
        if isinstance(item, Values):
            columns.add_faulty(t, revolutions, item)
            values: Sequence[float | None] = item.values
            self._nulls({s for s, get in self._steady_of_lead if get(values) is None})
        else:
            columns.add(t, revolutions, item)
            values = item
        if t >= self._next_drop:
            self._drop(t)
        if clock.floor == NEVER and revolutions >= self.step.settle.revolutions:
            clock.floor = t
        if self._watched:
            for signal, get in self._watched:
                value = get(values)
                for rule in self._rules:
                    rule.see(signal, value, clock)
        if self._counted or self._turned_intervals:
            self._count(t)
        if not self.batchable or t >= self._steady_check:
            self._judge()

    def add_batch(self, t: int, rows: list[tuple[float, ...]]) -> None:
        """Take further readings without fault that have the time `t` (ns); only where `batchable`."""
        self.clock.readings += len(rows)
        self.lead.add_batch(t, self.clock.revolutions, rows)
        if t >= self._next_drop:
            self._drop(t)

    def _count(self, t: int) -> None:
        clock = self.clock
        now = {"readings": float(clock.readings), "revolutions": clock.revolutions, "elapsed": (t - clock.start) / 1e9}
        if "elapsed" in self._counted:
            clock.shown = t
        for signal in self._counted:
            for rule in self._rules:
                rule.see(signal, now[signal], clock)
        if "elapsed" in self._counted:
            self.wake_at = self._next_due()
        if self._turned_intervals:
            for i, (keep, k) in enumerate(self._intervals):
                turns = keep.every.revolutions
                if turns and clock.revolutions >= k * turns:
                    self._keep(keep, t)
                    self._intervals[i] = (keep, int(clock.revolutions / turns) + 1)

    def companion(self, t: int, link: str, item: tuple[float, ...] | Values) -> None:
        """Take a checked reading of the companion `link` at `t` (ns), on the same time axis."""
        self.clock.now = t
        columns = self.columns[link]
        values: Sequence[float | None] = item.values if isinstance(item, Values) else item
        columns.add_faulty(t, self.clock.revolutions, item if isinstance(item, Values) else Values(item, ()))
        signals = {f"{link}.{c}": v for c, v in zip(columns.channels, values, strict=True)}
        self._nulls({s for s, v in signals.items() if v is None})
        for signal, value in signals.items():
            if value is not None:
                for rule in self._rules:
                    rule.see(signal, value, self.clock)
        self._judge()

    def null(self, t: int, signals: Sequence[str]) -> None:
        """Set `signals` to null at `t` (ns), after a silence: a hold of a rule on one of them starts again."""
        self.clock.now = t
        derived = [d.name for d in self.plan.derivations] if any("." not in s for s in signals) else []
        self._nulls({*signals, *derived})

    def _nulls(self, signals: set[str]) -> None:
        if signals:
            for rule in self._rules:
                rule.see_null(signals, self.clock)

    def _judge(self) -> None:
        """Evaluate steadiness where a check is due, then the events, then the stop rule."""
        clock = self.clock
        if clock.now >= self._steady_check:
            for rule in self._rules:
                for leaf in rule.steady:
                    leaf.judge_steadiness(clock, self.window)
            self._steady_check = min(rule.next_check for rule in self._rules)
        for pair in list(self._waiting):
            met = pair[1].met()
            if met is not None:
                self._waiting.remove(pair)
                self._keep(pair[0], clock.now, met if self._checks >= BEGIN_OF_HOLD else replace(met, since=-1))
        if self.met is None:
            self.met = self.stop.met()

    # ---- time

    @property
    def deadline(self) -> int:
        """Time (ns) at which the step has lasted too long."""
        return self.clock.start + self.step.longest_ns

    def _next_due(self) -> int:
        """Return the time (ns) of the next due action.

        It changes only when a due action is done, and when a rule sees ``elapsed``.
        """
        due = min(self.stop.due(self.clock), self.deadline)
        for keep, k in self._intervals:
            if keep.every.ns:
                due = min(due, self.clock.start + k * keep.every.ns)
        for _, rule in self._waiting:
            due = min(due, rule.due(self.clock))
        return due

    def due(self, t: int) -> None:
        """Do what is due at `t` (ns): keep the values of intervals that end, and evaluate ``elapsed``."""
        clock = self.clock
        clock.now = clock.shown = t
        self._intervals_over(t)
        for rule in self._rules:
            rule.see("elapsed", (t - clock.start) / 1e9, clock)
        self._judge()
        self.wake_at = self._next_due()

    # ---- values

    def _intervals_over(self, t: int) -> None:
        for i, (keep, k) in enumerate(self._intervals):
            if keep.every.ns and t >= self.clock.start + k * keep.every.ns:
                self._keep(keep, self.clock.start + k * keep.every.ns)
                self._intervals[i] = (keep, k + 1)

    def finish(self, t: int, met: Met) -> StepEnded:
        """Keep the values of the end of the step at `t` (ns), and return how it ended."""
        self._intervals_over(t)  # a reading may end the step at the same time at which an interval ends
        for keep, k in self._intervals:
            turns, started = keep.every.revolutions, self.clock.start + (k - 1) * keep.every.ns
            if keep.keep_part and (self.clock.revolutions > (k - 1) * turns if turns else t > started):
                self._keep(keep, t)
        for keep in self.step.keep:
            if keep.at == "end":
                self._keep(keep, t)
        clock = self.clock
        return StepEnded(t, self.number, clock.start, met.name, met.value, clock.readings, clock.revolutions)

    @property
    def waiting(self) -> list[str]:
        """Names of the events that have not happened yet."""
        return [rule.rule.name for _, rule in self._waiting]

    def progress(self, signals: Mapping[str, float | None], now: int) -> list[RuleProgress]:
        """Return the progress of each condition of the stop rule at `now` (ns), for a screen."""
        clock = self.clock
        built_in: dict[str, float | None] = {
            "elapsed": max(0, now - clock.start) / 1e9,
            "readings": float(clock.readings),
            "revolutions": clock.revolutions,
        }
        known = {**signals, **built_in}
        return [leaf.progress(clock, known.get(leaf.rule.signal)) for leaf in self.stop.leaves]

    def provisional(self, t: int) -> Kept | None:
        """Return the value of the step if it ended at `t` (ns), for a screen; None without reading or keep entry."""
        if not self.lead.times or not self.step.keep:
            return None
        return self._take(self.step.keep[-1], t, None)

    def _keep(self, keep: Keep, t: int, met: Met | None = None) -> None:
        self.emit(self._take(keep, t, met))

    def _take(self, keep: Keep, t: int, met: Met | None) -> Kept:
        settled = settled_tail(self.plan, self.lead, max(self.clock.floor, self._trailed), t, self._trail)
        clock, columns, drivers = self.clock, self.columns, self.drivers
        kept = take(self.plan, self.number, keep, t, clock, columns, drivers, met=met, settled=settled)
        if self._checks >= LAST_TEMPERATURES:
            last, faults = last_temperature(self.plan, kept, columns, drivers)
            kept.summaries |= last
            kept.temperature_faults = tuple(dict.fromkeys((*kept.temperature_faults, *faults)))
        return kept

    def window(self, signal: str, start: int, end: int) -> tuple[list[float], list[float]]:
        """Return block means of a signal in ``start < t_i <= end`` (ns): mean times (s after `start`) and values.

        A derived quantity is computed from the means of its channels, like the published value.
        """
        link, _, channel = signal.rpartition(".")
        columns = self.columns[link] if link else self.lead
        bases = roots(channel, self._derivations) if not link else (channel,)
        get = getters(bases, [d for d in self.plan.derivations if set(roots(d.name, self._derivations)) <= set(bases)])
        seconds: list[float] = []
        values: list[float] = []
        for t, means in columns.block_means(columns.between(start, end), bases, BLOCKS):
            value = get[channel](means)
            if value is not None:
                seconds.append(t)
                values.append(value)
        return seconds, values
