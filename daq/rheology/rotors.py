"""Equations of cone, plates, vane and disc: from torque and speed to stress, rate and viscosity.

Torque T in N.m, ω in rad/s, lengths in m.  Torque, speed and viscosity may be numpy arrays.
"""

import math

from daq.core.arguments import (
    WIDEST_GAP_M,
    Number,
    require_finite,
    require_length,
    require_one_of,
    require_positive,
    require_same_shape,
    require_within,
)
from daq.core.errors import ArgumentError


def cone_stress(torque: Number, radius_m: float) -> Number:
    """Return the shear stress of cone and plate, Pa: 3 T/(2 π R^3).  Any fluid (ISO 3219-2 / DIN 53019-1)."""
    require_finite("torque", torque)
    require_length("radius_m", radius_m)
    return torque * (3.0 / (2.0 * math.pi * radius_m**3))


def cone_rate(omega: Number, angle_rad: float, *, small_angle: bool = False) -> Number:
    """Return the shear rate of cone and plate, 1/s: ω/tan(α), or ω/α where `small_angle`.

    Angle at most 4 degrees (ISO 3219-2 / DIN 53019-1); the two forms differ by 0.01 % at 1 degree, 0.16 % at 4.
    """
    require_finite("omega", omega)
    require_cone_angle(angle_rad)
    return omega / (angle_rad if small_angle else math.tan(angle_rad))


def require_cone_angle(angle_rad: float) -> None:
    """Raise `ArgumentError` unless the angle between cone and plate is above 0 and below π/4 rad."""
    require_positive("angle_rad", angle_rad)
    if angle_rad >= math.pi / 4:
        raise ArgumentError(f"must be less than pi/4 rad (was it given in degrees?), is {angle_rad}", key="angle_rad")
    require_within("angle_rad", angle_rad, 1e-4, math.pi / 4, "rad")


def plates_rim_rate(omega: Number, radius_m: float, gap_m: float) -> Number:
    """Return the rate at the rim of parallel plates, 1/s: ω R/h."""
    require_finite("omega", omega)
    require_length("radius_m", radius_m)
    require_length("gap_m", gap_m, WIDEST_GAP_M)
    return omega * (radius_m / gap_m)


def plates_apparent_stress(torque: Number, radius_m: float) -> Number:
    """Return the rim stress of parallel plates as for a Newtonian fluid, Pa: 2 T/(π R^3)."""
    require_finite("torque", torque)
    require_length("radius_m", radius_m)
    return torque * (2.0 / (math.pi * radius_m**3))


def plates_rim_stress(apparent_stress: Number, slope: Number) -> Number:
    """Return the true rim stress of plates, unit of `apparent_stress`: (3 + s)/4 of it, s = dln(T)/dln(rim rate).

    Weissenberg-Rabinowitsch-Mooney correction (ISO 3219-2); s = n for a power-law fluid, 1 for a Newtonian one.
    For a series take s from `cylinders.local_slopes`.
    """
    require_finite("apparent_stress", apparent_stress)
    require_within("slope", slope, 0.0, 10.0)
    require_same_shape("apparent_stress", apparent_stress, "slope", slope)
    return apparent_stress * (3.0 + slope) / 4.0


def vane_yield_stress(torque: Number, diameter_m: float, height_m: float, *, end_faces: int = 2) -> Number:
    """Return the yield stress of a vane, Pa: 2 T/(π D^3 (H/D + 1/3)), uniform end stress (Nguyen and Boger 1983).

    `end_faces`: 1 where the top of the vane is above the sample (1/6 in place of 1/3), 0 to leave both faces out.
    """
    require_finite("torque", torque)
    return torque / _vane_factor(diameter_m, height_m, end_faces)


def _vane_factor(diameter_m: float, height_m: float, end_faces: int) -> float:
    require_length("diameter_m", diameter_m)
    require_length("height_m", height_m)
    require_one_of("end_faces", end_faces, (0, 1, 2))
    return math.pi * diameter_m**3 / 2.0 * (height_m / diameter_m + end_faces / 6.0)


def disc_viscosity(torque: Number, omega: Number, radius_m: float) -> Number:
    """Return the viscosity of a thin disc, Pa.s: 3 T/(32 ω R^3) (Jeffery 1915); slow flow, Newtonian, unbounded."""
    require_finite("torque", torque)
    require_positive("omega", omega)
    require_same_shape("torque", torque, "omega", omega)
    require_length("radius_m", radius_m)
    return torque / omega * (3.0 / (32.0 * radius_m**3))
