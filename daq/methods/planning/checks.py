"""Check that method, instrument and driver fit together."""

from math import inf
from typing import Final

from daq.core.driver import Driver, Identity, interval_of
from daq.core.extent import Extent
from daq.core.linkeffects import AGREE, full_scale_of
from daq.core.plan import SLOWER, Rule, Step
from daq.core.remarks import Parameter
from daq.methods.files.fluid import Fluid
from daq.methods.files.instrument import Geometry as FittedGeometry
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.parts.statement import Statement, state
from daq.methods.parts.viscosities import OWN_VISCOSITY
from daq.methods.planning.making import Making
from daq.methods.planning.refusals import Refusals
from daq.methods.planning.signals import INTERVAL_SCALES, SPEED, TORQUE
from daq.rheology.geometry import Geometry, narrowest_gap

PARTICLES_IN_GAP: Final = 10.0
"""Smallest gap over the diameter of the largest particle (common practice of rheology handbooks, no single source)."""
FASTEST_VANE = 1.0
"""/min; common practice, no source."""


def full_scale(instrument: Instrument, driver: Driver, identity: Identity | None, refusals: Refusals) -> float | None:
    """Return the full-scale torque in µN·m, from the instrument or else from the file; refused if they disagree."""
    given = instrument.specification.torque_full_scale if instrument.specification else None
    stated = None if given is None else given.in_unit("uN.m")
    answered = None if identity is None else full_scale_of(identity)
    if answered is not None:
        if stated is not None and abs(stated - answered) > AGREE * answered:
            refusals.add(
                instrument,
                "specification.torque_full_scale",
                f"says {stated:g} uN.m, but the instrument says {answered:g} uN.m; every viscosity would be wrong by "
                "their ratio: correct the file, or check that this is the right instrument",
            )
        return answered
    needed = any(c.name == TORQUE and c.unit == "%" for c in driver.channels) and instrument.geometry is not None
    if stated is None and needed:
        refusals.add(
            instrument,
            "specification.torque_full_scale",
            "is needed, because the instrument does not report it; take it from its certificate, e.g. '1000 uN.m'",
        )
    return stated


def check_bench(making: Making) -> None:
    """Check motion, capabilities, geometry, companions, and the identity of the connected instrument."""
    method, instrument, driver = making.method, making.instrument, making.driver
    turning = [f"steps[{i}].speed" for i, s in enumerate(method.steps) if s.speed is not None]
    if method.conditioning.preshear is not None:
        turning.insert(0, "conditioning.preshear.speed")
    if turning:
        lacking = sorted({"speed", "turn", "halt"} - driver.capabilities)
        if lacking:
            making.refuse(
                turning[0],
                f"asks for a speed, but {instrument.name} ({instrument.driver}) cannot {', '.join(lacking)}; "
                "use an instrument that turns",
            )
        elif not instrument.enable_motion:
            making.refuse_bench(
                "enable_motion",
                "is false, so nothing may be turned; set it to true once guards and surroundings have been checked",
            )
        elif not any(c.name == SPEED for c in driver.channels):
            making.refuse(turning[0], f"{instrument.name} has no channel 'speed', so no speed could ever be confirmed")
    elif method.result in ("viscosity", "apparent_viscosity", "shear_rate", "stress"):
        making.refuse(
            "steps[0].speed",
            f"is missing: {method.result} needs something that turns; for another quantity name it with result = ...",
        )
    if method.conditioning.bath and "bath" not in driver.capabilities:
        making.refuse(
            "conditioning.bath",
            f"{instrument.name} ({instrument.driver}) drives no bath; set bath = false and set the bath by hand",
        )
    _check_identity(making)
    _check_geometry(making)
    _check_channels(making)
    for role, name in instrument.companions.items():
        if name not in making.companions:
            making.refusals.warn("companion_not_connected", role=role, instrument=name)


def _check_identity(making: Making) -> None:
    wanted, identity = making.instrument.expect_serial, making.identity
    if wanted is not None and identity is not None and identity.serial != wanted:
        making.refuse_bench(
            "expect_serial",
            f"is {wanted!r}, but the instrument on this port says {identity.serial!r}; check which cable is where, or "
            "correct the file after an exchange",
        )


def _check_channels(making: Making) -> None:
    """Refuse a channel with the name of a derived signal.

    An instrument's own value and the value that is computed here must have different names.
    """
    for name in {d.name for d in making.signals.derivations} & {c.name for c in making.driver.channels}:
        wanted = OWN_VISCOSITY if name == "viscosity" else f"own_{name}"
        making.refuse_bench(
            "driver",
            f"{making.instrument.driver} has a channel {name!r}, which is also computed from torque and geometry; in "
            f"the driver call the instrument's own {wanted!r}",
        )


def _check_geometry(making: Making) -> None:
    method, instrument = making.method, making.instrument
    fitted = instrument.geometry
    wanted = method.geometry
    if not wanted.names and not wanted.kinds:
        return
    if fitted is None:
        return  # `_primary` of daq.methods.planning.compile refuses it
    if wanted.names and instrument.fitted not in wanted.names:
        making.refuse_bench(
            "fitted",
            f"{instrument.fitted!r} is fitted, but method {method.id} asks for {' or '.join(wanted.names)}; "
            + _command(instrument, [name for name in wanted.names if name in instrument.geometries]),
        )
    elif wanted.kinds and fitted.kind not in wanted.kinds:
        making.refuse_bench(
            "fitted",
            f"{instrument.fitted!r} is {fitted.kind}, but method {method.id} asks for {' or '.join(wanted.kinds)}; "
            + _command(instrument, [name for name, g in instrument.geometries.items() if g.kind in wanted.kinds]),
        )


def vane_warnings(fitted: FittedGeometry | None, step: Step) -> list[Statement]:
    """Return a warning if a vane turns too fast in the step of the result."""
    if fitted is None or fitted.kind != "vane" or step.speed is None or step.speed <= FASTEST_VANE:
        return []
    return [state("vane_too_fast", step=step.name, speed=step.speed, fastest=FASTEST_VANE)]


def _command(instrument: Instrument, fitting: list[str]) -> str:
    """Return what to do where another geometry is needed; `fitting` are the instrument's geometries that serve."""
    if not fitting:
        return "use another instrument"
    return f"fit it and record it (daq fit {instrument.name} {fitting[0]}), or use another instrument"


def check_claim(making: Making, steps: tuple[Step, ...], primary: str) -> None:
    """Check that the step of the result keeps the values that the claim needs."""
    method = making.method
    i = method.result_index
    step, key = steps[i], f"steps[{i}]"
    keeps = method.steps[i].keep
    if step.seek is not None:
        return  # a seek keeps its value itself
    if not keeps:
        making.refuse(
            f"{key}.keep",
            f"is missing: step {step.name!r} makes the result and keeps nothing; add [[steps.keep]] with at = 'end'",
        )
        return
    if method.claim in ("at_time", "equilibrium") and not any(k.at == "end" for k in keeps):
        making.refuse(f"{key}.keep", f"the claim {method.claim} is the value at the end; add a keep with at = 'end'")
    if method.claim == "peak" and not any(k.at == "every" or k.statistic == "max" for k in keeps):
        making.refuse(
            f"{key}.keep",
            "the claim peak needs values along the step: add a keep with at = 'every', or one with statistic = 'max'",
        )
    if method.claim == "peak" and not any(k.at == "every" for k in keeps):
        making.refusals.warn("peak_not_followed", step=step.name)
        _check_greatest(making, step, key)
    fitted = making.instrument.geometry
    making.refusals.warnings += vane_warnings(fitted, step)
    if method.claim == "time_to" and not any(k.at == "event" for k in keeps):
        making.refuse(f"{key}.keep", "the claim time_to needs the event: add a keep with at = 'event' and event = ...")
    if method.claim == "equilibrium":
        steady = [r for r in step.stop.leaves() if r.kind == "steady"]
        if not any(r.signal == primary for r in steady):
            making.refuse(
                f"{key}.stop",
                f"the claim equilibrium must be shown: add a steady rule on {method.result}, for example {{ signal = "
                f"'{method.result}', steady = {{ span = '30 s', limit = {_limit_example(making, primary)} }} }}",
            )
    for j, keep in enumerate(keeps):
        if keep.at == "end" and keep.statistic in ("sd", "slope") and method.claim in ("at_time", "equilibrium"):
            making.refuse(
                f"{key}.keep[{j}].statistic",
                f"{keep.statistic} is not a value of {method.result}; keep the mean: deviation and slope come with it",
            )


def _check_greatest(making: Making, step: Step, key: str) -> None:
    """Refuse a greatest reading that begins after the step has settled, however the step ends.

    Nothing would be kept before it, so that each result would be `peak_not_covered`.
    """
    shortest = _shortest(step.stop) - _longest(step.settle, step.speed) - 2 * interval_of(making.driver)
    for j, keep in enumerate(step.keep):
        if keep.at == "end" and keep.statistic == "max" and _longest(keep.span, step.speed) < shortest:
            making.refuse(
                f"{key}.keep[{j}].span",
                f"is shorter than step {step.name!r}, so a peak before it would not be seen; make it as long as the "
                "step, or add a keep with at = 'every'",
            )


def _shortest(rule: Rule) -> float:
    """Return the time (ns) that a step lasts at least under a stop rule."""
    if rule.rules:
        return (min if rule.kind == "any" else max)(_shortest(r) for r in rule.rules)
    return 1e9 * rule.low if rule.kind == "above" and rule.signal == "elapsed" else float(rule.after.ns + rule.hold.ns)


def _longest(extent: Extent, speed: float | None) -> float:
    """Return the time (ns) that a part of a step lasts at most; infinity for a number of readings."""
    if extent.revolutions:
        return SLOWER * extent.revolutions / abs(speed) * 60e9 if speed else inf
    return inf if extent.readings else float(extent.ns)


def _limit_example(making: Making, primary: str) -> str:
    _, example = INTERVAL_SCALES.get(making.signals.units.get(primary, ""), (0.0, "'1 %'"))
    return example


def check_verification(making: Making, primary: str, fluid: Fluid | None, today: str | None) -> None:
    """Check that a verification has a valid certificate; `today` (``YYYY-MM-DD``) is None if no run is to start."""
    verification = making.method.verification
    if making.method.control:
        _check_control(making, primary, fluid, today)
        return
    if verification is not None and primary not in ("viscosity", "apparent_viscosity"):
        making.refuse("verification", f"compares viscosities with a certificate; the result is {primary}")
    if today is None:
        return
    if verification is not None and (fluid is None or not fluid.values):
        making.refuse("verification", "needs the certified fluid: name it with --fluid")
        return
    if fluid is None or not today or today <= fluid.expires:
        return
    held: dict[str, Parameter] = {"certificate": fluid.certificate or "", "lot": fluid.lot, "expires": fluid.expires}
    if verification is None:
        making.refusals.warn("certificate_expired", fluid=fluid.name, **held)
    else:
        making.refusals.add(
            fluid,
            "expires",
            f"the certificate {fluid.certificate} of lot {fluid.lot} held until {fluid.expires}, today is {today}; "
            "take a fluid whose certificate holds",
        )


def _check_control(making: Making, primary: str, fluid: Fluid | None, today: str | None) -> None:
    """Check that a control measures a viscosity of a fluid that still holds; arguments as in `check_verification`."""
    if primary not in ("viscosity", "apparent_viscosity"):
        making.refuse("control", f"compares viscosities with control limits; the result is {primary}")
    if today is None:
        return
    if fluid is None:
        making.refuse("control", "needs the control fluid: name it with --fluid")
    elif today > fluid.expires:
        making.refusals.add(
            fluid, "expires", f"lot {fluid.lot} held until {fluid.expires}, today is {today}; take a fluid that holds"
        )


def shows_steadiness(rule: Rule, ended_by: str, signal: str) -> bool:
    """Return True if `signal` was certainly steady when `rule` was met by the leaf with the name `ended_by`."""
    if rule.kind == "steady":
        return rule.signal == signal
    if rule.kind == "all":
        return any(shows_steadiness(r, ended_by, signal) for r in rule.rules if r.kind in ("steady", "all")) or any(
            shows_steadiness(r, ended_by, signal) for r in rule.rules if _holds(r, ended_by)
        )
    if rule.kind == "any":
        return any(shows_steadiness(r, ended_by, signal) for r in rule.rules if _holds(r, ended_by))
    return False


def _holds(rule: Rule, name: str) -> bool:
    return any(leaf.name == name for leaf in rule.leaves())


def check_particles(making: Making, product: Product | None) -> None:
    """Warn of a gap that is too narrow for the product's largest particles."""
    fitted = making.instrument.fitted
    if making.geometry is not None and product is not None and fitted is not None:
        making.refusals.warnings += gap_warnings(fitted, making.geometry, product)


def gap_warnings(fitted: str, geometry: Geometry, product: Product) -> list[Statement]:
    """Return a warning if the gap of the geometry `fitted` is too narrow for the product's largest particles."""
    gap = narrowest_gap(geometry)
    if product.largest_particle is None or gap is None:
        return []
    width = 1000.0 * gap
    # A part in a billion: a gap of exactly ten particles is wide enough, although it is a difference of two radii.
    if width * (1.0 + 1e-9) >= PARTICLES_IN_GAP * product.largest_particle:
        return []
    return [
        state(
            "gap_narrow_for_particles",
            geometry=fitted,
            gap=width,
            particle=product.largest_particle,
            times=PARTICLES_IN_GAP,
            needed=PARTICLES_IN_GAP * product.largest_particle,
        )
    ]
