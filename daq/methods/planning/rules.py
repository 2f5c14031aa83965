"""Compile the stop rules of a method to rules of the plan, and compute how long they can take."""

import math
from dataclasses import dataclass, replace

from daq.core.errors import SettingError
from daq.core.extent import Extent
from daq.core.plan import Rule
from daq.core.remarks import Parameter
from daq.core.units import symbol
from daq.methods.files.fields import Amount
from daq.methods.files.recipe import Steadiness, Stop
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.making import Making
from daq.methods.planning.signals import BUILT_IN, INTERVAL_SCALES

NS = 1_000_000_000
NS_PER_MINUTE = 60 * NS


@dataclass(slots=True)
class RuleMaker:
    """Compiles the rules of one step."""

    making: Making
    turns: bool
    """True if the rotor turns in this step."""

    def make(self, stop: Stop, key: str) -> Rule:
        """Return the plan's rule for the rule of the method at `key`; errors go to the refusals."""
        for kind, parts in (("any", stop.any), ("all", stop.all)):
            if parts is not None:
                rules = tuple(self.make(part, f"{key}.{kind}[{i}]") for i, part in enumerate(parts))
                name = stop.name or f" {'or' if kind == 'any' else 'and'} ".join(r.name for r in rules)
                return Rule("any" if kind == "any" else "all", name, rules=rules)
        return self._leaf(stop, key)

    def _refuse(self, key: str, reason: str) -> None:
        self.making.refuse(key, reason)

    def _leaf(self, stop: Stop, key: str) -> Rule:
        asked = stop.signal or ""
        signal = self.making.signals.resolve(asked)
        nothing = Rule("above", stop.name or asked, asked)
        if signal is None:
            self._refuse(f"{key}.signal", self.making.unknown(asked))
            return nothing
        if not self.turns and signal == "revolutions":
            self._refuse(f"{key}.signal", "nothing turns in this step, so revolutions would never be met")
            return nothing
        for field, extent in (("after", stop.after), ("hold", stop.hold)):
            if extent.revolutions and not self.turns:
                self._refuse(f"{key}.{field}", "is in revolutions, but nothing turns in this step; write a time")
        if stop.steady is not None:
            return self._steady(stop, stop.steady, signal, key)
        limits = {"above": stop.above, "below": stop.below}
        kind = next((k for k, v in limits.items() if v is not None), "between")
        if signal in BUILT_IN and kind != "above":
            self._refuse(f"{key}.{kind}", f"{signal} only grows; use above")
            return nothing
        low = high = 0.0
        if kind == "between" and stop.between is not None:
            low = self._value(stop.between[0], signal, f"{key}.between[0]")
            high = self._value(stop.between[1], signal, f"{key}.between[1]")
        else:
            value = self._value(limits[kind] or Amount(0.0), signal, f"{key}.{kind}")
            low, high = (value, 0.0) if kind == "above" else (0.0, value)
            if signal in BUILT_IN and value <= 0:
                self._refuse(f"{key}.{kind}", "must be greater than 0: the rule would be met before anything happened")
        if kind == "above":
            rule = Rule("above", "", signal, low=low, after=stop.after, hold=stop.hold)
        elif kind == "below":
            rule = Rule("below", "", signal, high=high, after=stop.after, hold=stop.hold)
        else:
            rule = Rule("between", "", signal, low=low, high=high, after=stop.after, hold=stop.hold)
        name = stop.name or statement_of_rule(rule, asked, self.making.signals.units[signal]).text
        return replace(rule, name=name)

    def _steady(self, stop: Stop, steady: Steadiness, signal: str, key: str) -> Rule:
        if signal in BUILT_IN:
            self._refuse(f"{key}.signal", f"{signal} grows all the time and is never steady; name a measured signal")
        relative = steady.limit.unit == "%" and self.making.signals.units[signal] != "%"
        if relative and self.making.signals.units[signal] in INTERVAL_SCALES:
            _, example = INTERVAL_SCALES[self.making.signals.units[signal]]
            self._refuse(
                f"{key}.steady.limit",
                f"a percentage of {signal} ({symbol(self.making.signals.units[signal])}) means nothing, its zero is "
                f"only agreed upon; write how much it may change, for example {example}",
            )
        limit = (
            steady.limit.value / 100.0
            if relative
            else self._value(steady.limit, signal, f"{key}.steady.limit", step=True)
        )
        shown = state(
            "rule_steady",
            signal=stop.signal,
            limit=steady.limit.value,
            unit=steady.limit.unit or self.making.signals.units[signal],
            span=steady.span.ns / NS,
        )
        return Rule(
            "steady",
            stop.name or shown.text,
            signal,
            after=stop.after,
            span=steady.span,
            limit=limit,
            relative=relative,
            spans=steady.spans,
        )

    def _value(self, given: Amount | str, signal: str, key: str, *, step: bool = False) -> float:
        """Return a threshold in the unit of the signal; `step` marks a difference."""
        if isinstance(given, str):
            chosen = self.making.chosen.values.get(given)
            if chosen is None:
                self._refuse(key, f"{given!r} is neither a number nor one of the method's choices")
                return 0.0
            given = chosen
        unit = self.making.signals.units[signal]
        if not given.unit and unit in ("mPa.s", "Pa.s"):
            self._refuse(
                key, f"needs its unit, for example '{given.value:g} mPa.s': products are shown in different units"
            )
            return 0.0
        if step and unit == "Cel" and given.unit in ("", "K"):
            return given.value
        try:
            return given.in_unit(unit)
        except SettingError as error:
            self._refuse(key, error.reason)
            return 0.0


def statement_of_rule(rule: Rule, signal: str, unit: str) -> Statement:
    """Return the statement of a rule without parts, about `signal` in `unit` (UCUM code; % for a relative limit)."""
    if rule.kind == "steady":
        limit = 100.0 * rule.limit if rule.relative else rule.limit
        return state("rule_steady", signal=signal, limit=limit, unit=unit, span=rule.span.ns / NS)
    held: dict[str, Parameter] = {
        "hold": rule.hold.ns / NS if rule.hold.ns else None,
        "hold_turns": rule.hold.revolutions or None,
    }
    if rule.kind == "between":
        return state("rule_between", signal=signal, low=rule.low, high=rule.high, unit=unit, **held)
    limit = rule.low if rule.kind == "above" else rule.high
    return state("rule_above" if rule.kind == "above" else "rule_below", signal=signal, limit=limit, unit=unit, **held)


def in_time(extent: Extent, speed: float | None) -> float:
    """Return the time (ns) of an extent at a speed (/min); infinite for revolutions without a speed."""
    if not extent.revolutions:
        return float(extent.ns)
    return extent.revolutions / speed * NS_PER_MINUTE if speed else math.inf


def longest_time(rule: Rule, speed: float | None) -> float:
    """Return the time (ns after the start of the step) by which a rule is certainly met.

    It is infinite if that depends on the sample.
    """
    if rule.rules:
        parts = [longest_time(r, speed) for r in rule.rules]
        return min(parts) if rule.kind == "any" else max(parts)
    if rule.signal == "elapsed" and rule.kind == "above":
        return max(rule.low * NS, in_time(rule.after, speed)) + in_time(rule.hold, speed)
    if rule.signal == "revolutions" and rule.kind == "above":
        return in_time(Extent(revolutions=rule.low), speed) + in_time(rule.hold, speed)
    return math.inf


def shortest_time(rule: Rule, speed: float | None) -> float:
    """Return the time (ns after the start of the step) before which a rule cannot be met."""
    if rule.rules:
        parts = [shortest_time(r, speed) for r in rule.rules]
        return min(parts) if rule.kind == "any" else max(parts)
    if rule.signal in ("elapsed", "revolutions"):
        return longest_time(rule, speed)
    least = in_time(rule.after, speed) + in_time(rule.hold, speed)
    return max(least, float(rule.span.ns * rule.spans)) if rule.kind == "steady" else least
