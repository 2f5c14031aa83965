"""Settling or drying against thixotropy, from the steps of a run between which the sample was treated."""

from typing import Final, Literal

from daq.core.effects import Facts, Kept
from daq.core.errors import ArgumentError
from daq.core.faults import publishable
from daq.core.plan import Plan
from daq.methods.concluding.claims import raw_value
from daq.methods.parts.statement import Statement, state
from daq.rheology.restirring import DriftSign, Stretch, drift_sign
from daq.rheology.uncertainty import span_mean_uncertainty

Treatment = Literal["preshear", "stir"]
LATER: Final = 0.1
"""Part of the first stretch by which the first value of a later one may be kept later after its start.  Our choice, no
source."""
FROM_WHAT_STAYED: Final = (DriftSign.SETTLING, DriftSign.DRYING, DriftSign.IRREVERSIBLE)
LEAST_SCATTER: Final = 0.005
"""Least standard deviation of a repeated value, as a part of it: stirring scatters it too.  Our choice, no source."""
CODES: Final = {
    DriftSign.THIXOTROPY: "drift_shows_thixotropy",
    DriftSign.SETTLING: "drift_shows_settling",
    DriftSign.DRYING: "drift_shows_drying",
    DriftSign.IRREVERSIBLE: "drift_does_not_return",
    DriftSign.AMBIGUOUS: "drift_not_separated",
}


def drift_caution(plan: Plan, facts: Facts) -> Statement | None:
    """Return the cause that the drift of a run speaks for; None without a treatment between two stretches or a drift.

    A stretch is a step, or several in a row, that measures at one speed; its first and last kept values count.  Between
    stretches is a step with a treatment.  Only runs that are complete are judged.
    """
    if facts.outcome != "complete" or not any(step.treatment for step in plan.steps):
        return None
    found = _stretches(plan, facts)
    speeds = {k.speed for stretch in found for k in stretch[1]}
    if len(found) < 2 or len(speeds) != 1:
        return None
    stretches = [Stretch(treatment, _value(plan, ks[0]), _value(plan, ks[-1])) for treatment, ks in found]
    first = stretches[0].first
    scatter = max([LEAST_SCATTER * abs(first), *(_scatter(plan, k) for _, ks in found for k in (ks[0], ks[-1]))])
    if not scatter > 0.0:
        return None
    sign = drift_sign(stretches, scatter)
    if sign in FROM_WHAT_STAYED and _are_kept_later(facts, [ks for _, ks in found]):
        # A sample that returned has drifted again by then, and looks as if it had stayed.
        sign = DriftSign.AMBIGUOUS
    code = CODES.get(sign)
    return None if code is None else state(code, drift=100.0 * (stretches[0].last - first) / abs(first))


def _stretches(plan: Plan, facts: Facts) -> list[tuple[Treatment, list[Kept]]]:
    """Return the treatment before each stretch and its kept values, in the order of time."""
    out: list[tuple[Treatment, list[Kept]]] = []
    treatment: Treatment | Literal[""] = "preshear" if plan.conditioning.preshear_ns else ""
    is_open = False
    for i, step in enumerate(plan.steps):
        if step.treatment:
            treatment, is_open = step.treatment, False
            continue
        here = sorted((k for k in facts.kept if k.step == i and _is_sound(plan, k)), key=lambda k: k.t)
        if is_open:
            out[-1][1].extend(here)
        elif treatment and len(here) > 0:
            out.append((treatment, here))
            is_open = True
    return [(treatment, ks) for treatment, ks in out if len(ks) > 1]


def _are_kept_later(facts: Facts, stretches: list[list[Kept]]) -> bool:
    """Return whether a later stretch has its first value later after its start than the first stretch has."""
    started = {step.step: step.started for step in facts.steps}
    delays = [ks[0].t - started.get(ks[0].step, ks[0].t) for ks in stretches]
    first = stretches[0]
    return max(delays[1:]) - delays[0] > LATER * (first[-1].t - first[0].t)


def _is_sound(plan: Plan, kept: Kept) -> bool:
    return kept.statistic == "mean" and publishable(raw_value(plan, kept), kept.faults) is not None


def _value(plan: Plan, kept: Kept) -> float:
    return raw_value(plan, kept) or 0.0


def _scatter(plan: Plan, kept: Kept) -> float:
    """Return the standard uncertainty of a kept mean from the scatter of its readings."""
    summary = kept.summaries[plan.primary]
    if summary.sd is None or summary.n < 2:
        return 0.0
    try:
        return span_mean_uncertainty(summary.sd, summary.n, summary.lag1 or 0.0, summary.batches)[0]
    except ArgumentError:  # too few independent readings
        return summary.sd
