"""Values that follow from the value: a viscosity at the product's reference temperature, and the dry content of a slip.

The curve of a product is fitted when the plan is compiled and travels with it, so that the value can be computed again.
"""

import math
from collections.abc import Sequence
from typing import Final

from daq.core.context import CorrectionCurve
from daq.core.errors import ArgumentError
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.plan import Plan
from daq.core.units import as_written, convert
from daq.methods.concluding.intervals import components_of, stated_interval
from daq.methods.parts.known import Corrected, DryContent, Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.parts.viscosities import VISCOSITIES
from daq.rheology.slips import dry_content
from daq.rheology.temperature import Andrade, Vft, correct_to_reference
from daq.rheology.uncertainty import Component, coverage_factor, from_limit

DENSITY: Final = "density"
ROOM_CELSIUS: Final = 20.0
"""degC, taken where no temperature is measured."""
ROOM_BAND_K: Final = 10.0
"""K; half width of the room's temperature where none is measured (our choice)."""
SQRT_3: Final = math.sqrt(3.0)
"""Half width of a rectangular distribution over its standard uncertainty (JCGM 100 4.3.7)."""


def corrected(
    plan: Plan,
    row: KeptValue | None,
    value: float | None,
    budget: Uncertainty | None,
    doubts: Sequence[str] = (),
    *,
    checks: int = CHECKS,
) -> Corrected | None:
    """Return the value at the curve's reference temperature, or why there is none; None where there is no curve.

    `doubts` are faults that speak against the measured temperature; `checks` is `Facts.checks`.
    """
    given = plan.context.temperature_curve
    if given is None or plan.primary not in VISCOSITIES or plan.claim == "time_to":
        return None
    reference = given.reference
    if value is None or row is None or row.temperature is None:
        return _none(reference, state("correction_without_temperature"))
    if doubts:
        return _none(reference, state("correction_needs_sound_temperature", faults=tuple(doubts)), row.temperature)
    if value <= 0.0:
        # A torque of zero, or slightly against the rotation, stays a number, and has no factor.
        return _none(reference, state("correction_without_viscosity"), row.temperature)
    hindrance = _hindrance(plan, given, row, checks=checks)
    if hindrance is not None:
        return _none(reference, hindrance, row.temperature)
    curve: Andrade | Vft = (
        Andrade(0.0, given.b, given.low, given.high)
        if given.law == "andrade"
        else Vft(0.0, given.b, given.t0, given.low, given.high)
    )
    # A temperature on the edge of the curve may be beyond it by a rounding error.
    celsius = min(max(row.temperature, given.low), given.high)
    found = correct_to_reference(value, celsius, reference, curve)
    coefficient = curve.coefficient(celsius)
    own = _interval(plan, given, coefficient, found.corrected, found.corrected / value, budget)
    return Corrected(
        value=found.corrected,
        reference_celsius=reference,
        measured_celsius=row.temperature,
        factor=found.factor,
        expanded=own.expanded,
        k=own.k,
        left_out=(*own.reasons, *own.left_out),
    )


def _none(reference: float, reason: Statement, celsius: float | None = None) -> Corrected:
    return Corrected(value=None, reference_celsius=reference, measured_celsius=celsius, reason=reason)


def _hindrance(plan: Plan, given: CorrectionCurve, row: KeptValue, *, checks: int) -> Statement | None:
    """Return why the curve does not apply (a fluid that is not Newtonian has one for each rate); otherwise None."""
    fitted = plan.context.geometry_name
    if given.geometry is not None and given.geometry != fitted:
        return state("curve_of_other_geometry", wanted=given.geometry, fitted=fitted)
    speed = given.speed
    if speed is not None and (row.set_speed is None or not math.isclose(speed, abs(row.set_speed), rel_tol=1e-6)):
        return state("curve_at_other_speed", wanted=speed, speed=row.set_speed)
    for celsius in (row.temperature, given.reference):
        if celsius is None:
            continue
        compared = as_written(celsius) if checks >= DECIMAL_EDGES else celsius
        if not given.low <= compared <= given.high:
            return state("outside_temperature_curve", temperature=celsius, low=given.low, high=given.high)
    return None


def _interval(
    plan: Plan, given: CorrectionCurve, coefficient: float, value: float, factor: float, budget: Uncertainty | None
) -> Uncertainty:
    """Return the interval of the corrected value, by the method of the value as measured.

    Its components are those of the measured value times `factor`, the temperature where it is not among them, and the
    exponent of the curve.  At the reference temperature it is the interval of the measured value.
    """
    unit = plan.context.units[plan.primary]
    if budget is None:
        return stated_interval(value, (), (), (state("value_without_uncertainty"),), unit=unit)
    left_out: list[Statement] = []
    components = components_of(budget.components, factor)
    if not any(c.name == "temperature" for c in components):
        limit = plan.context.temperature_limit or plan.context.specification.temperature
        if limit:
            components.append(from_limit("temperature", limit, -coefficient * value, unit="K"))
        else:
            left_out.append(state("not_specified", component="temperature"))
    if given.relative_u is None:
        left_out.append(state("curve_uncertainty_unknown"))
    else:
        relative = abs(math.log(factor)) * given.relative_u
        components.append(Component("temperature curve", relative, sensitivity=value, unit="1"))
    return stated_interval(value, components, left_out, budget.reasons, unit=unit, seed=budget.seed)


def dry_content_of(
    plan: Plan,
    row: KeptValue | None,
    value: float | None,
    unit: str,
    budget: Uncertainty | None,
    doubts: Sequence[str] = (),
) -> DryContent | None:
    """Return the dry content of a slip, or the reason why there is none.

    None where the run measures no density, or the product states no density of its solid.  `doubts` are faults that
    speak against the measured temperature.
    """
    product = plan.context.product
    solid = None if product is None else product.solid_density
    if product is None or solid is None or plan.primary != DENSITY or plan.claim == "time_to":
        return None
    measured = None if row is None else row.temperature
    celsius = ROOM_CELSIUS if measured is None else measured
    if value is None:
        return DryContent(value=None, celsius=celsius, solid_density=solid, reason=state("dry_content_without_density"))
    if doubts and measured is not None:
        # The slip may be at another temperature than the room, so that the branch without a temperature is no way out.
        reason = state("correction_needs_sound_temperature", faults=tuple(doubts))
        return DryContent(value=None, celsius=celsius, solid_density=solid, reason=reason)
    left_out: list[Statement] = []
    if measured is None:
        left_out.append(state("dry_content_at_room_temperature", temperature=celsius, band=ROOM_BAND_K))
    if product.solid_density_error is None:
        left_out.append(state("solid_density_error_unknown"))
    u = _standard(budget)
    if u is None:
        left_out.append(state("value_without_uncertainty"))
    density, per_unit = convert(value, unit, "kg/m3"), convert(1.0, unit, "kg/m3")
    try:
        found = dry_content(
            density,
            solid,
            celsius,
            u_density=(u or 0.0) * per_unit,
            u_solid_density=(product.solid_density_error or 0.0) / SQRT_3,
            u_celsius=ROOM_BAND_K / SQRT_3 if measured is None else (plan.context.temperature_limit or 0.0) / SQRT_3,
        )
    except ArgumentError:
        reason = state("dry_content_not_possible", density=density, solid_density=solid, temperature=celsius)
        return DryContent(value=None, celsius=celsius, solid_density=solid, reason=reason)
    # The other components have unlimited degrees of freedom, so that the factor of the density is on the safe side.
    freedom = None if budget is None else budget.effective_degrees_of_freedom
    k = None if budget is None or u is None else coverage_factor(freedom or math.inf, budget.coverage)
    return DryContent(
        value=found.fraction,
        celsius=celsius,
        solid_density=solid,
        by_volume=found.by_volume,
        expanded=None if k is None else k * found.u,
        k=k,
        left_out=tuple(left_out),
    )


def _standard(budget: Uncertainty | None) -> float | None:
    """Return the combined standard uncertainty of the density in its unit; None without an interval."""
    if budget is None or not budget.expanded or not budget.k:
        return None
    return budget.expanded / budget.k
