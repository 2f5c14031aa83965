"""The uncertainty of a value and the drift inside its span."""

import math
import zlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

from daq.core.effects import Facts, Kept
from daq.core.errors import SettingError
from daq.core.plan import Plan
from daq.core.statistics import Summary
from daq.core.steady import effective_count
from daq.core.student import t_975
from daq.core.units import convert
from daq.methods.parts.base import finite
from daq.methods.parts.known import BudgetLine, Uncertainty
from daq.methods.parts.measured import Drift
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.ranging import stated
from daq.methods.planning.signals import DENSITY, INTERVAL_SCALES, MASS
from daq.quality.verification import certified_coefficient
from daq.rheology.uncertainty import (
    Budget,
    Component,
    Distribution,
    bounded_share,
    combine,
    from_limit,
    from_readings,
)
from daq.rheology.viscosity_budget import Specification, viscosity_components

COVERAGE: Final = 0.95
STRESS: Final = "stress"
VISCOSITIES: Final = ("viscosity", "apparent_viscosity")
PREVAILING: Final = 0.5
"""Share of the combined variance from which quantities known only by limits make the interval differ from k u_c."""
TRIALS: Final = 100_000
JCGM_100: Final = "JCGM 100: value ± k u_c"
JCGM_101: Final = "JCGM 101: propagated distributions, probabilistically symmetric"
BUOYANCY: Final = 0.001
"""g/mL by which a density weighed in air reads low: about the density of air."""
BEYOND_TABLE_K: Final = 0.25
"""K by which a measured temperature may lie beyond the ends of a certificate's table."""


def load() -> None:
    """Import what the propagation of distributions needs, so that the end of a run imports nothing."""
    import numpy.random  # noqa: F401, PLC0415

    import daq.rheology.montecarlo  # noqa: F401, PLC0415 - loaded where a run begins, not by every command


def uncertainty(plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None) -> Uncertainty | None:
    """Return expanded uncertainty (95 %) and coverage interval of `value` (unit of the plan's primary signal).

    None where nothing is known.  The interval is that of JCGM 101 where the budget is of limits above all and the
    run is over; its seed comes from the run, so that it can be computed again.
    """
    found = budget(plan, facts, kept, value, torque_percent)
    if found is None:
        return None
    combined, left_out = found
    # During a run this is called several times a second; numpy is loaded only at the end of the run.
    if facts.outcome and _to_propagate(combined.components):
        from daq.rheology.montecarlo import propagate_budget  # noqa: PLC0415 - see above

        seed = seed_of(plan, facts, kept)
        spread = propagate_budget(value, combined.components, seed=seed, trials=TRIALS, coverage=COVERAGE)
        propagated = {"low": finite(spread.low), "high": finite(spread.high), "method": JCGM_101}
        return stated_uncertainty(value, combined, left_out).model_copy(
            update={**propagated, "trials": TRIALS, "seed": seed}
        )
    return stated_uncertainty(value, combined, left_out)


def stated_uncertainty(value: float, combined: Budget, left_out: Sequence[Statement]) -> Uncertainty:
    """Return a budget as a result states it, with the interval `value` ± U of JCGM 100."""
    return Uncertainty(
        expanded=combined.expanded,
        k=combined.k,
        coverage=COVERAGE,
        low=value - combined.expanded,
        high=value + combined.expanded,
        method=JCGM_100,
        effective_degrees_of_freedom=combined.nu_eff,
        components=tuple(budget_line(r) for r in combined.rows()),
        left_out=tuple(left_out),
    )


def _to_propagate(components: Sequence[Component]) -> bool:
    """Return whether limits prevail and every component has enough readings for its t to have a standard deviation.

    With 2 degrees of freedom or less (JCGM 101 6.4.9) a few trials far out would make the interval many times as wide
    as anything that was ever seen; there Welch and Satterthwaite's k says more.
    """
    scattered = [c.dof for c in components if c.distribution is Distribution.STUDENT]
    return bounded_share(components) >= PREVAILING and min(scattered, default=math.inf) > 2.0


def seed_of(plan: Plan, facts: Facts, kept: Kept) -> int:
    """Return the seed of the random numbers: the same for the same run and value, different for others."""
    return zlib.crc32(f"{plan.digest} {plan.lead.name} {facts.began} {kept.step} {kept.t}".encode())


def budget(
    plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None
) -> tuple[Budget, tuple[Statement, ...]] | None:
    """Return the combined budget of a kept value and the contributions left out; None where nothing is known."""
    summary = kept.summaries.get(plan.primary)
    if summary is None or not math.isfinite(value):
        return None
    left_out: list[Statement] = []
    if plan.primary in (*VISCOSITIES, STRESS):
        components = _viscosity(plan, facts, kept, value, torque_percent, left_out)
    else:
        components = _density(plan, value, left_out) if plan.primary == DENSITY else []
        components = components or _plain(plan, plan.primary, value, left_out)
    components += _scatter(summary, kept.statistic)
    return (combine(components, coverage=COVERAGE), tuple(left_out)) if components else None


def _viscosity(
    plan: Plan, facts: Facts, kept: Kept, value: float, torque_percent: float | None, left_out: list[Statement]
) -> list[Component]:
    given = plan.context.specification
    if torque_percent is None or torque_percent <= 0.0 or value <= 0.0:
        left_out.append(state("share_without_torque"))
        return []
    temperature = plan.context.temperature_limit
    specification = replace(stated(given), temperature_kelvin=temperature or 0.0)
    if plan.primary == STRESS:
        specification = replace(specification, speed_percent=0.0)
    includes = specification.includes
    coefficient = _coefficient(plan, kept)
    for part, known in (
        ("torque", given.torque or given.torque_reading),
        ("resolution", given.torque_resolution),
        ("geometry", given.geometry),
        ("speed", given.speed),
        ("temperature", temperature),
    ):
        if part in includes:
            left_out.append(state("contained_in_torque", component=part))
        elif not known and not (part == "speed" and plan.primary == STRESS):
            left_out.append(state("not_specified", component=part))
    if temperature and coefficient is None:
        left_out.append(state("temperature_effect_unknown"))
    before = torque_at_rest(plan, facts)
    drift_percent = _zero_drift(plan, facts, before)
    left_out += _zero_left_out(specification, before, drift_percent)
    return viscosity_components(
        value,
        torque_percent,
        specification,
        temperature_coefficient=coefficient or 0.0,
        zero_percent=before,
        zero_drift_percent=drift_percent or 0.0,
    )


def _coefficient(plan: Plan, kept: Kept) -> float | None:
    """Return -dln(η)/dT (1/K) of the sample: from its certificate, otherwise from the product; None where unknown."""
    fluid = plan.context.fluid
    celsius = temperature_of(plan, kept)
    if fluid is not None and celsius is not None:
        try:
            return certified_coefficient(
                celsius, [(p.celsius, p.viscosity) for p in fluid.table], reach_k=BEYOND_TABLE_K
            )
        except SettingError:  # a certificate for one temperature, or for others
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
        covered = specification.torque_percent_full_scale
        out = [state("contained_in_torque", component="zero_and_its_drift")]
        if before is not None and covered and abs(before) > covered:
            out.append(state("zero_beyond_torque_error", zero=before, limit=covered))
        return out
    out = []
    if before is None:
        out.append(state("zero_not_seen"))
    if drift_percent is None:
        out.append(state("zero_drift_not_seen"))
    return out


def _density(plan: Plan, value: float, left_out: list[Statement]) -> list[Component]:
    """Return the budget of a mass over a known volume; empty where the density is measured directly."""
    vessel = plan.context.density_vessel
    if vessel is None:
        return []
    volume = vessel.volume_ml
    grams = value * volume + vessel.empty_g
    unit = plan.context.units[MASS]
    each = convert(1.0, unit, "g") / volume
    mass = _plain(plan, MASS, convert(grams, "g", unit), left_out)
    out = [replace(c, sensitivity=c.sensitivity * each) for c in mass]
    if vessel.volume_error:
        out.append(from_limit("volume", volume * vessel.volume_error / 100.0, -value / volume))
    else:
        left_out.append(state("volume_not_specified"))
    left_out.append(state("buoyancy_not_corrected", low_by=BUOYANCY))
    return out


def _plain(plan: Plan, signal: str, value: float, left_out: list[Statement]) -> list[Component]:
    """Return the budget of a quantity measured directly: maximum permissible error and resolution of its channel."""
    given = plan.context.specification
    limit = given.maximum_permissible_error.get(signal)
    if limit is None and signal == "temperature":
        limit = given.temperature
    of_reading = given.maximum_permissible_error_reading.get(signal)
    out: list[Component] = []
    if limit is None and of_reading is None:
        left_out.append(state("error_not_specified", signal=signal))
    elif (half := (limit or 0.0) + (of_reading or 0.0) / 100.0 * abs(value)) > 0.0:
        out.append(from_limit("instrument", half))
    step = given.resolution.get(signal)
    if step is not None:
        out.append(from_limit("resolution", step / 2.0))
    return out


def _scatter(summary: Summary, statistic: str) -> list[Component]:
    if summary.sd is None or summary.n < 2:
        return []
    if statistic == "mean":
        return [from_readings("scatter of readings (Type A)", summary.sd, summary.n, summary.lag1 or 0.0)]
    return [Component("scatter of readings (Type A)", summary.sd, Distribution.STUDENT, summary.n - 1)]


def budget_line(row: dict[str, Any]) -> BudgetLine:
    """Return one line of `Budget.rows` under the names of a result."""
    names = {"u": "standard_uncertainty", "dof": "degrees_of_freedom"}
    return BudgetLine(**{names.get(k, k): v for k, v in row.items()})


def drift(summary: Summary, span_s: float, unit: str) -> Drift | None:
    """Return the slope of the readings per minute with its 95 % bound, in `unit` (UCUM) and in % of the mean.

    The residuals' sum of squares is that of the readings less the line's part, with readings evenly spaced over the
    span; the lag-one autocorrelation is the readings' own, which a drift raises: the bound errs to the safe side.
    """
    if summary.slope is None or summary.sd is None or summary.mean is None or span_s <= 0.0:
        return None
    percent = None if not summary.mean or unit in INTERVAL_SCALES else 100.0 * 60.0 / abs(summary.mean)
    n = summary.n
    spread = n * span_s**2 / 12.0
    rest = max((n - 1) * summary.sd**2 - summary.slope**2 * spread, 0.0)
    worth = effective_count(n, summary.lag1 or 0.0)
    if worth < 4.0:
        return Drift(percent_per_min=_times(summary.slope, percent), certain=False, per_min=summary.slope * 60.0)
    half = t_975(worth - 2.0) * math.sqrt(rest / (worth - 2.0) / spread)
    return Drift(
        percent_per_min=_times(summary.slope, percent),
        bound_percent_per_min=_times(abs(summary.slope) + half, percent),
        certain=abs(summary.slope) > half,
        per_min=summary.slope * 60.0,
        bound_per_min=(abs(summary.slope) + half) * 60.0,
    )


def _times(slope: float, factor: float | None) -> float | None:
    return None if factor is None else slope * factor
