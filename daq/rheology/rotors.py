"""Equations of cone, plates, vane and disc: from torque and speed to stress, rate and viscosity.

Torque T in N.m, ω in rad/s, lengths in m.  Torque, speed and viscosity may be numpy arrays.
"""

import math

from daq.rheology.elementary import ArgumentError, Number


def cone_stress(torque: Number, radius_m: float) -> Number:
    """Return the shear stress of cone and plate, Pa: 3 T/(2 π R^3).  Any fluid (ISO 3219-2 / DIN 53019-1)."""
    return torque * (3.0 / (2.0 * math.pi * radius_m**3))


def cone_rate(omega: Number, angle_rad: float, *, small_angle: bool = False) -> Number:
    """Return the shear rate of cone and plate, 1/s: ω/tan(α), or ω/α where `small_angle`.

    Angle at most 4 degrees (ISO 3219-2 / DIN 53019-1); the two forms differ by 0.01 % at 1 degree, 0.16 % at 4.
    """
    return omega / (angle_rad if small_angle else math.tan(angle_rad))


def plates_rim_rate(omega: Number, radius_m: float, gap_m: float) -> Number:
    """Return the rate at the rim of parallel plates, 1/s: ω R/h."""
    return omega * (radius_m / gap_m)


def plates_apparent_stress(torque: Number, radius_m: float) -> Number:
    """Return the rim stress of parallel plates as for a Newtonian fluid, Pa: 2 T/(π R^3)."""
    return torque * (2.0 / (math.pi * radius_m**3))


def plates_rim_stress(apparent_stress: Number, slope: Number) -> Number:
    """Return the true rim stress of plates, unit of `apparent_stress`: (3 + s)/4 of it, s = dln(T)/dln(rim rate).

    Weissenberg-Rabinowitsch-Mooney correction (ISO 3219-2); s = n for a power-law fluid, 1 for a Newtonian one.
    For a series take s from `cylinders.local_slopes`.
    """
    return apparent_stress * (3.0 + slope) / 4.0


def vane_yield_stress(torque: Number, diameter_m: float, height_m: float, *, end_faces: int = 2) -> Number:
    """Return the yield stress of a vane, Pa: 2 T/(π D^3 (H/D + 1/3)), uniform end stress (Nguyen and Boger 1983).

    `end_faces`: 1 where the top of the vane is above the sample (1/6 in place of 1/3), 0 to leave both faces out.
    """
    return torque / _vane_factor(diameter_m, height_m, end_faces)


def _vane_factor(diameter_m: float, height_m: float, end_faces: int) -> float:
    if end_faces not in {0, 1, 2}:
        raise ArgumentError(f"must be 0, 1 or 2, is {end_faces}", key="end_faces")
    return math.pi * diameter_m**3 / 2.0 * (height_m / diameter_m + end_faces / 6.0)


def disc_viscosity(torque: Number, omega: Number, radius_m: float) -> Number:
    """Return the viscosity of a thin disc, Pa.s: 3 T/(32 ω R^3) (Jeffery 1915); slow flow, Newtonian, unbounded."""
    return torque / omega * (3.0 / (32.0 * radius_m**3))
