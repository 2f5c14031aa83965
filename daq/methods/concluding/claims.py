"""Claims: which kept value each of them takes, and which conditions it must meet.

`at_time` and `equilibrium` take the value at the end of the result's step, `peak` the greatest one along it, `time_to`
the time of an event.
"""

import math
from collections.abc import Sequence
from itertools import dropwhile, pairwise
from typing import Final

from daq.core.effects import Facts, Kept, StepEnded
from daq.core.plan import SLOWER, Plan, Rule
from daq.methods.concluding.budget import budget, percent_of_full_scale
from daq.methods.concluding.intervals import COVERAGE, stated_interval
from daq.methods.parts.component_names import PART_OF_A_TURN, SCATTER, WITHIN_ONE_STEP
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.checks import shows_steadiness
from daq.rheology.uncertainty import Component, Distribution, combine, from_limit

OF_THE_SPAN: Final = (SCATTER, PART_OF_A_TURN, WITHIN_ONE_STEP)
"""Components that come from the readings of the span; the others follow from instrument and geometry."""
NOT_YET: Final = {"cut_short", "no_readings"}
"""Faults of an interval that ends before the settling time."""
HIDING: Final = {"readings_missing", "no_readings"}
"""Faults of an interval of which not all was seen."""
STEEPER: Final = 2.0
"""Part by which an unseen change may exceed the greatest one between two intervals that were seen.  Our choice."""
PEAK_FALL: Final = 0.02
"""A peak is passed when the value has fallen by this part of it (our choice, above noise and ripple)."""


def raw_value(plan: Plan, kept: Kept) -> float | None:
    """Return the statistic of the primary signal that a kept value asks for."""
    summary = kept.summaries.get(plan.primary)
    return None if summary is None else summary.value(kept.statistic)


def result_quantity(plan: Plan) -> tuple[str, str]:
    """Return quantity and unit (UCUM) of the result of a plan."""
    return ("time", "s") if plan.claim == "time_to" else (plan.primary, plan.context.units[plan.primary])


def chosen(plan: Plan, facts: Facts) -> Kept | None:
    """Return the kept value of the claim; while the run goes on, the latest one."""
    here = [k for k in facts.kept if k.step == plan.context.result_step]
    if plan.claim == "peak":
        along = _along(here)
        # Where a value is missing because the sensor was at its stop, the peak is not known either.
        beyond = next((k for k in along if "saturated" in k.faults), None)
        return beyond or max(along, key=lambda k: _or_lowest(raw_value(plan, k)), default=None)
    if plan.claim == "time_to":
        return next((k for k in here if k.at == "event"), None)
    final = [k for k in here if k.at == "end"]
    if final:
        return final[-1]
    return facts.kept[-1] if facts.kept else None


def _along(here: list[Kept]) -> list[Kept]:
    return [k for k in here if k.at == "every" or k.statistic == "max"]


def _or_lowest(value: float | None) -> float:
    return -math.inf if value is None else value


def claim_faults(plan: Plan, facts: Facts, kept: Kept | None) -> list[str]:
    """Return the faults of the claim of a complete run."""
    if kept is None:
        return ["threshold_not_met" if plan.claim == "time_to" else "no_readings"]
    if plan.claim == "equilibrium" and not _steady(plan, facts):
        return ["not_steady"]
    if plan.claim == "peak":
        return _peak_faults(plan, facts, kept)
    if plan.claim == "time_to" and _met_at_once(plan, facts, kept):
        return ["already_met"]
    return []


def decides(plan: Plan, fault: str) -> bool:
    """Return whether a fault of the readings counts for the claim.

    `unsteady` counts only for an equilibrium.  `outlying_readings` concern a mean, and the result of `time_to` is a
    time.
    """
    if fault == "outlying_readings":
        return plan.claim != "time_to"
    return fault != "unsteady" or plan.claim == "equilibrium"


def _steady(plan: Plan, facts: Facts) -> bool:
    ended = ended_step(facts, plan.context.result_step)
    return ended is not None and shows_steadiness(plan.steps[plan.context.result_step].stop, ended.rule, plan.primary)


def ended_step(facts: Facts, step: int) -> StepEnded | None:
    """Return the end of the last execution of a step; None while it goes on."""
    return next((s for s in reversed(facts.steps) if s.step == step), None)


def _peak_faults(plan: Plan, facts: Facts, kept: Kept) -> list[str]:
    peak = raw_value(plan, kept)
    if peak is None:
        return []
    here = _along([k for k in facts.kept if k.step == kept.step])
    every = [k for k in here if k.at == "every"]
    # Intervals that end before the settling time have no reading, and are before the first value.
    intervals = list(dropwhile(lambda k: set(k.faults) >= NOT_YET, every))
    is_hidden = _may_hide(plan, intervals, peak) or (not every and _begins_late(plan, facts, kept))
    if "peak_not_covered" not in facts.not_checked and is_hidden:
        return ["peak_not_covered"]
    # An older daq took such an interval for the first value.
    first = every if "peak_before_first" in facts.not_checked else intervals
    if kept.at == "every" and len(first) > 1 and kept is first[0]:
        return ["peak_before_first"]
    summary = kept.summaries.get(plan.primary)
    later = [raw_value(plan, k) for k in intervals if k.t > kept.t]
    after = [v for v in later if v is not None]
    if kept.at != "every" and summary is not None and summary.last is not None:
        after.append(summary.last)
    fallen = min(after, default=peak)
    return [] if fallen <= peak - PEAK_FALL * abs(peak) else ["peak_not_passed"]


def _begins_late(plan: Plan, facts: Facts, kept: Kept) -> bool:
    """Return whether the span of a greatest reading begins later than the step has settled.

    Nothing was kept before it, and the peak may lie there.
    """
    ended, step = ended_step(facts, kept.step), plan.steps[kept.step]
    if ended is None:
        return False
    settle: float = step.settle.ns
    if step.settle.revolutions:
        settle = SLOWER * step.settle.revolutions / abs(step.speed or 1.0) * 60e9
    return kept.start > ended.started + settle + 2.0 * kept.longest_interval_ns


def _may_hide(plan: Plan, intervals: Sequence[Kept], peak: float) -> bool:
    """Return whether a higher value than `peak` may lie unseen in one of the intervals of a step.

    From the nearest intervals that were seen whole, the value may change `STEEPER` times as much in each interval as
    between any two neighbours.  An interval in which it cannot reach the peak by that hides nothing.
    """
    values = [None if HIDING & set(k.faults) else raw_value(plan, k) for k in intervals]
    seen = [(i, v) for i, v in enumerate(values) if v is not None]
    changes = [abs(w - v) / (j - i) for (i, v), (j, w) in pairwise(seen)]
    rate = STEEPER * max(changes, default=math.inf)
    return any(
        value is None and min((v + rate * abs(j - i) for j, v in seen), default=math.inf) >= peak
        for i, value in enumerate(values)
    )


# ---- time to an event


def _event_leaf(plan: Plan, kept: Kept) -> Rule | None:
    """Return the rule for which a value was kept on an event."""
    for keep in plan.steps[kept.step].keep:
        if keep.event is not None:
            for leaf in keep.event.leaves():
                if leaf.name == kept.rule:
                    return leaf
    return None


def _hold_ns(plan: Plan, kept: Kept) -> float:
    """Return how long (ns) the condition had held when the event was recognised."""
    leaf = _event_leaf(plan, kept)
    return 0.0 if leaf is None else leaf.held_ns(plan.steps[kept.step].speed)


def event_seconds(plan: Plan, facts: Facts, kept: Kept) -> float | None:
    """Return the time (s) from the start of the step, or of the run, to the moment the event's condition began to hold.

    `kept` is the value taken on the event, which comes after the hold.
    """
    if plan.context.time_from == "run":
        origin: int | None = facts.began
    else:
        origin = next((s.started for s in facts.steps if s.step == kept.step), None)
    return None if origin is None else (kept.t - _hold_ns(plan, kept) - origin) / 1e9


def _met_at_once(plan: Plan, facts: Facts, kept: Kept) -> bool:
    """Return whether the condition held at its first check, so that the event lay before."""
    leaf, ended = _event_leaf(plan, kept), ended_step(facts, kept.step)
    if leaf is None or ended is None:
        return False
    speed = plan.steps[kept.step].speed
    after = leaf.after.ns if not leaf.after.revolutions else leaf.after.revolutions / abs(speed or 1.0) * 60e9
    # The first reading comes within one interval; two intervals allow for a late reading.
    return kept.t - _hold_ns(plan, kept) <= ended.started + after + 2.0 * kept.event_interval_ns


def time_uncertainty(plan: Plan, facts: Facts, kept: Kept, row: KeptValue) -> Uncertainty | None:
    """Return the interval (s) of the time to an event: from the reading interval, and the value's own over its rate.

    A value that is high by u crosses its threshold early by u over the slope; that share is left out where the event is
    on another signal than the primary one, or the value does not move.
    """
    summary, leaf = kept.summaries.get(plan.primary), _event_leaf(plan, kept)
    left_out: list[Statement] = []
    reasons: list[Statement] = []
    components: list[Component] = []
    interval = kept.event_interval_ns / 1e9
    if interval > 0.0:
        components.append(from_limit("interval of the readings", interval))
    slope = None if summary is None else summary.slope
    watched = leaf is not None and leaf.signal == plan.primary
    if summary is not None and summary.mean is not None and slope and watched:
        found = budget(plan, facts, kept, summary.mean, row.torque_percent)
        if found is not None:
            reasons += found.reasons
            left_out += found.left_out
        if found is not None and found.components:
            own = combine(found.components, coverage=COVERAGE)
            unit = plan.context.units[plan.primary]
            components.append(
                Component("value at the threshold", own.u_c, Distribution.NORMAL, own.nu_eff, 1.0 / abs(slope), unit)
            )
    else:
        left_out.append(state("threshold_on_other_signal", signal=plan.primary))
    seconds = event_seconds(plan, facts, kept)
    if not components or seconds is None:
        return None
    return stated_interval(seconds, components, left_out, reasons, unit="s")


def expected_expanded(plan: Plan, facts: Facts, kept: Kept) -> float | None:
    """Return the expanded uncertainty (95 %, JCGM 100) of a value that is not final, in the unit of the primary signal.

    With too few readings for an interval the scatter is left out: then it is that of instrument and geometry alone.
    None where no component is known, or there is no value.
    """
    value = raw_value(plan, kept)
    if value is None or not math.isfinite(value):
        return None
    torque = None if plan.band is None else kept.summaries.get(plan.band.signal)
    found = budget(plan, facts, kept, value, percent_of_full_scale(plan, None if torque is None else torque.mean))
    if found is None:
        return None
    parts = [c for c in found.components if not found.reasons or c.name not in OF_THE_SPAN]
    expanded = combine(parts).expanded if parts else 0.0
    return expanded if expanded > 0.0 else None
