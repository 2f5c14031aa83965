"""Measuring geometries: a rotor in a vessel. Lengths in metres."""

import math
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Protocol

# A vessel this many radii wide changes a Newtonian torque by 1e-8.
UNBOUNDED_RATIO = 1e4


class Geometry(Hashable, Protocol):
    """An inner cylinder that turns in a vessel at rest."""

    @property
    def inner_radius_m(self) -> float:
        """Radius of the turning cylinder."""
        ...

    @property
    def outer_radius_m(self) -> float:
        """Radius of the vessel."""
        ...

    @property
    def length_m(self) -> float:
        """Wetted length of the turning cylinder."""
        ...

    @property
    def end_factor(self) -> float:
        """Factor on the torque for the ends of the cylinder."""
        ...

    def structure_rate(self, omega: float) -> float:
        """Return the shear rate (1/s) for the structure kinetics at an angular speed (rad/s)."""
        ...


@dataclass(frozen=True)
class CoaxialCylinders:
    """Coaxial cylinders, the inner one turning."""

    inner_radius_m: float
    outer_radius_m: float
    length_m: float
    end_factor: float = 1.0

    def structure_rate(self, omega: float) -> float:
        """Mean of the Newtonian rates at both walls (1/s): the representative rate of ISO 3219-2."""
        squared = (self.outer_radius_m / self.inner_radius_m) ** 2
        return omega * (squared + 1.0) / (squared - 1.0)


@dataclass(frozen=True)
class SingleCylinder:
    """A single cylinder in a large vessel; `vessel_radius_m` None means an unbounded fluid."""

    inner_radius_m: float
    length_m: float
    vessel_radius_m: float | None = None
    end_factor: float = 1.0

    @property
    def outer_radius_m(self) -> float:
        """Radius of the vessel, or UNBOUNDED_RATIO radii for an unbounded fluid."""
        return self.inner_radius_m * UNBOUNDED_RATIO if self.vessel_radius_m is None else self.vessel_radius_m

    def structure_rate(self, omega: float) -> float:
        """Newtonian rate at the cylinder's wall (1/s)."""
        squared = (self.outer_radius_m / self.inner_radius_m) ** 2
        return 2.0 * omega * squared / (squared - 1.0)


def wall_stress(geometry: Geometry, torque_nm: float) -> float:
    """Return the shear stress (Pa) at the turning cylinder's wall for a torque (N.m): the balance of moments."""
    area_arm = 2.0 * math.pi * geometry.length_m * geometry.inner_radius_m**2 * geometry.end_factor
    return torque_nm / area_arm
