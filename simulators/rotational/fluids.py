"""Fluids: a flow law, the effect of temperature on its stress, and its structure in time and under shear."""

import math
from dataclasses import dataclass
from typing import Protocol

from simulators.rotational.laws import FlowLaw, Newtonian

KELVIN = 273.15


class TemperatureLaw(Protocol):
    """Factor on the stress of a flow law at any rate."""

    def factor(self, celsius: float) -> float:
        """Factor at a temperature (Cel); 1 at the law's reference temperature."""
        ...


@dataclass(frozen=True)
class Unchanging:
    """No influence of temperature."""

    def factor(self, celsius: float) -> float:  # noqa: ARG002 - one signature for all laws
        """Return 1."""
        return 1.0


@dataclass(frozen=True)
class Andrade:
    """exp(B (1/T - 1/T_ref)): Arrhenius' form of Andrade's equation, B in K."""

    b_kelvin: float
    reference_celsius: float = 25.0

    def factor(self, celsius: float) -> float:
        """Factor at a temperature (Cel)."""
        return math.exp(self.b_kelvin * (1.0 / (celsius + KELVIN) - 1.0 / (self.reference_celsius + KELVIN)))


@dataclass(frozen=True)
class WaterViscosity:
    """Viscosity of liquid water at 0.1 MPa in Pa.s, 253 to 383 K: IAPWS SR6-08 (2011), closed formula."""

    def factor(self, celsius: float) -> float:
        """Viscosity (Pa.s) at a temperature (Cel), for a law of 1 Pa.s."""
        x = (celsius + KELVIN) / 300.0
        return float(1e-6 * (280.68 * x**-1.9 + 511.45 * x**-7.7 + 61.131 * x**-19.6 + 0.45903 * x**-40.0))


@dataclass(frozen=True)
class GlycerolWaterViscosity:
    """Viscosity of glycerol in water in Pa.s, 0 to 100 Cel: N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285."""

    mass_fraction: float

    def factor(self, celsius: float) -> float:
        """Viscosity (Pa.s) at a temperature (Cel), for a law of 1 Pa.s."""
        t, c = celsius, self.mass_fraction
        water = 1.790e-3 * math.exp((-1230.0 - t) * t / (36100.0 + 360.0 * t))
        glycerol = 12.100 * math.exp((-1233.0 + t) * t / (9900.0 + 70.0 * t))
        a = 0.705 - 0.0017 * t
        b = (4.9 + 0.036 * t) * a**2.5
        alpha = 1.0 - c + a * b * c * (1.0 - c) / (a * c + b * (1.0 - c))
        return float(water**alpha * glycerol ** (1.0 - alpha))


@dataclass(frozen=True)
class Structure:
    """First-order structure kinetics, dl/dt = build (1 - l) - break * rate * l (Goodeve, Moore).

    The stress of the flow law is multiplied by floor + span * l. For a Newtonian law of 1 Pa.s, floor and span are the
    viscosities η_inf and η0 - η_inf. The structure is taken as uniform in the gap.
    """

    build_per_s: float
    break_factor: float
    floor: float
    span: float
    after_filling: float = 1.0

    def after(self, level: float, rate: float, seconds: float) -> float:
        """Return the structure level (0 to 1) after some seconds at a constant shear rate (1/s), in closed form."""
        speed = self.build_per_s + self.break_factor * rate
        steady = self.build_per_s / speed
        return steady + (level - steady) * math.exp(-speed * seconds)

    def factor(self, level: float) -> float:
        """Factor on the stress at a structure level."""
        return self.floor + self.span * level


@dataclass(frozen=True)
class Fluid:
    """One fluid: stress(rate, T, l) = law(rate) * temperature.factor(T) * structure.factor(l)."""

    name: str
    law: FlowLaw
    temperature: TemperatureLaw = Unchanging()
    structure: Structure | None = None


def water(name: str = "water") -> Fluid:
    """Pure water (IAPWS SR6-08)."""
    return Fluid(name, Newtonian(1.0), WaterViscosity())


def glycerol_water(mass_fraction: float, name: str = "glycerol") -> Fluid:
    """Glycerol in water (Cheng 2008); mass fraction of glycerol 0 to 1."""
    return Fluid(name, Newtonian(1.0), GlycerolWaterViscosity(mass_fraction))
