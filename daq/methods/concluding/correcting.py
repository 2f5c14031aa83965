"""Correction of a viscosity to the product's reference temperature, by the product's curve and within its range.

The curve is fitted when the plan is compiled and travels with it, so that the value can be computed again.
"""

import math
from typing import Final

from daq.core.context import CorrectionCurve
from daq.core.plan import Plan
from daq.methods.parts.known import Corrected, Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.rheology.temperature import Andrade, Vft, correct_to_reference
from daq.rheology.uncertainty import coverage_factor

VISCOSITIES: Final = ("viscosity", "apparent_viscosity")


def corrected(plan: Plan, row: KeptValue | None, value: float | None, budget: Uncertainty | None) -> Corrected | None:
    """Return the value at the curve's reference temperature, or why there is none; None where there is no curve."""
    given = plan.context.temperature_curve
    if given is None or plan.primary not in VISCOSITIES or plan.claim == "time_to":
        return None
    reference = given.reference
    if value is None or row is None or row.temperature is None:
        return _none(reference, state("correction_without_temperature"))
    hindrance = _hindrance(plan, given, row)
    if hindrance is not None:
        return _none(reference, hindrance, row.temperature)
    curve: Andrade | Vft = (
        Andrade(0.0, given.b, given.low, given.high)
        if given.law == "andrade"
        else Vft(0.0, given.b, given.t0, given.low, given.high)
    )
    found = correct_to_reference(value, row.temperature, reference, curve)
    expanded, k, left_out = _uncertainty(plan, given, curve.coefficient(row.temperature), found.factor, value, budget)
    return Corrected(
        value=found.corrected,
        reference_celsius=reference,
        measured_celsius=row.temperature,
        factor=found.factor,
        expanded=None if expanded is None else expanded * found.corrected,
        k=k,
        left_out=left_out,
    )


def _none(reference: float, reason: Statement, celsius: float | None = None) -> Corrected:
    return Corrected(value=None, reference_celsius=reference, measured_celsius=celsius, reason=reason)


def _hindrance(plan: Plan, given: CorrectionCurve, row: KeptValue) -> Statement | None:
    """Return why the curve does not apply (a fluid that is not Newtonian has one for each rate); otherwise None."""
    fitted = plan.context.geometry_name
    if given.geometry is not None and given.geometry != fitted:
        return state("curve_of_other_geometry", wanted=given.geometry, fitted=fitted)
    speed = given.speed
    if speed is not None and (row.set_speed is None or not math.isclose(speed, abs(row.set_speed), rel_tol=1e-6)):
        return state("curve_at_other_speed", wanted=speed, speed=row.set_speed)
    for celsius in (row.temperature, given.reference):
        if celsius is not None and not given.low <= celsius <= given.high:
            return state("outside_temperature_curve", temperature=celsius, low=given.low, high=given.high)
    return None


def _uncertainty(
    plan: Plan, given: CorrectionCurve, coefficient: float, factor: float, value: float, budget: Uncertainty | None
) -> tuple[float | None, float | None, tuple[Statement, ...]]:
    """Return the relative expanded uncertainty of the corrected value (95 %), its k, and the contributions left out."""
    if budget is None:
        return None, None, (state("value_without_uncertainty"),)
    left_out: list[Statement] = []
    variance = (budget.expanded / budget.k / value) ** 2
    if not any(c.name == "temperature" for c in budget.components):
        limit = plan.context.temperature_limit or plan.context.specification.temperature
        if limit:
            variance += (coefficient * limit) ** 2 / 3.0
        else:
            left_out.append(state("not_specified", component="temperature"))
    if given.relative_u is None:
        left_out.append(state("curve_uncertainty_unknown"))
    else:
        variance += (math.log(factor) * given.relative_u) ** 2
    freedom = budget.effective_degrees_of_freedom
    # The added components have unlimited degrees of freedom, so k does not grow.
    k = coverage_factor(math.inf if freedom is None else freedom, budget.coverage)
    return k * math.sqrt(variance), k, tuple(left_out)
