"""Signals of a run with their units, and the derivations of computed ones."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.core.driver import Driver
from daq.core.plan import Derivation
from daq.core.units import UNITS, convert
from daq.methods.files.instrument import MeasuredVessel
from daq.rheology.geometry import Geometry

BUILT_IN = {"elapsed": "s", "readings": "1", "revolutions": "{rev}"}
TORQUE, SPEED = "torque", "speed"
MASS, DENSITY = "mass", "density"
INTERVAL_SCALES = {"Cel": (0.05, "'0.05 K'"), "[degF]": (0.1, "0.1"), "[pH]": (0.02, "0.02")}
"""Units whose zero is a convention, so that a percentage of a value has no meaning.

Each with the change from which a drift is reported (our choice), and an example of how a person writes it."""


@dataclass(slots=True)
class Signals:
    """Names and units of all signals that a rule or a keep entry can use."""

    units: dict[str, str]
    derivations: tuple[Derivation, ...] = ()
    other_names: dict[str, str] = field(default_factory=dict)
    """By name in a method: the name of the signal, or of the instrument, on this bench."""

    def resolve(self, name: str) -> str | None:
        """Return the signal's name in the plan; None if there is no such signal."""
        if name in self.other_names:
            return self.other_names[name]
        link, dot, channel = name.partition(".")
        own = f"{self.other_names.get(link, link)}.{channel}" if dot else name
        return own if own in self.units else None

    @property
    def known(self) -> str:
        """All names, for a message."""
        return ", ".join(sorted(self.units))


def signals_of(
    driver: Driver,
    companions: Mapping[str, Driver],
    *,
    roles: Mapping[str, str],
    geometry: Geometry | None,
    full_scale_unm: float | None,
    viscosity_unit: str,
    vessel: MeasuredVessel | None = None,
) -> Signals:
    """Return channels of the lead instrument and its companions, derived quantities and built-in signals.

    `companions` maps instrument names to drivers, `roles` maps the names that a method can use to instrument names.
    """
    units = {c.name: c.unit for c in driver.channels}
    derivations = derived(units, geometry, full_scale_unm, viscosity_unit) + _density(units, vessel)
    other_names = dict(roles)
    names = {d.name for d in derivations}
    if "apparent_viscosity" in names and "viscosity" not in units:
        other_names["viscosity"] = "apparent_viscosity"
    units |= {d.name: d.unit for d in derivations}
    units |= {f"{name}.{c.name}": c.unit for name, d in companions.items() for c in d.channels}
    units |= BUILT_IN
    return Signals(units, derivations, other_names)


def _density(units: Mapping[str, str], vessel: MeasuredVessel | None) -> tuple[Derivation, ...]:
    """Return the derivation of the density of a sample in a vessel of known volume, if the instrument is a balance."""
    unit = units.get(MASS)
    if vessel is None or unit is None or UNITS[unit].dimension != "mass":
        return ()
    millilitres = vessel.volume.in_unit("mL")
    return (
        Derivation(
            DENSITY,
            "g/mL",
            "linear",
            (MASS,),
            convert(1.0, unit, "g") / millilitres,
            -vessel.empty.in_unit("g") / millilitres,
        ),
    )


def derived(
    units: Mapping[str, str], geometry: Geometry | None, full_scale_unm: float | None, viscosity_unit: str
) -> tuple[Derivation, ...]:
    """Return the derivations of torque, shear stress, shear rate and viscosity that instrument and geometry allow."""
    if TORQUE not in units:
        return ()
    out: list[Derivation] = []
    unit = units[TORQUE]
    if unit == "%":
        if full_scale_unm is None:
            return ()
        out.append(Derivation("torque_abs", "uN.m", "linear", (TORQUE,), full_scale_unm / 100.0))
    elif UNITS[unit].dimension == "torque":
        out.append(Derivation("torque_abs", "uN.m", "linear", (TORQUE,), convert(1.0, unit, "uN.m")))
    else:
        return ()
    if geometry is None:
        return tuple(out)
    omega = convert(1.0, units[SPEED], "rad/s") if SPEED in units else None
    scale = 1.0 / UNITS[viscosity_unit].factor
    stress, rate = geometry.stress_per_torque, geometry.rate_per_omega
    if stress is not None:
        out.append(Derivation("stress", "Pa", "linear", ("torque_abs",), stress * 1e-6))
    if omega is None:
        return tuple(out)
    if rate is not None:
        out.append(Derivation("shear_rate", "/s", "linear", (SPEED,), rate * omega))
    if stress is not None and rate is not None:
        out.append(Derivation("viscosity", viscosity_unit, "ratio", ("stress", "shear_rate"), scale))
    elif geometry.viscosity_constant is not None:
        a = geometry.viscosity_constant * 1e-6 / omega * scale
        out.append(Derivation("apparent_viscosity", viscosity_unit, "ratio", ("torque_abs", SPEED), a))
    return tuple(out)
