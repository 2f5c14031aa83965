"""The conclusion of a run: pure, the same function during a run and at its end."""

from typing import Final

from daq.core.effects import Facts, Kept, LimitReached
from daq.core.faults import FAULTS, SOUND_TEMPERATURES, publishable, worst
from daq.core.linkstates import IdentityCheck, Motor
from daq.core.plan import Plan
from daq.core.statistics import Summary
from daq.methods.concluding.advice.advising import advice, advice_from_limit
from daq.methods.concluding.advice.seekadvice import advice_to_fit
from daq.methods.concluding.applying import suspicions, temperature_faults
from daq.methods.concluding.budget import drift, percent_of_full_scale, temperature_of, torque_at_rest, uncertainty
from daq.methods.concluding.cautions import cautions, clock_cautions, flow_faults
from daq.methods.concluding.claims import (
    chosen,
    claim_faults,
    decides,
    event_seconds,
    raw_value,
    result_quantity,
    time_uncertainty,
)
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.concluding.correcting import corrected, dry_content_of
from daq.methods.concluding.intervals import with_uncertainty
from daq.methods.concluding.judging import expanded_of, judgement, reported
from daq.methods.concluding.reasons import OUTCOME_FAULT, reasons_of
from daq.methods.concluding.stopping import stop_reason
from daq.methods.concluding.torquesigns import torque_faults
from daq.methods.concluding.verifying import control, verdict_of, verify
from daq.methods.parts.finding import MotorState, Validity
from daq.methods.parts.judged import Advice
from daq.methods.parts.measured import Conditions, KeptValue, SignalMean, Span
from daq.methods.parts.statement import Statement
from daq.methods.planning.standing import control_faults, standing_faults

VALIDITY: Final[tuple[Validity, ...]] = ("valid", "doubtful", "not_valid")


def conclude(plan: Plan, facts: Facts) -> Conclusion:
    """Return value, quality, validity, verdict, uncertainty and advice of a run, or of a run so far (outcome "").

    The plan's claim defines the meaning of the number: see `daq.methods.concluding.claims`.
    """
    kept = chosen(plan, facts)
    rows = tuple(_row(plan, facts, k) for k in facts.kept)
    row = None if kept is None else _row(plan, facts, kept)
    if row is None and facts.limit is not None:
        row = _row_of_limit(plan, facts.limit)
    faults = _faults(plan, facts, kept, row)
    units = plan.context.units
    quantity, unit = result_quantity(plan)
    raw = None if row is None or kept is None else raw_value(plan, kept)
    if plan.claim == "time_to":
        raw = None if kept is None else event_seconds(plan, facts, kept)
    value = publishable(raw, faults)
    summary = None if kept is None else kept.summaries.get(plan.primary)
    steady = None
    if plan.claim == "equilibrium":
        steady = "not_steady" not in faults if kept is not None and facts.outcome else None
    budget = None
    if value is not None and kept is not None and row is not None:
        if plan.claim == "time_to":
            budget = time_uncertainty(plan, facts, kept, row)
        else:
            budget = uncertainty(plan, facts, kept, value, row.torque_percent)
    if plan.context.interval_required and value is not None and expanded_of(budget) is None:
        faults = (*faults, "no_interval")
    quality = worst(faults)
    moved = None if summary is None else drift(summary, 0.0 if row is None else row.span_seconds, units[plan.primary])
    verification = control(plan, facts, row, value, faults, budget) or verify(
        plan, facts, tuple(zip(facts.kept, rows, strict=True)), faults
    )
    if verification is None:
        verdict = judgement(plan, quantity, unit, value, row, kept, budget, checks=facts.checks)
    else:
        verdict = verdict_of(plan, verification)
    doubts = () if kept is None or facts.checks < SOUND_TEMPERATURES else suspicions(kept)
    ended = next((s for s in reversed(facts.steps) if kept is not None and s.step == kept.step), None)
    warned = (*cautions(plan, facts, kept, row, moved, budget), *clock_cautions(facts.clock))
    return Conclusion(
        quantity=quantity,
        unit=unit,
        value=value,
        reported=reported(value, plan.context.product, quantity, unit, checks=facts.checks),
        quality=quality,
        faults=faults,
        validity=VALIDITY[quality.severity],
        reasons=reasons_of(plan, facts, kept, row, faults),
        claim=plan.claim,  # type: ignore[arg-type]  # compiled from a Claim
        outcome=facts.outcome,  # type: ignore[arg-type]  # one of the names, or "" while the run goes on
        span=None if row is None else _span(kept, row, stop_reason(plan, facts, ended)),
        row=row,
        steady=steady,
        drift=moved,
        uncertainty=budget,
        conditions=_conditions(plan, facts, kept, row),
        verdict=with_uncertainty(verdict, budget),
        advice=advice_of(plan, facts),
        steps=rows,
        verification=verification,
        sheared=facts.moved and plan.seek is not None,
        corrected=corrected(plan, row, value, budget, doubts, checks=facts.checks),
        dry_content=dry_content_of(plan, row, value, unit, budget, doubts),
        motor=_motor(facts),
        clock=facts.clock,
        cautions=tuple(s for s in warned if s.code not in facts.not_checked),
    )


def _faults(plan: Plan, facts: Facts, kept: Kept | None, row: KeptValue | None) -> tuple[str, ...]:
    found: list[str] = [] if kept is None else [f for f in kept.faults if decides(plan, f)]
    if facts.outcome:
        if facts.limit is not None:
            found.insert(0, "torque_limit")
        elif facts.outcome in OUTCOME_FAULT:
            found.insert(0, OUTCOME_FAULT[facts.outcome])
        else:
            found += claim_faults(plan, facts, kept)
        found += _identity_faults(facts)
    elif kept is None:
        found.append("no_readings")
    if any(n.code == "keys_used" for n in facts.notes):
        found.append("keys_used")
    quantity = "time" if plan.claim == "time_to" else plan.primary
    found += [*flow_faults(plan, row), *temperature_faults(plan, quantity, kept, checks=facts.checks)]
    found += standing_faults(plan)
    found += [*control_faults(plan), *(f for f in torque_faults(plan, facts) if f not in facts.not_checked)]
    if kept is not None and raw_value(plan, kept) is None and all(FAULTS[f].keeps_value for f in found):
        found.append("undefined")
    return tuple(dict.fromkeys(found))


def _motor(facts: Facts) -> MotorState:
    """Return the state of the motor; at the end of a run its stop has been requested."""
    if facts.outcome and facts.motor is Motor.TURNING:
        return "stopping"
    state: MotorState = facts.motor.value
    return state


def _identity_faults(facts: Facts) -> list[str]:
    """Return the faults of instruments that were exchanged, or did not identify themselves at the end."""
    checks = {i.check for i in facts.identities}
    if IdentityCheck.CHANGED in checks:
        return ["another_instrument"]
    # A run that is not complete has no value, so an unknown identity changes nothing.
    unknown = IdentityCheck.NO_ANSWER in checks and facts.outcome == "complete"
    return ["identity_unknown"] if unknown else []


def _mean(kept: Kept, signal: str) -> float | None:
    summary = kept.summaries.get(signal)
    return None if summary is None else summary.mean


def _row(plan: Plan, facts: Facts, kept: Kept) -> KeptValue:
    # A step that seeks its speed starts again with each try.
    began = max((s.started for s in facts.steps if s.step == kept.step and s.started <= kept.t), default=None)
    value = raw_value(plan, kept)
    faults = kept.faults
    summary = kept.summaries.get(plan.primary, Summary(0))
    return KeptValue(
        step=kept.step,
        name=plan.steps[kept.step].name,
        at=kept.at,
        seconds=None if began is None else (kept.t - began) / 1e9,
        set_speed=plan.steps[kept.step].speed if kept.speed is None else kept.speed,
        speed=_mean(kept, plan.speed_signal) if plan.speed_signal else None,
        torque_percent=_percent(plan, kept),
        torque=_mean(kept, "torque_abs"),
        shear_rate=_mean(kept, "shear_rate"),
        stress=_mean(kept, "stress"),
        temperature=temperature_of(plan, kept),
        value=publishable(value, faults),
        n=summary.n,
        span_seconds=(kept.t - kept.start) / 1e9,
        faults=faults,
        quality=worst(faults),
    )


def _row_of_limit(plan: Plan, limit: LimitReached) -> KeptValue:
    """Return step and speed at which the torque reached its limit, for a result without a kept value."""
    return KeptValue(
        step=limit.step,
        name=plan.steps[limit.step].name,
        at="limit",
        set_speed=limit.set_speed,
        speed=limit.speed,
        n=0,
        span_seconds=0.0,
        faults=("torque_limit",),
        quality=worst(("torque_limit",)),
    )


def _percent(plan: Plan, kept: Kept) -> float | None:
    """Return the mean torque in % of full scale."""
    if plan.band is None:
        return None
    return percent_of_full_scale(plan, _mean(kept, plan.band.signal))


def _span(kept: Kept | None, row: KeptValue, reason: Statement | None) -> Span:
    """Return the span of the value; without a kept value `row` holds the step in which the torque reached its limit."""
    return Span(
        n=row.n,
        seconds=row.span_seconds,
        completeness=0.0 if kept is None else kept.completeness,
        statistic="last" if kept is None else kept.statistic,
        taken_at_s=row.seconds,
        stop_reason=reason,
    )


def _conditions(plan: Plan, facts: Facts, kept: Kept | None, row: KeptValue | None) -> Conditions:
    if row is None:
        return Conditions()
    common = Conditions.model_fields.keys() & KeptValue.model_fields.keys()
    return Conditions(
        **{name: getattr(row, name) for name in common},
        torque_at_rest_percent=torque_at_rest(plan, facts),
        temperatures={} if kept is None else _temperatures(plan, kept),
        signals={} if kept is None else _signals(plan, kept),
    )


def _temperatures(plan: Plan, kept: Kept) -> dict[str, float]:
    units = plan.context.units
    means = {s: _mean(kept, s) for s in kept.summaries if units.get(s) == "Cel"}
    return {s: m for s, m in means.items() if m is not None}


def _signals(plan: Plan, kept: Kept) -> dict[str, SignalMean]:
    """Return the means of the measured signals that have no place of their own in a result."""
    own = {plan.primary, plan.speed_signal, "" if plan.band is None else plan.band.signal}
    own |= {d.name for d in plan.derivations}
    out: dict[str, SignalMean] = {}
    for signal in kept.summaries:
        unit, mean = plan.context.units.get(signal, ""), _mean(kept, signal)
        if signal not in own and unit != "Cel" and mean is not None:
            out[signal] = SignalMean(value=mean + 0.0, unit=unit)
    return out


def advice_of(plan: Plan, facts: Facts) -> tuple[Advice, ...]:
    """Return the advice of `conclude` alone: a screen asks for it four times a second, and needs no interval.

    It is for the torque limit, the result's value, then for other steps whose last value is off range.
    """
    kept, unit = chosen(plan, facts), result_quantity(plan)[1]
    out = [] if facts.limit is None else advice_from_limit(plan, facts.limit, unit)
    if plan.seek is not None:
        return (*out, *advice_to_fit(plan, facts))
    last: dict[int, Kept] = {k.step: k for k in facts.kept}
    if kept is not None:
        last = {kept.step: kept, **{s: k for s, k in last.items() if s != kept.step}}
    for k in last.values():
        out += advice(plan, facts, k, _row(plan, facts, k), unit)
    return tuple(out)
