"""The plan of a run under a corrected declaration: another product, measuring geometry or reference fluid.

Steps, rules, bands and conditions stay as they were, because the run was made with them.  Derivations, and the parts
that `daq.methods.concluding` reads, become those of the corrected declaration.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from daq.core.context import OverdueCalibration, ProductOfPlan, RequiredControl, Standing
from daq.core.errors import SettingError, coded
from daq.core.plan import Derivation, Plan
from daq.core.units import UNITS
from daq.methods.files.fluid import Fluid
from daq.methods.files.instrument import Geometry
from daq.methods.files.product import Product
from daq.methods.parts.statement import Statement
from daq.methods.planning.checks import gap_warnings, vane_warnings
from daq.methods.planning.compile import VISCOUS
from daq.methods.planning.geometries import constants_of, described, flow_geometry
from daq.methods.planning.signals import derived
from daq.methods.planning.temperaturecurve import described_curve

FROM_TORQUE: Final = ("torque_abs", "stress", "shear_rate", *VISCOUS)
"""Quantities that are derived from torque and speed."""
OF_GEOMETRY: Final = FROM_TORQUE[1:]
"""Those of them that depend on the measuring geometry."""
_WARNINGS: Final = ("gap_narrow_for_particles", "vane_too_fast")
"""Warnings of a plan that depend on product and geometry; all others stay."""


@dataclass(frozen=True, slots=True)
class Redeclared:
    """A corrected declaration, as far as a plan depends on it.

    Attributes:
        changed: which of ``product``, ``geometry`` and ``fluid`` are corrected; all others stay as in the plan.
        product: the product as its file describes it; None without one.
        geometry: name of the fitted geometry; "" without one.
        geometries: geometries of the instrument's file, by name.
        standing: status of the instrument's verifications at the start of the run, with the corrected geometry.
        control: required control of the shift at that time, with the corrected geometry.
        overdue: overdue calibrations of the run's equipment at that time.
        fluid: the reference fluid; None without one.
        day: day (UTC, YYYY-MM-DD) on which the run started; "" where it is not known.
    """

    changed: frozenset[str]
    product: Product | None = None
    geometry: str = ""
    geometries: Mapping[str, Geometry] = field(default_factory=dict)
    standing: Standing | None = None
    control: RequiredControl | None = None
    overdue: tuple[OverdueCalibration, ...] = ()
    fluid: Fluid | None = None
    day: str = ""


def redeclared(plan: Plan, new: Redeclared) -> Plan:
    """Return the plan of a run under a corrected declaration.

    Raises:
        SettingError: the value of the run cannot be computed from its readings under this declaration.
    """
    if "geometry" in new.changed:
        plan = _with_geometry(plan, new)
    if "product" in new.changed:
        plan = _with_product(plan, new.product)
    if "fluid" in new.changed:
        _refuse_fluid(plan, new)
        fluid = None if new.fluid is None else new.fluid.certified()
        plan = replace(plan, context=replace(plan.context, fluid=fluid))
    if new.changed & {"geometry", "product"}:
        kept = tuple(w for w in plan.context.warnings if w.code not in _WARNINGS)
        warnings = tuple(w.written() for w in _warnings(plan, new))
        plan = replace(plan, context=replace(plan.context, warnings=(*kept, *warnings)))
    return plan


def _refuse_fluid(plan: Plan, new: Redeclared) -> None:
    """Refuse a fluid with which the run would not have started: a verification needs a certificate that holds."""
    asked, fluid = plan.context.verification, new.fluid
    if asked is None:
        return
    if fluid is None or not fluid.values:
        name = "no fluid" if fluid is None else f"{fluid.id}, which has no certified values ([[values]])"
        failed = SettingError(
            f"a verification is judged with a certified fluid, not with {name}; annul the run where the right fluid "
            "has no certificate",
            file="" if fluid is None else fluid.source,
            key="fluid",
        )
        raise coded(
            failed,
            "fluid_not_certified",
            fluid=name,
        )
    if new.day > fluid.expires:
        error = SettingError(
            f"the certificate {fluid.certificate} of lot {fluid.lot} held until {fluid.expires}, the run started on "
            f"{new.day}; annul the run",
            file=fluid.source,
            key="expires",
        )
        raise coded(
            error,
            "certificate_expired",
            fluid=str(fluid.certificate),
            until=str(fluid.expires),
            day=str(new.day),
        )


def _with_geometry(plan: Plan, new: Redeclared) -> Plan:
    given, context = new.geometries.get(new.geometry), plan.context
    if given is None:
        known = ", ".join(new.geometries) or "none"
        raise coded(
            SettingError(f"no geometry has the name {new.geometry!r}; geometries of this instrument: {known}"),
            "unknown_name",
            what="geometry",
            name=new.geometry,
        )
    constants = flow_geometry(given, context.full_scale_unm)
    if constants is None:
        raise coded(
            SettingError(f"{new.geometry} needs the full-scale torque of the instrument, which the run does not know"),
            "full_scale_unknown",
            geometry=new.geometry,
        )
    _refuse_conditions(plan)
    channels = dict(zip(plan.lead.channels, plan.lead.units, strict=True))
    unit = next((d.unit for d in plan.derivations if d.name in VISCOUS), _unit_of(context.product))
    made = derived(channels, constants, context.full_scale_unm, unit)
    derivations = made + tuple(d for d in plan.derivations if d.name not in FROM_TORQUE)
    names = [d.name for d in made]
    primary = plan.primary
    if primary in VISCOUS:
        primary = next((n for n in VISCOUS if n in names), "")
    if primary not in names and (not primary or plan.primary in FROM_TORQUE):
        raise coded(
            SettingError(f"{plan.primary.replace('_', ' ')} cannot be computed with {new.geometry} ({given.kind})"),
            "not_computed_with",
            geometry=new.geometry,
        )
    others = constants_of(new.geometries, context.full_scale_unm)
    return replace(
        plan,
        derivations=derivations,
        primary=primary,
        context=replace(
            context,
            geometry=described(new.geometry, given, constants),
            other_geometries={name: k for name, k in others.items() if name != new.geometry},
            units=_units(context.units, derivations),
            standing=new.standing,
            control=new.control,
            overdue=new.overdue,
        ),
    )


def _units(units: Mapping[str, str], derivations: tuple[Derivation, ...]) -> dict[str, str]:
    return {k: v for k, v in units.items() if k not in FROM_TORQUE} | {d.name: d.unit for d in derivations}


def _refuse_conditions(plan: Plan) -> None:
    """Refuse a run whose value depends on a condition that was tested with the wrong constants."""
    step = plan.steps[plan.context.result_step]
    tested: list[str] = []
    if plan.claim == "time_to":
        events = (k.event for k in step.keep if k.event is not None)
        tested += [leaf.signal for event in events for leaf in event.leaves()]
    elif plan.claim == "equilibrium":
        tested += [leaf.signal for leaf in step.stop.leaves() if leaf.kind == "steady" and not leaf.relative]
    wrong = next((signal for signal in tested if signal in OF_GEOMETRY), None)
    if wrong is not None:
        error = SettingError(
            f"the method tests {wrong.replace('_', ' ')} against a limit of its own, which was done with the "
            "constants of the other geometry; annul the run and measure again"
        )
        raise coded(
            error,
            "limit_with_constants",
        )


def _with_product(plan: Plan, product: Product | None) -> Plan:
    context = replace(
        plan.context,
        product=None if product is None else product.planned(),
        temperature_curve=None
        if product is None or product.temperature_curve is None
        else described_curve(product.temperature_curve),
    )
    # A value is published in the unit of its product.  A time until an event stays in seconds, and its event was
    # tested in the unit of the run.
    unit = _unit_of(context.product)
    if plan.claim == "time_to":
        return replace(plan, context=context)
    derivations = tuple(_in_unit(d, unit) if d.name in VISCOUS else d for d in plan.derivations)
    units = context.units | {d.name: d.unit for d in derivations}
    return replace(plan, derivations=derivations, context=replace(context, units=units))


def _unit_of(product: ProductOfPlan | None) -> str:
    """Return the unit (UCUM) of a viscosity of the product."""
    return product.unit if product is not None and product.unit in ("mPa.s", "Pa.s") else "mPa.s"


def _in_unit(d: Derivation, unit: str) -> Derivation:
    return d if d.unit == unit else replace(d, unit=unit, a=d.a * UNITS[d.unit].factor / UNITS[unit].factor)


def _warnings(plan: Plan, new: Redeclared) -> list[Statement]:
    given = new.geometries.get(plan.context.geometry_name or "")
    if given is None:
        return []
    constants = flow_geometry(given, plan.context.full_scale_unm)
    out = vane_warnings(given, plan.steps[plan.context.result_step])
    if constants is not None and new.product is not None:
        out += gap_warnings(plan.context.geometry_name or "", constants, new.product)
    return out
