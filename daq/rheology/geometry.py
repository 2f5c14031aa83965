"""Measuring geometries: factors from torque and angular speed to stress, rate and viscosity.

Every geometry has the same three factors, in SI units:

* `stress_per_torque` (Pa per N.m): shear stress = stress_per_torque * torque;
* `rate_per_omega` (1): shear rate (1/s) = rate_per_omega * angular speed (rad/s);
* `viscosity_constant` (Pa.s per N.m/(rad/s)): viscosity = viscosity_constant * torque / ω.

The first two are None where the geometry does not define the flow field.  The viscosity is then an
apparent one, without a shear rate.  The equations are in `cylinders` and `rotors`.
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Final, get_args

from daq.core.arguments import WIDEST_GAP_M, require_instance, require_length, require_positive, require_radii
from daq.core.remarks import Remark, remark
from daq.rheology import cylinders, rotors
from daq.rheology.cylinders import require_end_factor
from daq.rheology.rotors import require_cone_angle

WIDEST_RATIO: Final = 1.2
"""Radius ratio up to which representative values hold for fluids that are not Newtonian (common practice)."""
SHORTEST: Final = 3.0
"""Length of an inner cylinder in radii from which the ends matter little (common practice)."""
STEEPEST: Final = 4.0
"""Cone angle in degrees up to which the rate is uniform (common practice)."""


class Sheared(ABC):
    """Geometry with a defined flow field: its viscosity constant is stress factor over rate factor."""

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
    """Geometry in which neither stress nor rate is defined; the viscosity is an apparent one."""

    __slots__ = ()

    @property
    def stress_per_torque(self) -> None:
        """Return None: not defined."""
        return

    @property
    def rate_per_omega(self) -> None:
        """Return None: not defined."""
        return


@dataclass(frozen=True, slots=True)
class CoaxialCylinders(Sheared):
    """Inner cylinder that turns in a fixed outer one: representative values of ISO 3219 / DIN 53019-1.

    Fields: radii and wetted length in m; `end_factor` c_L >= 1 (1.10 for the standard geometry).

    Raises:
        ArgumentError: a length that is not positive, or an outer radius that is not the larger one.
    """

    inner_radius_m: float
    outer_radius_m: float
    length_m: float
    end_factor: float = 1.0

    def __post_init__(self) -> None:
        require_length("inner_radius_m", self.inner_radius_m)
        require_positive("outer_radius_m", self.outer_radius_m)
        require_length("length_m", self.length_m)
        require_end_factor(self.end_factor)
        require_radii("inner_radius_m", self.inner_radius_m, "outer_radius_m", self.outer_radius_m)

    @property
    def radius_ratio(self) -> float:
        """Outer over inner radius, δ."""
        return self.outer_radius_m / self.inner_radius_m

    @property
    def stress_per_torque(self) -> float:
        """Representative stress, Pa per N.m: (1 + δ^2)/(2 δ^2) / (2 π L Ri^2 c_L)."""
        return cylinders.representative_stress(
            1.0, self.inner_radius_m, self.outer_radius_m, self.length_m, self.end_factor
        )

    @property
    def rate_per_omega(self) -> float:
        """Representative rate over angular speed: (δ^2 + 1)/(δ^2 - 1)."""
        return cylinders.representative_rate(1.0, self.inner_radius_m, self.outer_radius_m)

    @property
    def viscosity_constant(self) -> float:
        """Pa.s per N.m/(rad/s): (δ^2 - 1)/(4 π L c_L δ^2 Ri^2), the Margules equation."""
        return cylinders.margules_viscosity(
            1.0, 1.0, self.inner_radius_m, self.outer_radius_m, self.length_m, end_factor=self.end_factor
        )


@dataclass(frozen=True, slots=True)
class SingleCylinder(Sheared):
    """Single cylinder in a large vessel; the effect of the vessel's wall is left out, or that of a Newtonian fluid.

    Stress and rate are those at the cylinder.  Without `vessel_radius_m` the rate is 2 ω (Newtonian, unbounded);
    with it the Margules solution for that vessel is used.

    Raises:
        ArgumentError: a length that is not positive, or a vessel not wider than the cylinder.
    """

    radius_m: float
    length_m: float
    end_factor: float = 1.0
    vessel_radius_m: float | None = None

    def __post_init__(self) -> None:
        require_length("radius_m", self.radius_m)
        require_length("length_m", self.length_m)
        require_end_factor(self.end_factor)
        if self.vessel_radius_m is not None:
            require_positive("vessel_radius_m", self.vessel_radius_m)
            require_radii("radius_m", self.radius_m, "vessel_radius_m", self.vessel_radius_m)

    @property
    def stress_per_torque(self) -> float:
        """Stress at the cylinder, Pa per N.m: 1/(2 π L R^2 c_L)."""
        return cylinders.inner_stress(1.0, self.radius_m, self.length_m, self.end_factor)

    @property
    def rate_per_omega(self) -> float:
        """Newtonian rate at the cylinder over angular speed: 2, or 2/(1 - (R/Rv)^2) in a vessel."""
        if self.vessel_radius_m is None:
            return cylinders.unbounded_rate(1.0)
        return cylinders.newtonian_inner_rate(1.0, self.radius_m, self.vessel_radius_m)


@dataclass(frozen=True, slots=True)
class ConePlate(Sheared):
    """Cone on a plate: stress 3T/(2 π R^3), rate ω/tan(α) (ISO 3219-2 / DIN 53019-1).

    Fields: radius in m, angle between cone and plate in rad (0 < angle < π/4; ISO 3219 asks for at most 4 degrees).

    Raises:
        ArgumentError: a radius or angle outside these ranges.
    """

    radius_m: float
    angle_rad: float

    def __post_init__(self) -> None:
        require_length("radius_m", self.radius_m)
        require_cone_angle(self.angle_rad)

    @property
    def stress_per_torque(self) -> float:
        """Pa per N.m: 3/(2 π R^3)."""
        return rotors.cone_stress(1.0, self.radius_m)

    @property
    def rate_per_omega(self) -> float:
        """1/tan(α)."""
        return rotors.cone_rate(1.0, self.angle_rad)


@dataclass(frozen=True, slots=True)
class ParallelPlates(Sheared):
    """Two plates, values at the rim as for a Newtonian fluid: stress 2T/(π R^3), rate ω R/h.

    For other fluids correct a series with `rotors.plates_rim_stress`.  Radius and gap in m.

    Raises:
        ArgumentError: a length that is not positive.
    """

    radius_m: float
    gap_m: float

    def __post_init__(self) -> None:
        require_length("radius_m", self.radius_m)
        require_length("gap_m", self.gap_m, WIDEST_GAP_M)

    @property
    def stress_per_torque(self) -> float:
        """Apparent rim stress, Pa per N.m: 2/(π R^3)."""
        return rotors.plates_apparent_stress(1.0, self.radius_m)

    @property
    def rate_per_omega(self) -> float:
        """Rim rate over angular speed: R/h."""
        return rotors.plates_rim_rate(1.0, self.radius_m, self.gap_m)


@dataclass(frozen=True, slots=True)
class CalibratedConstants(Apparent):
    """Rotor calibrated with a Newtonian fluid, flow field not defined: apparent viscosity, no stress, no rate.

    Field: `viscosity_constant`, Pa.s per N.m/(rad/s).

    Raises:
        ArgumentError: a constant that is not positive.
    """

    viscosity_constant: float

    def __post_init__(self) -> None:
        require_positive("viscosity_constant", self.viscosity_constant)


@dataclass(frozen=True, slots=True)
class Disc(Apparent):
    """Thin disc turning slowly in a wide vessel: T = (32/3) η ω R^3 (Jeffery 1915), apparent viscosity.

    Raises:
        ArgumentError: a radius that is not positive.
    """

    radius_m: float

    def __post_init__(self) -> None:
        require_length("radius_m", self.radius_m)

    @property
    def viscosity_constant(self) -> float:
        """Pa.s per N.m/(rad/s): 3/(32 R^3)."""
        return rotors.disc_viscosity(1.0, 1.0, self.radius_m)


@dataclass(frozen=True, slots=True)
class Vane:
    """Vane for yield stress: 2T/(π D^3 (H/D + 1/3)) (Nguyen and Boger 1983); no rate, no viscosity.

    Raises:
        ArgumentError: a length that is not positive.
    """

    diameter_m: float
    height_m: float

    def __post_init__(self) -> None:
        require_length("diameter_m", self.diameter_m)
        require_length("height_m", self.height_m)

    @property
    def stress_per_torque(self) -> float:
        """Yield stress per torque, Pa per N.m."""
        return rotors.vane_yield_stress(1.0, self.diameter_m, self.height_m)

    @property
    def rate_per_omega(self) -> None:
        """Return None: a vane measures only the stress at which flow starts."""
        return

    @property
    def viscosity_constant(self) -> None:
        """Return None: a vane measures only the stress at which flow starts."""
        return


Geometry = CoaxialCylinders | SingleCylinder | ConePlate | ParallelPlates | CalibratedConstants | Disc | Vane


def limits_of_use(geometry: Geometry) -> tuple[Remark, ...]:
    """Return remarks on the limits of this geometry for the reader of a result; empty where there are none.

    Checks: radius ratio at most 1.2, L/Ri at least 3, cone angle at most 4 degrees (common practice), and the
    Newtonian effect of the vessel's wall by the Margules equation.
    """
    require_instance("geometry", geometry, get_args(Geometry))
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


def narrowest_gap(geometry: Geometry) -> float | None:
    """Return the width (m) of the sheared gap where it is narrowest; None where the fluid is unbounded or not sheared.

    The gap of cone and plate is that at the rim, the widest: towards the middle it is narrower.
    """
    require_instance("geometry", geometry, get_args(Geometry))
    if isinstance(geometry, CoaxialCylinders):
        return geometry.outer_radius_m - geometry.inner_radius_m
    if isinstance(geometry, SingleCylinder) and geometry.vessel_radius_m is not None:
        return geometry.vessel_radius_m - geometry.radius_m
    if isinstance(geometry, ConePlate):
        return geometry.radius_m * math.tan(geometry.angle_rad)
    return geometry.gap_m if isinstance(geometry, ParallelPlates) else None
