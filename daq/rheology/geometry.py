"""Measuring geometries: from torque and angular speed to stress, rate and viscosity.

Every geometry has the same three factors, all in SI units, so that a plan needs no more than
two multiplications and a division:

* `stress_per_torque` (Pa per N.m): shear stress = stress_per_torque * torque;
* `rate_per_omega` (1): shear rate (1/s) = rate_per_omega * angular speed (rad/s);
* `viscosity_constant` (Pa.s per N.m/(rad/s)): viscosity = viscosity_constant * torque / omega.

The first two are None where the flow field is not defined by the body; the value is then an
apparent viscosity without a shear rate.  The equations themselves are in `cylinders` and `bodies`.
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Final

from daq.core.remarks import Remark, remark
from daq.rheology import bodies, cylinders
from daq.rheology.elementary import ArgumentError, require_positive

WIDEST_RATIO: Final = 1.2
"""Radius ratio up to which representative values hold for fluids that are not Newtonian (common practice)."""
SHORTEST: Final = 3.0
"""Length of an inner cylinder in radii from which the ends matter little (common practice)."""
STEEPEST: Final = 4.0
"""Cone angle in degrees up to which the rate is uniform (common practice)."""


def _positive(geometry: object, *names: str) -> None:
    for name in names:
        require_positive(name, getattr(geometry, name))


def _end_factor(value: float) -> None:
    if not 1.0 <= value < math.inf:
        raise ArgumentError(
            f"must be at least 1 (torque of wall and ends over torque of the wall), is {value}", key="end_factor"
        )


class Sheared(ABC):
    """A body with a defined flow field: its viscosity constant is that of stress over rate."""

    __slots__ = ()

    @property
    @abstractmethod
    def stress_per_torque(self) -> float:
        """Pa per N.m."""

    @property
    @abstractmethod
    def rate_per_omega(self) -> float:
        """Rate over angular speed."""

    @property
    def viscosity_constant(self) -> float:
        """Pa.s per N.m/(rad/s): stress over rate."""
        return self.stress_per_torque / self.rate_per_omega


class Apparent:
    """A body on which neither stress nor rate is uniform."""

    __slots__ = ()

    @property
    def stress_per_torque(self) -> None:
        """Not defined for such a body."""
        return

    @property
    def rate_per_omega(self) -> None:
        """Not defined for such a body."""
        return


@dataclass(frozen=True, slots=True)
class CoaxialCylinders(Sheared):
    """Inner cylinder turning in a fixed outer one: representative values of ISO 3219 / DIN 53019-1.

    Fields: radii and wetted length in m; `end_factor` c_L >= 1 (1.10 for the standard geometry).

    Raises:
        ArgumentError: a length that is not positive, or an outer radius that is not the larger one.
    """

    inner_radius_m: float
    outer_radius_m: float
    length_m: float
    end_factor: float = 1.0

    def __post_init__(self) -> None:
        _positive(self, "inner_radius_m", "outer_radius_m", "length_m")
        _end_factor(self.end_factor)
        if self.outer_radius_m <= self.inner_radius_m:
            raise ArgumentError(
                f"must be greater than inner_radius_m ({self.inner_radius_m} m), is {self.outer_radius_m} m",
                key="outer_radius_m",
            )

    @property
    def radius_ratio(self) -> float:
        """Outer over inner radius, delta."""
        return self.outer_radius_m / self.inner_radius_m

    @property
    def stress_per_torque(self) -> float:
        """Representative stress, Pa per N.m: (1 + delta^2)/(2 delta^2) / (2 pi L Ri^2 c_L)."""
        return cylinders.representative_stress(
            1.0, self.inner_radius_m, self.outer_radius_m, self.length_m, self.end_factor
        )

    @property
    def rate_per_omega(self) -> float:
        """Representative rate over angular speed: (delta^2 + 1)/(delta^2 - 1)."""
        return cylinders.representative_rate(1.0, self.inner_radius_m, self.outer_radius_m)

    @property
    def viscosity_constant(self) -> float:
        """Pa.s per N.m/(rad/s): (delta^2 - 1)/(4 pi L c_L delta^2 Ri^2), the Margules equation."""
        return cylinders.margules_viscosity(
            1.0, 1.0, self.inner_radius_m, self.outer_radius_m, self.length_m, end_factor=self.end_factor
        )


@dataclass(frozen=True, slots=True)
class SingleCylinder(Sheared):
    """Single cylinder in a vessel so wide that its wall does not matter, or with the wall's Newtonian effect.

    Values are those at the cylinder.  Without `vessel_radius_m` the rate is 2 omega (Newtonian, unbounded);
    with it the Margules solution for that vessel is used.

    Raises:
        ArgumentError: a length that is not positive, or a vessel not wider than the cylinder.
    """

    radius_m: float
    length_m: float
    end_factor: float = 1.0
    vessel_radius_m: float | None = None

    def __post_init__(self) -> None:
        _positive(self, "radius_m", "length_m")
        _end_factor(self.end_factor)
        if self.vessel_radius_m is not None:
            _positive(self, "vessel_radius_m")
            if self.vessel_radius_m <= self.radius_m:
                raise ArgumentError(
                    f"must be greater than radius_m ({self.radius_m} m), is {self.vessel_radius_m} m",
                    key="vessel_radius_m",
                )

    @property
    def stress_per_torque(self) -> float:
        """Stress at the cylinder, Pa per N.m: 1/(2 pi L R^2 c_L)."""
        return cylinders.inner_stress(1.0, self.radius_m, self.length_m, self.end_factor)

    @property
    def rate_per_omega(self) -> float:
        """Newtonian rate at the cylinder over angular speed: 2, or 2/(1 - (R/Rv)^2) in a vessel."""
        if self.vessel_radius_m is None:
            return cylinders.unbounded_rate(1.0)
        return cylinders.newtonian_inner_rate(1.0, self.radius_m, self.vessel_radius_m)


@dataclass(frozen=True, slots=True)
class ConePlate(Sheared):
    """Cone on a plate: stress 3T/(2 pi R^3), rate omega/tan(alpha) (ISO 3219-2 / DIN 53019-1).

    Fields: radius in m, angle between cone and plate in rad (0 < angle < pi/4; ISO 3219 asks for at most 4 degrees).

    Raises:
        ArgumentError: a radius or angle outside these ranges.
    """

    radius_m: float
    angle_rad: float

    def __post_init__(self) -> None:
        _positive(self, "radius_m", "angle_rad")
        if self.angle_rad >= math.pi / 4:
            raise ArgumentError(
                f"must be less than pi/4 rad (was it given in degrees?), is {self.angle_rad}", key="angle_rad"
            )

    @property
    def stress_per_torque(self) -> float:
        """Pa per N.m: 3/(2 pi R^3)."""
        return bodies.cone_stress(1.0, self.radius_m)

    @property
    def rate_per_omega(self) -> float:
        """1/tan(alpha)."""
        return bodies.cone_rate(1.0, self.angle_rad)


@dataclass(frozen=True, slots=True)
class ParallelPlates(Sheared):
    """Two plates, values at the rim as for a Newtonian fluid: stress 2T/(pi R^3), rate omega R/h.

    For other fluids correct a series with `bodies.plates_rim_stress`.  Radius and gap in m.

    Raises:
        ArgumentError: a length that is not positive.
    """

    radius_m: float
    gap_m: float

    def __post_init__(self) -> None:
        _positive(self, "radius_m", "gap_m")

    @property
    def stress_per_torque(self) -> float:
        """Apparent rim stress, Pa per N.m: 2/(pi R^3)."""
        return bodies.plates_apparent_stress(1.0, self.radius_m)

    @property
    def rate_per_omega(self) -> float:
        """Rim rate over angular speed: R/h."""
        return bodies.plates_rim_rate(1.0, self.radius_m, self.gap_m)


@dataclass(frozen=True, slots=True)
class CalibratedConstants(Apparent):
    """A body without a defined flow field, calibrated with a Newtonian fluid: apparent viscosity, no stress, no rate.

    Field: `viscosity_constant`, Pa.s per N.m/(rad/s).

    Raises:
        ArgumentError: a constant that is not positive.
    """

    viscosity_constant: float

    def __post_init__(self) -> None:
        _positive(self, "viscosity_constant")


@dataclass(frozen=True, slots=True)
class Disc(Apparent):
    """Thin disc turning slowly in a wide vessel: T = (32/3) eta omega R^3 (Jeffery 1915), apparent viscosity.

    Raises:
        ArgumentError: a radius that is not positive.
    """

    radius_m: float

    def __post_init__(self) -> None:
        _positive(self, "radius_m")

    @property
    def viscosity_constant(self) -> float:
        """Pa.s per N.m/(rad/s): 3/(32 R^3)."""
        return bodies.disc_viscosity(1.0, 1.0, self.radius_m)


@dataclass(frozen=True, slots=True)
class Vane:
    """Vane for yield stress: 2T/(pi D^3 (H/D + 1/3)) (Nguyen and Boger 1983); no rate, no viscosity.

    Raises:
        ArgumentError: a length that is not positive.
    """

    diameter_m: float
    height_m: float

    def __post_init__(self) -> None:
        _positive(self, "diameter_m", "height_m")

    @property
    def stress_per_torque(self) -> float:
        """Yield stress per torque, Pa per N.m."""
        return bodies.vane_yield_stress(1.0, self.diameter_m, self.height_m)

    @property
    def rate_per_omega(self) -> None:
        """Not defined: the vane measures where flow begins."""
        return

    @property
    def viscosity_constant(self) -> None:
        """Not defined: the vane measures where flow begins."""
        return


Geometry = CoaxialCylinders | SingleCylinder | ConePlate | ParallelPlates | CalibratedConstants | Disc | Vane


def limits_of_use(geometry: Geometry) -> tuple[Remark, ...]:
    """Return what a reader of the values must know about this geometry; empty where there is nothing.

    Radius ratio at most 1.2, L/Ri at least 3 and cone angle at most 4 degrees (common practice), and the Newtonian
    effect of a vessel's wall by the Margules equation.
    """
    out: list[Remark] = []
    if isinstance(geometry, CoaxialCylinders):
        if geometry.radius_ratio > WIDEST_RATIO:
            out.append(remark("wide_gap", radius_ratio=geometry.radius_ratio, limit=WIDEST_RATIO))
        if geometry.length_m < SHORTEST * geometry.inner_radius_m:
            out.append(remark("short_cylinder", length=geometry.length_m / geometry.inner_radius_m, limit=SHORTEST))
    elif isinstance(geometry, SingleCylinder):
        if geometry.vessel_radius_m is None:
            out.append(remark("unbounded_vessel"))
        else:
            excess = cylinders.vessel_wall_factor(geometry.vessel_radius_m / geometry.radius_m) - 1.0
            if excess > 0.01:
                out.append(remark("vessel_wall", excess=100.0 * excess))
    elif isinstance(geometry, ConePlate):
        if geometry.angle_rad > math.radians(STEEPEST):
            out.append(remark("steep_cone", angle=math.degrees(geometry.angle_rad), limit=STEEPEST))
    elif isinstance(geometry, ParallelPlates):
        out.append(remark("rate_varies_with_radius"))
    elif isinstance(geometry, CalibratedConstants | Disc):
        out.append(remark("no_shear_rate"))
    else:
        out.append(remark("uniform_stress_assumed"))
    return tuple(out)
