"""Verification of an instrument against the certificate of a fluid, and its control against control limits."""

from collections.abc import Sequence
from typing import Final

from daq.core.context import CertifiedFluid, CertifiedPoint, ControlLimits, VerificationAsked
from daq.core.effects import Facts, Kept
from daq.core.faults import DECIMAL_EDGES, SOUND_TEMPERATURES
from daq.core.plan import Plan
from daq.core.units import as_written, convert
from daq.methods.concluding.applying import suspicions
from daq.methods.concluding.budget import budget
from daq.methods.concluding.cautions import flow_faults
from daq.methods.parts.certificatetable import BEYOND_TABLE_K, in_table, rows_of
from daq.methods.parts.judged import Judgement, Level, LimitUsed, Verification
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.standing import SIGMAS
from daq.quality.guardbands import Acceptance
from daq.quality.limits import Rounding, Verdict, in_sigmas
from daq.quality.verification import AcceptanceBand, acceptance_band, certified_viscosity, normalised_error
from daq.rheology.torque import viscosity_at
from daq.rheology.uncertainty import combine, from_expanded

OF_INSTRUMENT: Final = ("verification_failed", "verification_overdue", "calibration_past_due")
"""Faults of a result that say nothing about a change of the instrument since its last control."""
OF_WHOLE_RUN: Final = (
    "another_instrument", "identity_unknown", "interrupted", "incomplete", "torque_limit", "keys_used", "zero_off",
    "torque_stuck", "torque_too_quiet",
)  # fmt: skip
"""Faults of a result that hold for every level of its run."""
LEVELS_APART_PERCENT: Final = 10.0
"""Torques (% of full scale) nearer to each other count as one level.  Common practice, no source."""


def verify(
    plan: Plan, facts: Facts, kept: Sequence[tuple[Kept, KeptValue]], faults: Sequence[str]
) -> Verification | None:
    """Return the verification, or None where the method is no verification or the run is not over.

    Each step's value at its end is one level.  Accepted is what lies within the certified value ± (a part of the
    full-scale viscosity of that geometry and speed + the certified uncertainty), decided in decimal arithmetic on the
    unrounded value, both ends included.  One level outside fails; it passes when enough levels at different torques
    were judged and all are inside.  A run that did not come to its end, or has another fault of `OF_WHOLE_RUN` among
    the `faults` of its result, does not pass; after an exchange of the instrument nothing is decided.
    """
    asked, fluid = plan.context.verification, plan.context.fluid
    if asked is None or asked.kind != "verification" or fluid is None or not facts.outcome:
        return None
    last = {k.step: (k, row) for k, row in kept if k.at == "end"}
    levels = tuple(_level(plan, facts, k, row, fluid, asked) for k, row in last.values())
    judged = [level for level in levels if level.accepted is not None]
    different = _different([level.torque_percent or 0.0 for level in judged])
    reasons = [level.reason for level in levels if level.reason is not None]
    # An older daq let a run in doubt pass: what it decided is computed again as it was.
    whole = () if "verification_doubtful" in facts.not_checked else tuple(f for f in faults if f in OF_WHOLE_RUN)
    passed: bool | None
    if "another_instrument" in whole:
        passed = None  # a level outside may be that of either instrument
    elif any(level.accepted is False for level in judged):
        passed = False
        reasons = [_outside(plan, level) for level in judged if level.accepted is False] + reasons
    elif different >= asked.levels:
        passed = None if whole else True
    else:
        passed = None
        reasons.append(state("too_few_levels", judged=different, wanted=asked.levels, apart=LEVELS_APART_PERCENT))
    if whole and passed is None:
        reasons.insert(0, state("verification_doubtful", faults=whole))
    return Verification(
        condition=asked.condition,
        fluid=fluid.id,
        lot=fluid.lot,
        certificate=fluid.certificate,
        expires=fluid.expires,
        passed=passed,
        levels=levels,
        reasons=tuple(reasons),
        results_since_pass=asked.results_since_pass if passed is False else (),
    )


def control(
    plan: Plan,
    facts: Facts,
    row: KeptValue | None,
    value: float | None,
    faults: Sequence[str],
    budget: Uncertainty | None,
) -> Verification | None:
    """Return the control that a run makes, or None where it makes none or is not over.

    The value passes within centre ± `SIGMAS` standard deviations, both ends included, as on the control chart.  A value
    with a fault of its own is not judged, nor one without limits.

    Args:
        plan: the plan of the run.
        facts: the facts of the run.
        row: the kept value of the result; None where there is none.
        value: the value of the result.
        faults: its faults; those of verifications and calibrations do not count.
        budget: uncertainty of the value, for the sentence.
    """
    asked, fluid = plan.context.verification, plan.context.fluid
    if asked is None or asked.kind != "control" or fluid is None or not facts.outcome:
        return None
    limits, own = asked.control, tuple(f for f in faults if f not in OF_INSTRUMENT)
    reason, accepted, low, high = _control_hindrance(fluid, facts, row, value, own, limits), None, None, None
    if limits is not None:
        half = SIGMAS * limits.standard_deviation
        low, high = limits.centre - half, limits.centre + half
        if facts.checks >= DECIMAL_EDGES:
            low, high = as_written(low), as_written(high)
        if reason is None and value is not None and row is not None:
            beside = in_sigmas if facts.checks >= DECIMAL_EDGES else _in_sigmas_of_binary
            accepted = abs(beside(value, limits.centre, limits.standard_deviation)) <= SIGMAS
            if not accepted:
                expanded = None if budget is None else budget.expanded
                unit = plan.context.units[plan.primary]
                reason = state(
                    "control_outside", step=row.name, value=value, expanded=expanded, low=low, high=high, unit=unit
                )
    level = Level(
        step=plan.steps[plan.context.result_step].name if row is None else row.name,
        speed=None if row is None else row.set_speed,
        torque_percent=None if row is None else row.torque_percent,
        temperature=None if row is None else row.temperature,
        measured=value,
        certified=None if limits is None else limits.centre,
        standard_deviation=None if limits is None else limits.standard_deviation,
        low=low,
        high=high,
        deviation_percent=None if limits is None or value is None else 100.0 * (value - limits.centre) / limits.centre,
        accepted=accepted,
        reason=reason,
    )
    return Verification(
        kind="control",
        condition=asked.condition,
        fluid=fluid.id,
        lot=fluid.lot,
        certificate=fluid.certificate,
        expires=fluid.expires,
        limits_fixed_by=None if limits is None else limits.fixed_by or None,
        limits_fixed_on=None if limits is None else limits.fixed_on or None,
        passed=accepted,
        levels=(level,),
        reasons=() if reason is None else (reason,),
        results_since_pass=asked.results_since_pass if accepted is False else (),
    )


def _in_sigmas_of_binary(value: float, centre: float, sigma: float) -> float:
    """Return a distance in standard deviations as a daq before `DECIMAL_EDGES` computed it."""
    return (value - centre) / sigma


def _control_hindrance(
    fluid: CertifiedFluid,
    facts: Facts,
    row: KeptValue | None,
    value: float | None,
    faults: tuple[str, ...],
    limits: ControlLimits | None,
) -> Statement | None:
    """Return why a control cannot be judged; None where it can."""
    if facts.outcome != "complete":
        return state("control_not_complete")
    if value is None or row is None:
        return state("control_without_value")
    if faults:
        return state("control_doubtful", faults=faults)
    if limits is None:
        return state("control_without_limits", fluid=fluid.id, lot=fluid.lot)
    return None


def verdict_of(plan: Plan, found: Verification) -> Judgement:
    """Return the verification as a verdict, with its acceptance bands as limits."""
    used = tuple(
        LimitUsed(
            quantity=plan.primary,
            low=level.low,
            high=level.high,
            unit=plan.context.units[plan.primary],
            applies_at={
                k: v
                for k, v in (
                    ("step", level.step),
                    ("speed", level.speed),
                    ("temperature", None if level.temperature is None else round(level.temperature, 2)),
                )
                if v is not None
            },
            verdict=_verdict(level.accepted),
            reasons=() if level.reason is None else (level.reason,),
        )
        for level in found.levels
        if level.low is not None
    )
    return Judgement(
        verdict=_verdict(found.passed),
        rounding=Rounding.UNROUNDED,
        acceptance=Acceptance.SIMPLE,
        limits=used,
        reasons=found.reasons,
    )


def _verdict(accepted: bool | None) -> Verdict:
    if accepted is None:
        return Verdict.NOT_COMPARABLE
    return Verdict.WITHIN if accepted else Verdict.OUTSIDE


def _level(
    plan: Plan, facts: Facts, kept: Kept, row: KeptValue, fluid: CertifiedFluid, asked: VerificationAsked
) -> Level:
    unit = plan.context.units[plan.primary]
    reason = _hindrance(plan, facts, kept, row, fluid)
    band: AcceptanceBand | None = None
    certified = percent = None
    celsius = None if row.temperature is None else in_table(fluid, row.temperature, checks=facts.checks)
    if celsius is not None and row.value is not None:
        certified, percent = _certified(fluid, celsius, unit)
        full = _full_scale(plan, row.set_speed, unit)
        if full is not None:
            band = acceptance_band(
                certified, full, certified_uncertainty_percent=percent, full_scale_percent=asked.full_scale
            )
    measured = row.value
    accepted = None
    if reason is None and band is not None and measured is not None:
        # The mean of readings that are all on the edge of the band may be outside by a rounding error.
        accepted = band.accepts(as_written(measured) if facts.checks >= DECIMAL_EDGES else measured)
    spread = e_n = None
    if certified is not None and percent is not None and measured is not None:
        spread, e_n = _deviation(plan, facts, kept, row, certified, percent, fluid.coverage_factor)
    return Level(
        step=row.name,
        speed=row.set_speed,
        torque_percent=row.torque_percent,
        temperature=row.temperature,
        measured=measured,
        certified=certified,
        low=None if band is None else float(band.low),
        high=None if band is None else float(band.high),
        deviation_percent=None if band is None or measured is None else band.deviation_percent(measured),
        deviation_uncertainty_percent=spread,
        normalised_error=e_n,
        accepted=accepted,
        reason=reason,
    )


def _hindrance(plan: Plan, facts: Facts, kept: Kept, row: KeptValue, fluid: CertifiedFluid) -> Statement | None:
    """Return why a level cannot be judged; None where it can."""
    if row.value is None:
        return state("level_without_value", step=row.name)
    if row.temperature is None:
        return state("level_without_temperature", step=row.name)
    if in_table(fluid, row.temperature, checks=facts.checks) is None:
        low, high = (end(p.celsius for p in fluid.table) for end in (min, max))
        return state("level_outside_certificate", step=row.name, temperature=row.temperature, low=low, high=high)
    if _full_scale(plan, row.set_speed, plan.context.units[plan.primary]) is None:
        return state("level_without_full_scale", step=row.name)
    # The certified value is that of the temperature.
    is_suspect = facts.checks >= SOUND_TEMPERATURES and suspicions(kept)
    found = (*row.faults, *flow_faults(plan, row), *(("probe_suspect",) if is_suspect else ()))
    return state("level_doubtful", step=row.name, faults=found) if found else None


def _certified(fluid: CertifiedFluid, celsius: float, unit: str) -> tuple[float, float]:
    """Return the certified value (`unit`) at a temperature, and the greater uncertainty (%) of the rows beside it."""
    value = as_written(convert(certified_viscosity(celsius, rows_of(fluid), reach_k=BEYOND_TABLE_K), "mPa.s", unit))
    below = max((p for p in fluid.table if p.celsius <= celsius), key=_celsius, default=fluid.table[0])
    above = min((p for p in fluid.table if p.celsius >= celsius), key=_celsius, default=fluid.table[-1])
    return value, max(below.expanded_percent, above.expanded_percent)


def _celsius(point: CertifiedPoint) -> float:
    return point.celsius


def _full_scale(plan: Plan, speed: float | None, unit: str) -> float | None:
    """Return the viscosity (`unit`) of full-scale torque with the fitted geometry at a speed (/min), if known."""
    constant, scale = plan.context.viscosity_constant, plan.context.full_scale_unm
    if constant is None or scale is None or not speed:
        return None
    return as_written(convert(viscosity_at(100.0, scale * 1e-6, constant, speed), "Pa.s", unit))


def _deviation(
    plan: Plan, facts: Facts, kept: Kept, row: KeptValue, certified: float, percent: float, k: float
) -> tuple[float | None, float | None]:
    """Return the expanded uncertainty of measured less certified in % of the certified value, and E_n."""
    found = budget(plan, facts, kept, row.value or 0.0, row.torque_percent)
    if found is None or row.value is None or found.reasons or not found.components:
        return None, None
    of_fluid = from_expanded("certified fluid", certified * percent / 100.0, k, -1.0)
    both = combine([*found.components, of_fluid])
    error = normalised_error(row.value, 2.0 * combine(found.components).u_c, certified, 2.0 * of_fluid.u)
    return 100.0 * both.expanded / certified, error


def _different(torques: list[float]) -> int:
    count, last = 0, float("-inf")
    for torque in sorted(torques):
        if torque >= last + LEVELS_APART_PERCENT:
            count, last = count + 1, torque
    return count


def _outside(plan: Plan, level: Level) -> Statement:
    percent = level.deviation_uncertainty_percent
    expanded = None if percent is None or level.certified is None else percent / 100.0 * level.certified
    return state(
        "level_outside", step=level.step, value=level.measured, low=level.low, high=level.high,
        unit=plan.context.units[plan.primary], deviation=level.deviation_percent, expanded=expanded, percent=percent,
    )  # fmt: skip
