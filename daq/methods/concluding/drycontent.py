"""Dry content of a slip, from the density that a run measured and the density of the product's solid."""

import math
from typing import Final

from daq.core.errors import ArgumentError
from daq.core.plan import Plan
from daq.core.units import convert
from daq.methods.parts.known import DryContent, Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.rheology.slips import dry_content
from daq.rheology.uncertainty import coverage_factor

DENSITY: Final = "density"
ROOM_CELSIUS: Final = 20.0
"""degC, taken where no temperature is measured."""
ROOM_BAND_K: Final = 10.0
"""K; half width of the room's temperature where none is measured (our choice)."""
SQRT_3: Final = math.sqrt(3.0)
"""Half width of a rectangular distribution over its standard uncertainty (JCGM 100 4.3.7)."""


def dry_content_of(
    plan: Plan, row: KeptValue | None, value: float | None, unit: str, budget: Uncertainty | None
) -> DryContent | None:
    """Return the dry content of a slip, or the reason why there is none.

    None where the run measures no density, or the product states no density of its solid.
    """
    product = plan.context.product
    solid = None if product is None else product.solid_density
    if product is None or solid is None or plan.primary != DENSITY or plan.claim == "time_to":
        return None
    measured = None if row is None else row.temperature
    celsius = ROOM_CELSIUS if measured is None else measured
    if value is None:
        return DryContent(value=None, celsius=celsius, solid_density=solid, reason=state("dry_content_without_density"))
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
