"""Method, instrument and geometry to a plan, or every reason why not."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from daq.core.driver import Driver, Identity
from daq.core.plan import Conditioning, LinkPlan, Plan, TorqueBand
from daq.core.units import convert
from daq.methods.bodies import constants_of, described, flow_geometry
from daq.methods.checks import check_bench, check_claim, full_scale
from daq.methods.choosing import Chosen
from daq.methods.digest import digest
from daq.methods.fluid import Fluid
from daq.methods.instrument import Instrument
from daq.methods.product import Product
from daq.methods.recipe import Method
from daq.methods.refusals import Refusals
from daq.methods.signals import SPEED, TORQUE, Signals, signals_of
from daq.methods.stepping import compile_steps
from daq.rheology.geometry import Geometry


class Companion(NamedTuple):
    """One more instrument on the same time axis."""

    instrument: Instrument
    driver: Driver
    identity: Identity | None = None


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
) -> Plan:
    """Everything the core needs to run `method` on `instrument`.

    Args:
        method: the recipe.
        instrument: the lead instrument, with the geometry that is mounted.
        driver: its driver.
        identity: what the instrument said of itself; gives the full-scale torque where the file does not.
        product: gives the display unit, limits, flow index and temperature coefficient.
        companions: further instruments with their drivers (and identities).
        fluid: the certificate, where the sample is a reference fluid.
        choices: values a person set for the method's choices, as numbers or text with a unit.

    Raises:
        SettingErrors: every reason why this cannot be run, each with file, key and what to do.
    """
    refusals = Refusals()
    others = {c.instrument.name: c for c in (Companion(*c) for c in companions)}
    chosen = Chosen.of(method, choices or {}, refusals)
    scale = full_scale(instrument, driver, identity, refusals)
    body = instrument.geometry
    geometry = None if body is None else flow_geometry(body, scale)
    if body is not None and geometry is None:
        refusals.add(
            instrument,
            "specification.torque_full_scale",
            "is needed for calibrated constants and the instrument does not tell it; take it from its certificate",
        )
    unit = product.unit_code if product is not None and product.unit_code in ("mPa.s", "Pa.s") else "mPa.s"
    drivers = {name: c.driver for name, c in others.items()}
    signals = signals_of(driver, drivers, instrument.companions, geometry, scale, unit)
    check_bench(method, instrument, driver, others, refusals)
    primary = _primary(method, instrument, signals, refusals)
    conditioning = _conditioning(method, signals, chosen, others, instrument, refusals)
    steps = compile_steps(method, signals, chosen, instrument, refusals)
    check_claim(method, steps, primary, refusals)
    turns = any(s.speed is not None for s in steps) or conditioning.preshear_speed is not None
    refusals.settle()
    return Plan(
        method=method.id,
        version=method.version,
        digest=digest(method),
        links=(
            _link(instrument, driver, "lead", identity),
            *(_link(c.instrument, c.driver, "companion", c.identity) for c in others.values()),
        ),
        derivations=signals.derivations,
        conditioning=conditioning,
        steps=steps,
        primary=primary,
        claim=method.claim,
        band=_band(method, instrument, driver, signals, scale),
        speed_signal=SPEED if turns and SPEED in signals.units else "",
        moves=turns or conditioning.bath is not None,
        speed_tolerance=method.speed_tolerance / 100.0,
        speed_timeout_ns=method.speed_timeout,
        context=_context(method, instrument, identity, product, fluid, chosen, signals, geometry, scale, refusals),
    )


def _primary(method: Method, instrument: Instrument, signals: Signals, refusals: Refusals) -> str:
    found = signals.resolve(method.result)
    if found is not None and "." not in found:
        return found
    if method.result in ("viscosity", "apparent_viscosity") and TORQUE in signals.units and instrument.mounted is None:
        refusals.add(
            instrument,
            "mounted",
            "no geometry is mounted, so torque cannot become a viscosity; name the mounted one, for example "
            'mounted = "cylinder-9"',
        )
    elif method.result in ("viscosity", "apparent_viscosity") and instrument.geometry is not None:
        refusals.add(
            instrument,
            "mounted",
            f"{method.result} cannot be computed from {instrument.driver} with {instrument.geometry.kind}; "
            f"signals: {signals.known}",
        )
    else:
        refusals.add(
            method, "result", f"there is no signal {method.result!r} on {instrument.name}; signals: {signals.known}"
        )
    return method.result


def _link(instrument: Instrument, driver: Driver, role: str, identity: Identity | None) -> LinkPlan:
    told: dict[str, Any] = {}
    if identity is not None:
        told = {
            "kind": identity.kind,
            "serial": identity.serial,
            "firmware": identity.firmware,
            "facts": dict(identity.facts),
        }
    return LinkPlan(
        name=instrument.name,
        role="lead" if role == "lead" else "companion",
        driver=instrument.driver,
        options=dict(instrument.options),
        driver_digest=driver.digest(),
        channels=tuple(c.name for c in driver.channels),
        units=tuple(c.unit for c in driver.channels),
        identity=told,
    )


def _conditioning(
    method: Method,
    signals: Signals,
    chosen: Chosen,
    others: Mapping[str, Companion],
    instrument: Instrument,
    refusals: Refusals,
) -> Conditioning:
    c = method.conditioning
    gate, shear = c.temperature, c.preshear
    signal, target = "", 0.0
    if gate is not None:
        key = "conditioning.temperature"
        target = chosen.value(gate.target, "Cel", f"{key}.target")
        found = signals.resolve(gate.signal)
        link, dot, _ = gate.signal.partition(".")
        if found is None and dot and instrument.companions.get(link, link) not in others:
            refusals.add(
                method,
                f"{key}.signal",
                f"needs the companion {link!r}, which {instrument.name} does not have; add it under [companions] "
                "of the instrument's file and connect it, or use the method's version without it",
            )
        elif found is None:
            refusals.add(
                method, f"{key}.signal", f"there is no signal {gate.signal!r} on this bench; signals: {signals.known}"
            )
        elif signals.units[found] != "Cel":
            refusals.add(method, f"{key}.signal", f"{gate.signal} is in {signals.units[found]}, not a temperature")
        signal = found or ""
    return Conditioning(
        bath=target if c.bath and gate is not None else None,
        signal=signal,
        low=target - gate.band if gate is not None else 0.0,
        high=target + gate.band if gate is not None else 0.0,
        hold_ns=gate.hold if gate is not None else 0,
        longest_ns=gate.longest if gate is not None else 0,
        soak_ns=c.soak,
        preshear_speed=chosen.speed(shear.speed, "conditioning.preshear.speed", instrument) if shear else None,
        preshear_ns=shear.time if shear else 0,
        rest_ns=c.rest,
    )


def _band(
    method: Method, instrument: Instrument, driver: Driver, signals: Signals, scale: float | None
) -> TorqueBand | None:
    channel = next((c for c in driver.channels if c.name == TORQUE), None)
    if channel is None or (channel.unit != "%" and scale is None):
        return None
    per_cent = 1.0 if channel.unit == "%" else convert((scale or 0.0) / 100.0, "uN.m", channel.unit)
    limit = channel.high if instrument.limits.torque is None else instrument.limits.torque * per_cent
    return TorqueBand(
        TORQUE, signals.units[TORQUE], method.torque.low * per_cent, method.torque.high * per_cent, limit
    )


def _context(
    method: Method,
    instrument: Instrument,
    identity: Identity | None,
    product: Product | None,
    fluid: Fluid | None,
    chosen: Chosen,
    signals: Signals,
    geometry: Geometry | None,
    scale: float | None,
    refusals: Refusals,
) -> dict[str, Any]:
    """Plain JSON values; `daq.methods.conclude` reads them."""
    gate = method.conditioning.temperature
    body = instrument.geometry
    described_body = (
        described(instrument.mounted, body, geometry)
        if instrument.mounted is not None and body is not None and geometry is not None
        else None
    )
    return {
        "title": method.title,
        "instrument": instrument.name,
        "serial": identity.serial if identity is not None else instrument.expect_serial,
        "simulated": instrument.simulated,
        "result_step": method.result_index,
        "units": dict(signals.units),
        "choices": chosen.shown(),
        "allowed_speeds": chosen.allowed_speeds(method.steps[method.result_index].speed),
        "highest_speed": instrument.limits.speed,
        "temperature": None
        if gate is None
        else {
            "signal": signals.resolve(gate.signal),
            "target": chosen.value(gate.target, "Cel", "conditioning.temperature.target"),
            "band": gate.band,
        },
        "geometry": described_body,
        "other_geometries": {
            n: k for n, k in constants_of(instrument.geometries, scale).items() if n != instrument.mounted
        },
        "full_scale_uN_m": scale,
        "specification": None if instrument.specification is None else instrument.specification.model_dump(mode="json"),
        "product": None if product is None else _product(product),
        "fluid": None if fluid is None else fluid.model_dump(mode="json"),
        "warnings": list(refusals.warnings),
    }


def _product(product: Product) -> dict[str, Any]:
    """The product as plain values, its limits in UCUM units."""
    out = product.model_dump(mode="json", exclude={"limits"})
    out["unit"] = product.unit_code
    out["limits"] = [
        {
            **limit.model_dump(mode="json"),
            "unit": limit.unit_code,
            "low": None if limit.low is None else limit.in_code(limit.low),
            "high": None if limit.high is None else limit.in_code(limit.high),
        }
        for limit in product.limits
    ]
    return out
