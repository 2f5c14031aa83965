"""The budget of a value, its uncertainty, and the drift inside its span."""

import math
import zlib
from dataclasses import dataclass, field, replace
from operator import mul
from typing import Final

from daq.core.effects import Facts, Kept
from daq.core.errors import SettingError
from daq.core.plan import Plan
from daq.core.statistics import Ripple, Summary
from daq.core.steady import LEAST_EFFECTIVE, effective_count
from daq.core.student import t_975
from daq.core.units import convert
from daq.methods.concluding.intervals import stated_interval
from daq.methods.parts.certificatetable import BEYOND_TABLE_K, in_table, rows_of
from daq.methods.parts.component_names import PART_OF_A_TURN, SCATTER, WITHIN_ONE_STEP
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import Drift
from daq.methods.parts.statement import Statement, state
from daq.methods.parts.viscosities import VISCOSITIES
from daq.methods.planning.ranging import stated
from daq.methods.planning.signals import DENSITY, INTERVAL_SCALES, MASS
from daq.quality.verification import certified_coefficient
from daq.rheology.slowdrift import MeanScatter, effective_below_noise, is_slower, mean_scatter
from daq.rheology.uncertainty import (
    CERTAIN_RIPPLE,
    Component,
    from_drifting_readings,
    from_limit,
    from_one_reading,
    from_readings,
    from_rippling_readings,
)
from daq.rheology.viscosity_budget import (
    Specification,
    end_factor_component,
    is_beyond_torque_error,
    vane_end_component,
    viscosity_components,
)

STRESS: Final = "stress"
BUOYANCY: Final = 0.001
"""g/mL by which a density weighed in air reads low: about the density of air."""
ONE_STEP: Final = 1.0 + 1e-6
"""Steps of the resolution within which readings count as equal; the excess is for rounding."""


LEAST_OF_SLOPE: Final = 4.0
"""Effective number of readings below which a slope has no interval."""


@dataclass(slots=True)
class FoundBudget:
    """Components of a value, in its unit, and what is not among them."""

    components: list[Component] = field(default_factory=list)
    left_out: list[Statement] = field(default_factory=list)
    """Contributions that are not contained; the interval holds without them."""
    reasons: list[Statement] = field(default_factory=list)
    """Why the components give no interval; empty where they do."""


def uncertainty(plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None) -> Uncertainty | None:
    """Return the coverage interval (95 %) of `value` (unit of the plan's primary signal), or why there is none.

    None where the span has no readings of the signal.  JCGM 101 is used only where the run is over: during a run this
    is called several times a second, and numpy is loaded only at its end.  The seed comes from the run, so that it can
    be computed again.
    """
    found = budget(plan, facts, kept, value, torque_percent)
    if found is None:
        return None
    seed = seed_of(plan, facts, kept) if facts.outcome else None
    unit = plan.context.units[plan.primary]
    return stated_interval(value, found.components, found.left_out, found.reasons, unit=unit, seed=seed)


def seed_of(plan: Plan, facts: Facts, kept: Kept) -> int:
    """Return the seed of the random numbers: the same for the same run and value, different for others."""
    return zlib.crc32(f"{plan.digest} {plan.lead.name} {facts.began} {kept.step} {kept.t}".encode())


def budget(plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None) -> FoundBudget | None:
    """Return the budget of a kept value; None where the span has no readings of the signal."""
    summary = kept.summaries.get(plan.primary)
    if summary is None or not math.isfinite(value):
        return None
    found = FoundBudget()
    if plan.primary in (*VISCOSITIES, STRESS):
        step = _viscosity(plan, facts, kept, value, torque_percent, found)
    else:
        weighed = _density(plan, value, found) if plan.primary == DENSITY else None
        step = _plain(plan, plan.primary, value, found) if weighed is None else weighed
    add_scatter(summary, kept.statistic, step, found)
    return found


def _viscosity(
    plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None, found: FoundBudget
) -> float:
    """Add the parts of instrument and geometry; return the step of the resolution in the unit of the value, or 0."""
    given = plan.context.specification
    if torque_percent is None or torque_percent <= 0.0 or value <= 0.0:
        found.reasons.append(state("share_without_torque"))
        return 0.0
    temperature = plan.context.temperature_limit
    specification = replace(stated(given), temperature_kelvin=temperature or 0.0)
    if plan.primary == STRESS:
        specification = replace(specification, speed_percent=0.0)
    includes = specification.includes
    coefficient = _coefficient(plan, facts, kept)
    if not (given.torque or given.torque_reading):
        # Without it the largest part of the instrument is unknown: the rest would give an interval that is too narrow.
        found.reasons.append(state("not_specified", component="torque"))
    for part, known in (
        ("resolution", given.torque_resolution),
        ("geometry", given.geometry),
        ("speed", given.speed),
        ("temperature", temperature),
    ):
        if part in includes:
            found.left_out.append(state("contained_in_torque", component=part))
        elif not known and not (part == "speed" and plan.primary == STRESS):
            found.left_out.append(state("not_specified", component=part))
    if temperature and coefficient is None:
        found.left_out.append(state("temperature_effect_unknown"))
    ends = _ends(plan, value, found)
    before = torque_at_rest(plan, facts)
    drift_percent = _zero_drift(plan, facts, before)
    found.left_out += _zero_left_out(specification, before, drift_percent)
    counted = before
    if "zero" in includes and "component_zero" in facts.not_checked and is_beyond_torque_error(specification, before):
        # The daq of the record named such a zero, and left it out of the interval.
        found.left_out.insert(-1, state("contained_in_torque", component="zero_and_its_drift"))
        counted = None
    found.components += viscosity_components(
        value,
        torque_percent,
        specification,
        temperature_coefficient=coefficient or 0.0,
        zero_percent=counted,
        zero_drift_percent=drift_percent or 0.0,
    )
    found.components += [] if ends is None else [ends]
    return value / torque_percent * (given.torque_resolution or 0.0)


def _ends(plan: Plan, value: float, found: FoundBudget) -> Component | None:
    """Return the part of the ends of a vane or cylinder, which depends on the fluid and not on the instrument."""
    geometry, product = plan.context.geometry, plan.context.product
    if geometry is None:
        return None
    diameter, height, factor = (geometry.size(name) for name in ("diameter", "height", "end_factor"))
    if geometry.kind == "vane" and diameter and height:
        return vane_end_component(value, diameter, height)
    if factor is None:
        return None
    index = None if product is None else product.flow_behaviour_index
    if index is None:
        found.left_out.append(state("end_factor_of_newtonian_fluid"))
        return None
    return end_factor_component(value, factor, index)


def _coefficient(plan: Plan, facts: Facts, kept: Kept) -> float | None:
    """Return -dln(η)/dT (1/K) of the sample: from its certificate, otherwise from the product; None where unknown."""
    fluid = plan.context.fluid
    celsius = temperature_of(plan, kept)
    if fluid is not None and fluid.table and celsius is not None:
        inside = in_table(fluid, celsius, checks=facts.checks)
        try:
            return None if inside is None else certified_coefficient(inside, rows_of(fluid), reach_k=BEYOND_TABLE_K)
        except SettingError:  # a certificate for one temperature
            return None
    given = plan.context.temperature_coefficient
    return None if given is None else -given / 100.0


def temperature_of(plan: Plan, kept: Kept) -> float | None:
    """Return the mean (Cel) over the span of the method's temperature, otherwise of the lead instrument's own."""
    summary = kept.summaries.get(plan.conditioning.signal or "temperature")
    return None if summary is None else summary.mean


def percent_of_full_scale(plan: Plan, torque: float | None) -> float | None:
    """Return a torque in the band's unit as % of full scale; None where the full scale is not known."""
    if plan.band is None or torque is None or plan.band.unit == "%":
        return torque if plan.band is not None else None
    scale = plan.context.full_scale_unm
    return None if scale is None else 100.0 * convert(torque, plan.band.unit, "uN.m") / scale


def torque_at_rest(plan: Plan, facts: Facts) -> float | None:
    """Return the torque (% of full scale) at rest, just before the motor first turned; None where not seen."""
    return percent_of_full_scale(plan, None if facts.at_rest is None else facts.at_rest.mean)


def _zero_drift(plan: Plan, facts: Facts, before: float | None) -> float | None:
    """Return the change of the zero (% of full scale): to a later step at rest, or since the last run.

    None where it was not seen.
    """
    if before is None or plan.band is None:
        return None
    rested = [k for k in facts.kept if plan.steps[k.step].speed is None and k.at == "end"]
    after = rested[-1].summaries.get(plan.band.signal) if rested else None
    if after is not None and after.mean is not None:
        return (percent_of_full_scale(plan, after.mean) or 0.0) - before
    last = plan.context.last_torque_at_rest
    return None if last is None else before - last


def _zero_left_out(specification: Specification, before: float | None, drift_percent: float | None) -> list[Statement]:
    limit = specification.zero_percent_full_scale
    if limit:
        if before is None or abs(before) <= limit:
            return []
        return [state("zero_beyond_limit", zero=before, limit=limit)]
    if "zero" in specification.includes:
        if before is not None and is_beyond_torque_error(specification, before):
            return [state("zero_beyond_torque_error", zero=before, limit=specification.torque_percent_full_scale)]
        return [state("contained_in_torque", component="zero_and_its_drift")]
    out = []
    if before is None:
        out.append(state("zero_not_seen"))
    if drift_percent is None:
        out.append(state("zero_drift_not_seen"))
    return out


def _density(plan: Plan, value: float, found: FoundBudget) -> float | None:
    """Add the budget of a mass over a known volume; return the step of the resolution in the unit of the value.

    None where the density is measured directly.
    """
    vessel = plan.context.density_vessel
    if vessel is None:
        return None
    volume = vessel.volume_ml
    grams = value * volume + vessel.empty_g
    unit = plan.context.units[MASS]
    each = convert(1.0, unit, "g") / volume
    mass = FoundBudget(left_out=found.left_out, reasons=found.reasons)
    step = _plain(plan, MASS, convert(grams, "g", unit), mass)
    found.components += [replace(c, sensitivity=c.sensitivity * each, unit=unit) for c in mass.components]
    if vessel.volume_error:
        found.components.append(from_limit("volume", volume * vessel.volume_error / 100.0, -value / volume, unit="mL"))
    else:
        found.left_out.append(state("volume_not_specified"))
    found.left_out.append(state("buoyancy_not_corrected", low_by=BUOYANCY))
    return step * each


def _plain(plan: Plan, signal: str, value: float, found: FoundBudget) -> float:
    """Add the budget of a quantity measured directly; return the step of its resolution in its unit, or 0."""
    given = plan.context.specification
    limit = given.maximum_permissible_error.get(signal)
    if limit is None and signal == "temperature":
        limit = given.temperature
    of_reading = given.maximum_permissible_error_reading.get(signal)
    if not limit and not of_reading:
        found.reasons.append(state("error_not_specified", signal=signal))
    elif (half := (limit or 0.0) + (of_reading or 0.0) / 100.0 * abs(value)) > 0.0:
        found.components.append(from_limit("instrument", half))
    step = given.resolution.get(signal)
    if step:
        found.components.append(from_limit("resolution", step / 2.0))
    return step or 0.0


def add_scatter(summary: Summary, statistic: str, step: float, found: FoundBudget) -> None:
    """Add the scatter of the readings, or the reason why they are too few; `step` is that of the resolution, or 0."""
    n, sd, lag1 = summary.n, summary.sd, summary.lag1
    if statistic == "mean" and _add_rippling(summary, found):
        return
    scatter = MeanScatter(None, 1.0, float(n)) if sd is None else mean_scatter(sd, n, lag1, summary.batches)
    effective = scatter.effective
    if summary.ripple is not None and _may_ripple(summary.ripple):
        # A fast ripple makes neighbours differ, and so hides the autocorrelation of what is below it.
        ripple = summary.ripple
        effective = min(effective, mean_scatter(ripple.sd, n, ripple.lag1, ripple.batches, fitted=4).effective)
    if effective >= LEAST_EFFECTIVE and sd is not None and scatter.u is not None:
        make = from_readings if statistic == "mean" else from_one_reading
        found.components.append(make(SCATTER, sd, n, lag1, batches=summary.batches))
        return
    drifting = _about_line(summary) if statistic == "mean" else None
    if drifting is not None:
        found.components.append(drifting)
        return
    low, high = summary.minimum, summary.maximum
    if n >= LEAST_EFFECTIVE and low is not None and high is not None and high - low <= step * ONE_STEP:
        # Readings that alternate between two neighbouring steps cannot show their autocorrelation; the value lies
        # between the two.
        found.components.append(from_limit(WITHIN_ONE_STEP, high - low))
        return
    found.reasons.append(state("too_few_effective_readings", readings=n, effective=effective, needed=LEAST_EFFECTIVE))


def _add_rippling(summary: Summary, found: FoundBudget) -> bool:
    """Add the scatter of readings with a certain ripple of one turn; return False where there is none."""
    ripple = summary.ripple
    if ripple is None:
        return False
    part = from_rippling_readings(
        SCATTER, ripple.sd, summary.n, ripple.lag1, power=ripple.power, batches=ripple.batches
    )
    if part is None:
        return False
    found.components.append(part)
    if ripple.mean:
        # A known error that is not corrected: taken as a standard uncertainty, as the zero is.
        found.components.append(Component(PART_OF_A_TURN, abs(ripple.mean)))
    return True


def _about_line(summary: Summary) -> Component | None:
    """Return the component of a mean whose readings change steadily; None where they do not, or are too few."""
    s = summary
    if s.sd is None or s.line_sd is None or not s.slope:
        return None
    spread = ((s.n - 1) * s.sd**2 - (s.n - 2) * s.line_sd**2) / s.slope**2
    if not spread > 0.0:
        return None
    lag1 = s.line_lag1
    if lag1 is not None and s.ripple is not None and _may_ripple(s.ripple):
        lag1 = max(lag1, s.ripple.lag1 or 0.0)
    return from_drifting_readings(SCATTER, s.line_sd, s.n, lag1, slope=s.slope, spread=spread, batches=s.line_batches)


def _may_ripple(ripple: Ripple) -> bool:
    """Return whether a ripple of one turn is larger than independent readings would show by chance."""
    return ripple.power > CERTAIN_RIPPLE * ripple.sd**2


def drift(summary: Summary, span_s: float, unit: str) -> Drift | None:
    """Return the slope of the readings per minute with its 95 % bound, in `unit` (UCUM) and in % of the mean.

    The residuals' sum of squares is that of the readings less the line's part, with readings evenly spaced over the
    span.  The autocorrelations are those of the residuals.
    """
    if summary.slope is None or summary.sd is None or summary.mean is None or span_s <= 0.0:
        return None
    percent = None if not summary.mean or unit in INTERVAL_SCALES else 100.0 * 60.0 / abs(summary.mean)
    n = summary.n
    spread = n * span_s**2 / 12.0
    rest = max((n - 1) * summary.sd**2 - summary.slope**2 * spread, 0.0)
    half = _half_of_slope(summary, rest, spread)
    if half is None:
        return Drift(percent_per_min=_times(summary.slope, percent), certain=False, per_min=summary.slope * 60.0)
    return Drift(
        percent_per_min=_times(summary.slope, percent),
        bound_percent_per_min=_times(abs(summary.slope) + half, percent),
        certain=abs(summary.slope) > half,
        per_min=summary.slope * 60.0,
        bound_per_min=(abs(summary.slope) + half) * 60.0,
    )


def _half_of_slope(summary: Summary, rest: float, spread: float) -> float | None:
    """Return half the 95 % interval of the slope (unit per second); None where the readings are worth fewer than four.

    `rest` is the residuals' sum of squares, `spread` that of the times.  Residuals whose batch means vary or wander
    more than their readings let expect have the interval from the batch means.
    """
    n, batches = summary.n, summary.line_batches
    lag1 = summary.lag1 if summary.line_sd is None else summary.line_lag1
    worth = effective_count(n, lag1, fitted=2)
    if batches is not None and lag1 is not None and batches.lag2 is not None:
        worth = min(worth, effective_below_noise(n, lag1, batches.lag2, fitted=2, standard_errors=0.0))
    if batches is not None and (worth < LEAST_OF_SLOPE or is_slower(batches.means, _rms(rest, n, worth), fitted=2)):
        means = batches.means
        n, rest, spread = len(means), math.fsum(v * v for v in means), spread * len(means) / n
        worth = effective_count(n, math.fsum(map(mul, means, means[1:])) / rest if rest > 0.0 else None, fitted=2)
    if worth < LEAST_OF_SLOPE:
        return None
    return t_975(worth - 2.0) * math.sqrt(rest / (worth - 2.0) / spread)


def _rms(rest: float, n: int, worth: float) -> float:
    return math.sqrt(rest / n / (worth - 2.0))


def _times(slope: float, factor: float | None) -> float | None:
    return None if factor is None else slope * factor
