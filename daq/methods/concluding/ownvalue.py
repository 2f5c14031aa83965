"""Comparison of an instrument's own viscosity with the one computed here from torque and geometry."""

import math
from typing import Final

from daq.core.effects import Kept
from daq.core.plan import Plan
from daq.core.student import Z_975
from daq.core.units import UNITS, convert
from daq.methods.parts.component_names import PART_OF_A_TURN, SCATTER, WITHIN_ONE_STEP
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.parts.viscosities import OWN_VISCOSITY, VISCOSITIES
from daq.rheology.viscosity_budget import END_FACTOR, VANE_ENDS

COMMON: Final = (
    "torque",
    "zero",
    "zero drift",
    "speed",
    "temperature",
    SCATTER,
    WITHIN_ONE_STEP,
    PART_OF_A_TURN,
    VANE_ENDS,
    END_FACTOR,
)
"""Components common to both values: both come from the same torque and speed, and neither knows the fluid."""
ALLOWED_PERCENT: Final = 1.0
"""Allowed difference where the specification states no maximum permissible error of the geometry (our choice)."""


def own_value_caution(plan: Plan, kept: Kept, row: KeptValue, budget: Uncertainty | None) -> Statement | None:
    """Return a caution where the two differ by more than the uncertainty of what is not common to them.

    Torque and speed are the same in both: a difference comes from the constants of the geometry, a factor or a unit.
    """
    own = kept.summaries.get(OWN_VISCOSITY)
    unit = plan.context.units.get(OWN_VISCOSITY, "")
    if plan.primary not in VISCOSITIES or own is None or own.mean is None or not row.value:
        return None
    if unit not in UNITS or UNITS[unit].dimension != "viscosity":
        return None
    code = plan.context.units[plan.primary]
    theirs = convert(own.mean, unit, code)
    allowed = _allowed_percent(row.value, budget)
    differs = 100.0 * (theirs / row.value - 1.0)
    if abs(differs) <= allowed:
        return None
    return state("own_value_differs", own=theirs, unit=code, deviation=differs, allowed=allowed)


def _allowed_percent(value: float, budget: Uncertainty | None) -> float:
    components = () if budget is None else budget.components
    apart = {c.name: c.contribution for c in components if c.name not in COMMON}
    if budget is None or "geometry" not in apart:
        return ALLOWED_PERCENT
    return 100.0 * (budget.k or Z_975) * math.sqrt(math.fsum(u * u for u in apart.values())) / abs(value)
