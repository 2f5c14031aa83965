"""Compile method, instrument and measuring geometry to a plan, or give every reason why that is not possible."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from daq.core.context import (
    Context,
    ControlLimits,
    CorrectionCurve,
    OverdueCalibration,
    RequiredControl,
    Standing,
    StatedLimits,
    VerificationAsked,
)
from daq.core.driver import Driver, Identity
from daq.core.errors import SettingError
from daq.core.plan import Conditioning, LinkPlan, Plan
from daq.core.units import as_written
from daq.methods.files.digest import digest
from daq.methods.files.fluid import Fluid
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.files.recipe import Method
from daq.methods.parts.statement import Statement
from daq.methods.planning.checks import check_bench, check_claim, check_particles, check_verification, full_scale
from daq.methods.planning.choosing import Chosen, method_words
from daq.methods.planning.curvechecks import check_flow_curve, check_settling
from daq.methods.planning.geometries import constants_of, described, flow_geometry
from daq.methods.planning.making import Companion, Making
from daq.methods.planning.refusals import Refusals
from daq.methods.planning.seekplan import torque_band
from daq.methods.planning.signals import SPEED, TORQUE, signals_of
from daq.methods.planning.stepping import compile_steps
from daq.methods.planning.temperaturecurve import described_curve

VISCOUS: Final = ("viscosity", "apparent_viscosity")
"""Names of a viscosity; which of them a geometry gives depends on its kind."""


@dataclass(frozen=True, slots=True)
class FixedControlLimits:
    """Limits of a control chart that a person fixed, and the method (`method_words`) whose values they hold for."""

    method: str
    limits: ControlLimits | None
    """None where they were fixed for a measuring geometry with another serial number."""


@dataclass(frozen=True, slots=True)
class InstrumentHistory:
    """Earlier verifications and results of the lead instrument, as they are at the start of a run."""

    today: str = ""
    """Day (UTC) on which the run starts, ``YYYY-MM-DD``."""
    standing: Standing | None = None
    """Status of its verifications."""
    condition: Literal["as_found", "as_left"] = "as_found"
    """Condition of the instrument, if the run is a verification."""
    results_since_pass: tuple[str, ...] = ()
    """For a verification: ids of the results since the last pass."""
    overdue: tuple[OverdueCalibration, ...] = ()
    """Equipment of the run whose calibration is overdue."""
    cautions: tuple[Statement, ...] = ()
    """Warnings that follow from the records of the equipment."""
    last_torque_at_rest: float | None = None
    """Torque at rest (% of full scale) before the motor turned in the previous run."""
    control: RequiredControl | None = None
    """The control of the shift, where the file of the instrument requires one."""
    control_limits: FixedControlLimits | None = None
    """For a control: the limits that a person fixed for its chart."""


def compile_plan(
    method: Method,
    instrument: Instrument,
    driver: Driver,
    *,
    identity: Identity | None = None,
    product: Product | None = None,
    companions: Sequence[Companion | tuple[Instrument, Driver]] = (),
    fluid: Fluid | None = None,
    choices: Mapping[str, Any] | None = None,
    history: InstrumentHistory | None = None,
) -> Plan:
    """Return the plan with everything that the core needs to run `method` on `instrument`.

    Args:
        method: the recipe.
        instrument: the lead instrument, with the fitted geometry.
        driver: its driver.
        identity: identity that the instrument answered; gives the full-scale torque if the file does not.
        product: gives the display unit, limits, flow behaviour index and temperature coefficient.
        companions: further instruments with their drivers (and identities).
        fluid: the certificate, if the sample is a reference fluid.
        history: what is known of the instrument from before; None where it is only checked whether the run is possible.
        choices: values that a person set for the method's choices, as numbers or text with a unit.

    Raises:
        SettingErrors: every reason why the method cannot be run, each with file, key and what to do.
    """
    making = _made(
        method,
        instrument,
        driver,
        identity=identity,
        companions=companions,
        choices=choices or {},
        product=product,
    )
    primary = _primary(making)
    conditioning = _conditioning(making)
    check_bench(making)
    steps = compile_steps(making, None if product is None else product.flow_behaviour_index)
    check_claim(making, steps, primary)
    check_verification(making, primary, fluid, None if history is None else history.today)
    check_settling(making, steps, None if product is None else product.flow_behaviour_index)
    check_particles(making, product)
    curve = check_flow_curve(making, steps)
    temperature = _temperature_curve(making, product)
    turns = any(s.speed is not None for s in steps) or conditioning.preshear_speed is not None
    making.refusals.settle()
    signals = making.signals
    return Plan(
        method=method.id,
        version=method.version,
        digest=digest(method),
        links=(
            _link(instrument, driver, "lead", identity),
            *(_link(c.instrument, c.driver, "companion", c.identity) for c in making.companions.values()),
        ),
        derivations=signals.derivations,
        conditioning=conditioning,
        steps=steps,
        primary=primary,
        claim=method.claim,
        band=torque_band(making),
        speed_signal=SPEED if turns and SPEED in signals.units else "",
        moves=turns or conditioning.bath is not None,
        speed_tolerance=method.speed_tolerance / 100.0,
        speed_timeout_ns=method.speed_timeout,
        context=replace(
            _context(making, product, fluid, history or InstrumentHistory(), conditioning),
            flow_curve=curve,
            temperature_curve=temperature,
        ),
    )


def _made(
    method: Method,
    instrument: Instrument,
    driver: Driver,
    *,
    identity: Identity | None,
    companions: Sequence[Companion | tuple[Instrument, Driver]],
    choices: Mapping[str, Any],
    product: Product | None,
) -> Making:
    refusals = Refusals()
    others = {c.instrument.name: c for c in (Companion(*c) for c in companions)}
    scale = full_scale(instrument, driver, identity, refusals)
    fitted = instrument.geometry
    geometry = None if fitted is None else flow_geometry(fitted, scale)
    unit = product.unit_code if product is not None and product.unit_code in ("mPa.s", "Pa.s") else "mPa.s"
    return Making(
        method=method,
        instrument=instrument,
        driver=driver,
        identity=identity,
        companions=others,
        chosen=Chosen.of(method, choices, refusals),
        full_scale_unm=scale,
        geometry=geometry,
        signals=signals_of(
            driver,
            {name: c.driver for name, c in others.items()},
            roles=instrument.companions,
            geometry=geometry,
            full_scale_unm=scale,
            viscosity_unit=unit,
            vessel=instrument.density_vessel,
        ),
        refusals=refusals,
    )


def _primary(making: Making) -> str:
    """Return the name of the signal that gives the result."""
    wanted, instrument, signals = making.method.result, making.instrument, making.signals
    found = signals.resolve(wanted)
    if found is not None and "." not in found:
        return found
    viscous = wanted in VISCOUS
    if viscous and TORQUE in signals.units and instrument.fitted is None:
        making.refuse_bench(
            "fitted",
            "no geometry is fitted, so torque cannot become a viscosity; record the fitted one: "
            f"daq fit {instrument.name} {next(iter(instrument.geometries), 'GEOMETRY')}",
        )
    elif viscous and making.full_scale_unm is None and instrument.geometry is not None:
        pass  # `full_scale` refuses it
    elif viscous and instrument.geometry is not None:
        making.refuse_bench(
            "fitted",
            f"{wanted} cannot be computed from {instrument.driver} with {instrument.geometry.kind}; "
            f"signals: {signals.known}",
        )
    elif found is not None:
        making.refuse("result", f"{wanted!r} belongs to a companion; the result comes from the lead instrument")
    else:
        making.refuse("result", f"there is no signal {wanted!r} on {instrument.name}; signals: {signals.known}")
    return wanted


def _link(instrument: Instrument, driver: Driver, role: str, identity: Identity | None) -> LinkPlan:
    return LinkPlan(
        name=instrument.name,
        role="lead" if role == "lead" else "companion",
        driver=instrument.driver,
        options=dict(driver.options),
        driver_digest=driver.digest(),
        channels=tuple(c.name for c in driver.channels),
        units=tuple(c.unit for c in driver.channels),
        identity=identity,
    )


def _conditioning(making: Making) -> Conditioning:
    c, signals, chosen = making.method.conditioning, making.signals, making.chosen
    gate, shear = c.temperature, c.preshear
    signal, target = "", 0.0
    if gate is not None:
        key = "conditioning.temperature"
        target = chosen.value(gate.target, "Cel", f"{key}.target")
        found = signals.resolve(gate.signal)
        if found is None:
            making.refuse(f"{key}.signal", making.unknown(gate.signal))
        elif signals.units[found] != "Cel":
            making.refuse(f"{key}.signal", f"{gate.signal} is in {signals.units[found]}, not a temperature")
        signal = found or ""
    return Conditioning(
        bath=target if c.bath and gate is not None else None,
        signal=signal,
        low=as_written(target - gate.band) if gate is not None else 0.0,
        high=as_written(target + gate.band) if gate is not None else 0.0,
        hold_ns=gate.hold if gate is not None else 0,
        longest_ns=gate.longest if gate is not None else 0,
        soak_ns=c.soak,
        preshear_speed=chosen.speed(shear.speed, "conditioning.preshear.speed", making.instrument) if shear else None,
        preshear_ns=shear.time if shear else 0,
        rest_ns=c.rest,
    )


def _context(
    making: Making, product: Product | None, fluid: Fluid | None, history: InstrumentHistory, conditioning: Conditioning
) -> Context:
    """Return the context without the two curves; `daq.methods.concluding.conclude` reads it."""
    method, instrument, identity = making.method, making.instrument, making.identity
    chosen, geometry, scale = making.chosen, making.geometry, making.full_scale_unm
    fitted, vessel, specification = instrument.geometry, instrument.density_vessel, instrument.specification
    others = constants_of(instrument.geometries, scale)
    return Context(
        title=method.title,
        serial=identity.serial if identity is not None else instrument.expect_serial,
        simulated=instrument.simulated,
        result_step=method.result_index,
        time_from=method.time_from,
        units=dict(making.signals.units),
        choices=chosen.shown(),
        choices_changed=chosen.changed(),
        allowed_speeds=chosen.allowed_speeds(method.steps[method.result_index].speed),
        highest_speed=instrument.limits.speed,
        geometry=described(instrument.fitted, fitted, geometry)
        if instrument.fitted is not None and fitted is not None and geometry is not None
        else None,
        other_geometries={n: k for n, k in others.items() if n != instrument.fitted},
        full_scale_unm=scale,
        density_vessel=None if vessel is None else vessel.planned(),
        specification=StatedLimits() if specification is None else specification.planned(),
        temperature_limit=_temperature_limit(making, conditioning.signal),
        product=None if product is None else product.planned(),
        fluid=None if fluid is None else fluid.certified(),
        verification=_verification(making, fluid, history, conditioning),
        standing=history.standing,
        control=history.control,
        overdue=history.overdue,
        free_swing=bool(method.free_swing),
        interval_required=bool(method.interval_required),
        last_torque_at_rest=history.last_torque_at_rest,
        warnings=tuple(w.written() for w in (*making.refusals.warnings, *history.cautions)),
    )


def _verification(
    making: Making, fluid: Fluid | None, history: InstrumentHistory, conditioning: Conditioning
) -> VerificationAsked | None:
    """Return the verification or the control that the run makes; None for any other run."""
    asked = making.method.verification
    if not making.method.is_check:
        return None
    if asked is None:
        return VerificationAsked(
            levels=1,
            full_scale=0.0,
            condition=history.condition,
            results_since_pass=history.results_since_pass,
            kind="control",
            control=_control_limits(making, fluid, history.control_limits, conditioning),
        )
    return VerificationAsked(
        levels=asked.levels,
        full_scale=asked.full_scale,
        condition=history.condition,
        results_since_pass=history.results_since_pass,
    )


def _control_limits(
    making: Making, fluid: Fluid | None, fixed: FixedControlLimits | None, conditioning: Conditioning
) -> ControlLimits | None:
    """Return the limits of a control: those fixed for this method and geometry; from the fluid's file where none are.

    None means that there are no limits.
    """
    unit = next((making.signals.units[name] for name in VISCOUS if name in making.signals.units), "")
    if fixed is not None:
        fitted = making.instrument.geometry
        vessel = "" if fitted is None else fitted.vessel or ""
        words = method_words(making.method.id, making.method.version, making.chosen.shown(), vessel)
        # Limits of another method or serial number hold for other values, and those of the file came before them:
        # neither applies.
        own = fixed.limits
        return own if own is not None and (fixed.method, own.unit) == (words, unit) else None
    if fluid is None or not conditioning.signal or not unit:
        return None
    assigned = fluid.assigned_within(conditioning.low, conditioning.high, making.instrument.fitted or "")
    return None if assigned is None else assigned.limits(unit)


def _temperature_curve(making: Making, product: Product | None) -> CorrectionCurve | None:
    """Return the product's temperature curve, or None; a curve that cannot be fitted goes to the refusals."""
    if product is None or product.temperature_curve is None:
        return None
    try:
        return described_curve(product.temperature_curve)
    except SettingError as error:
        making.refusals.add(product, error.key, error.reason)
        return None


def _temperature_limit(making: Making, signal: str) -> float | None:
    """Return the limit (K) of the run's temperature, from the specification of the instrument that measures it."""
    link, _, _ = signal.rpartition(".")
    measures = making.companions[link].instrument if link in making.companions else making.instrument
    given = measures.specification
    return None if given is None else given.temperature
