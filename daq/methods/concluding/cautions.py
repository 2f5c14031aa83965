"""Cautions for a reader of the value: limits of use of the flow, and what the value may be mistaken for.

Estimates for sentences, with round properties where the product states none; no number is corrected by them.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from daq.core.clocks import ClockFacts
from daq.core.effects import Facts, Kept
from daq.core.linkstates import IdentityCheck
from daq.core.plan import Plan
from daq.methods.concluding.claims import decides, ended_step
from daq.methods.concluding.driftsigns import drift_caution
from daq.methods.concluding.ownvalue import own_value_caution
from daq.methods.concluding.torquesigns import rest_caution
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import Drift, KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.signals import INTERVAL_SCALES
from daq.rheology import cylinders

WATER_DENSITY: Final = 1000.0
"""kg/m3, taken where the product states no density."""
CONDUCTIVITY: Final = 0.2
"""W/(m K), most organic liquids; water and slips conduct better, so that they heat less."""
HEAT_CAPACITY: Final = 2.0e6
"""J/(m3 K) by volume, organic liquids; water 4.2e6."""
NEAR_ONSET: Final = 0.8
"""Part of the critical number from which vortices are warned of: ends and density shift the onset by some percent."""
WIDEST_JUDGED: Final = 2.0
"""Radius ratio up to which the criterion judges a value: DiPrima and Swinney 1981 compare it with experiments up to
there.  In a wider gap the cylinder is short against the gap, and its ends shift the onset: it only warns."""
REPORTED_HEATING_PERCENT: Final = 1.0
"""% of the value from which heating is reported."""
REPORTED_HEATING_K: Final = 0.1
"""K from which heating is reported where the effect of temperature on the value is not known."""
DRIFTS: Final = 0.5
"""% of the value over its span from which a certain drift is reported."""
BY_TIME: Final = ("elapsed", "readings", "revolutions")


@dataclass(frozen=True, slots=True)
class _ShearedLayer:
    """The sheared layer, m."""

    thickness: float
    inner: float | None = None
    outer: float | None = None


def _sheared_layer(plan: Plan) -> _ShearedLayer | None:
    geometry = plan.context.geometry
    if geometry is None:
        return None
    sizes = {k: v / 1000.0 for k in geometry.dimensions if (v := geometry.size(k)) is not None}
    kind = geometry.kind
    if kind == "coaxial_cylinders":
        return _ShearedLayer(
            sizes["outer_radius"] - sizes["inner_radius"], sizes["inner_radius"], sizes["outer_radius"]
        )
    if kind == "single_cylinder_in_large_vessel":
        outer = sizes.get("vessel_radius")
        # The rate falls with the square of the radius: most of the heat is made within one radius of the wall.
        width = sizes["radius"] if outer is None else min(sizes["radius"], outer - sizes["radius"])
        return _ShearedLayer(width, sizes["radius"], outer)
    if kind == "cone_and_plate":
        return _ShearedLayer(sizes["radius"] * math.tan(math.radians(geometry.size("angle") or 0.0)))
    if kind == "parallel_plates":
        return _ShearedLayer(sizes["gap"])
    return None


def flow_faults(plan: Plan, row: KeptValue | None) -> list[str]:
    """Return the faults of the flow itself: vortices, where their onset is known."""
    part, judges = _vortices(plan, row)
    return ["vortices"] if judges and part >= 1.0 else []


def cautions(
    plan: Plan,
    facts: Facts,
    kept: Kept | None,
    row: KeptValue | None,
    drift: Drift | None,
    budget: Uncertainty | None = None,
) -> tuple[Statement, ...]:
    """Return the cautions of a result, in the order of their weight."""
    not_asked = _not_asked(facts)
    if kept is None or row is None:
        return (not_asked,) if not_asked else ()
    found = [
        own_value_caution(plan, kept, row, budget),
        _near_vortices(plan, row),
        _heating(plan, row),
        _still_changing(plan, row, drift),
        drift_caution(plan, facts),
        rest_caution(plan, facts),
        _selected(plan, facts, kept),
        _called_unsteady(plan, kept),
        not_asked,
    ]
    return tuple(s for s in found if s is not None)


def _not_asked(facts: Facts) -> Statement | None:
    """Return a caution for instruments that cannot be asked who they are: an exchange of one is not noticed."""
    names = tuple(i.link for i in facts.identities if i.check is IdentityCheck.NOT_ASKED)
    return state("identity_not_asked", instruments=names) if names else None


def _viscosity(row: KeptValue) -> float | None:
    """Return the apparent viscosity in Pa.s; None where stress or rate are not defined."""
    if not row.stress or not row.shear_rate:
        return None
    return abs(row.stress / row.shear_rate)


def _vortices(plan: Plan, row: KeptValue | None) -> tuple[float, bool]:
    """Return Taylor's number over the critical one (0 where it has no meaning), and True where it judges a value."""
    layer = _sheared_layer(plan)
    viscosity = None if row is None else _viscosity(row)
    if layer is None or layer.inner is None or layer.outer is None or row is None or not viscosity or not row.speed:
        return 0.0, False
    omega = cylinders.angular_speed(abs(row.speed))
    number = cylinders.taylor_number(_density(plan), viscosity, omega, layer.inner, layer.outer)
    ratio = layer.outer / layer.inner
    return number / cylinders.critical_taylor_number(ratio), ratio <= WIDEST_JUDGED


def _density(plan: Plan) -> float:
    return _stated_density(plan) or WATER_DENSITY


def _stated_density(plan: Plan) -> float | None:
    product = plan.context.product
    return None if product is None else product.density


def _near_vortices(plan: Plan, row: KeptValue) -> Statement | None:
    part, judges = _vortices(plan, row)
    layer = _sheared_layer(plan)
    if part < NEAR_ONSET or layer is None or layer.inner is None or layer.outer is None:
        return None
    return state(
        "near_vortices",
        part=100.0 * part,
        assumed_density=None if _stated_density(plan) else WATER_DENSITY,
        radius_ratio=None if judges else layer.outer / layer.inner,
    )


def _heating(plan: Plan, row: KeptValue) -> Statement | None:
    layer, viscosity = _sheared_layer(plan), _viscosity(row)
    if layer is None or not viscosity or not row.shear_rate:
        return None
    rate = abs(row.shear_rate)
    steady = cylinders.viscous_heating_rise(viscosity, rate, layer.thickness, CONDUCTIVITY)
    # Upper bound without any heat loss, in the time sheared so far in this step.
    rise = steady if row.seconds is None else min(steady, viscosity * rate**2 * row.seconds / HEAT_CAPACITY)
    coefficient = plan.context.temperature_coefficient
    if coefficient is None:
        return state("heating", rise=rise) if rise >= REPORTED_HEATING_K else None
    change = coefficient * rise
    return state("heating_changes_value", rise=rise, change=change) if abs(change) >= REPORTED_HEATING_PERCENT else None


def _still_changing(plan: Plan, row: KeptValue, drift: Drift | None) -> Statement | None:
    if plan.claim != "at_time" or drift is None or not drift.certain:
        return None
    code = plan.context.units[plan.primary]
    least, _ = INTERVAL_SCALES.get(code, (DRIFTS, ""))
    moved = drift.per_min if code in INTERVAL_SCALES else drift.percent_per_min
    if moved is None or abs(moved) * row.span_seconds / 60.0 < least:
        return None
    return state("still_changing", rate=moved, unit=code if code in INTERVAL_SCALES else "%")


def _called_unsteady(plan: Plan, kept: Kept) -> Statement | None:
    """Return a caution where the instrument calls a value unsteady that need not be steady."""
    if "unsteady" not in kept.faults or decides(plan, "unsteady"):
        return None
    return state("called_unsteady")


def _selected(plan: Plan, facts: Facts, kept: Kept) -> Statement | None:
    """Return a caution for a value that was taken when a signal crossed a threshold."""
    if kept.at == "event":
        rule = kept.rule
        leaves = [leaf for k in plan.steps[kept.step].keep if k.event is not None for leaf in k.event.leaves()]
    else:
        ended = ended_step(facts, kept.step)
        if ended is None or kept.at != "end":
            return None
        rule, leaves = ended.rule, plan.steps[kept.step].stop.leaves()
    leaf = next((x for x in leaves if x.name == rule), None)
    if leaf is None or leaf.kind == "steady" or leaf.signal in BY_TIME or plan.claim == "time_to":
        return None
    unit = plan.context.units.get(leaf.signal, "")
    return state("selected_by_threshold", rule=rule, signal=leaf.signal, unit=unit)


def clock_cautions(clock: ClockFacts) -> Iterator[Statement]:
    """Give a caution where the clock was stepped in the run, and one where it is not synchronised."""
    if clock.largest_step is not None:
        count = len(clock.steps)
        yield state("clock_stepped", step=clock.largest_step, count=count if count > 1 else None)
    if clock.synchronised is False:
        yield state("clock_not_synchronised")
