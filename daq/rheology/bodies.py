"""Cone, plates, vane, disc and sphere: torque and speed to stress, rate and viscosity.

Torque T in N.m, omega in rad/s, lengths in m.  Torque, speed and viscosity may be numpy arrays.
"""

import math

from daq.rheology.elementary import ArgumentError, Number, exp, log1p, power, require_positive


def cone_stress(torque: Number, radius_m: float) -> Number:
    """Cone and plate, shear stress, Pa: 3 T/(2 pi R^3).  Any fluid (ISO 3219-2 / DIN 53019-1)."""
    return torque * (3.0 / (2.0 * math.pi * radius_m**3))


def cone_rate(omega: Number, angle_rad: float, *, small_angle: bool = False) -> Number:
    """Cone and plate, shear rate, 1/s: omega/tan(alpha), or omega/alpha where `small_angle`.

    Angle at most 4 degrees (ISO 3219-2 / DIN 53019-1); the two forms differ by 0.01 % at 1 degree, 0.16 % at 4.
    """
    return omega / (angle_rad if small_angle else math.tan(angle_rad))


def cone_viscosity(torque: Number, omega: Number, radius_m: float, angle_rad: float) -> Number:
    """Cone and plate, viscosity, Pa.s: 3 T tan(alpha)/(2 pi R^3 omega)."""
    return cone_stress(torque, radius_m) / cone_rate(omega, angle_rad)


def plates_rim_rate(omega: Number, radius_m: float, gap_m: float) -> Number:
    """Parallel plates, rate at the rim, 1/s: omega R/h."""
    return omega * (radius_m / gap_m)


def plates_apparent_stress(torque: Number, radius_m: float) -> Number:
    """Parallel plates, rim stress as for a Newtonian fluid, Pa: 2 T/(pi R^3)."""
    return torque * (2.0 / (math.pi * radius_m**3))


def plates_rim_stress(torque: Number, slope: Number, radius_m: float) -> Number:
    """Parallel plates, true rim stress, Pa: T (3 + s)/(2 pi R^3), s = dln(T)/dln(rim rate).

    Weissenberg-Rabinowitsch-Mooney correction (ISO 3219-2); s = n for a power-law fluid, 1 for a Newtonian one.
    For a series take s from `cylinders.local_slopes`.
    """
    return torque * (3.0 + slope) / (2.0 * math.pi * radius_m**3)


def plates_viscosity(torque: Number, omega: Number, radius_m: float, gap_m: float) -> Number:
    """Parallel plates, Newtonian viscosity, Pa.s: 2 T h/(pi R^4 omega)."""
    return plates_apparent_stress(torque, radius_m) / plates_rim_rate(omega, radius_m, gap_m)


def plates_power_law_torque(
    consistency: float, flow_index: float, omega: Number, radius_m: float, gap_m: float
) -> Number:
    """Parallel plates, torque of a power-law fluid, N.m: 2 pi R^3 K (omega R/h)^n/(3 + n); K in Pa.s^n."""
    rate = plates_rim_rate(omega, radius_m, gap_m)
    return power(rate, flow_index) * (2.0 * math.pi * radius_m**3 * consistency / (3.0 + flow_index))


def plates_single_point_fraction(flow_index: Number) -> Number:
    """Fraction of the rim rate at which the apparent (Newtonian) viscosity is the true one: (4/(3+n))^(1/(n-1)).

    Power-law fluid; the single-point idea of Giesekus and Langer and of Cross and Kaye (about 0.76).
    n > 0; exp(-1/4) at n = 1.
    """
    require_positive("flow_index", flow_index)
    d = flow_index - 1.0
    # At n = 1 the exponent is 0/0; near it the first terms of its series are exact to double precision.
    near = abs(d) < 1e-7
    exponent = near * (d / 32.0 - 0.25) - (1.0 - near) * log1p(d / 4.0) / (d + near)
    return exp(exponent)


def vane_yield_stress(torque: Number, diameter_m: float, height_m: float, *, end_faces: int = 2) -> Number:
    """Vane, yield stress, Pa: 2 T/(pi D^3 (H/D + 1/3)), uniform stress on both end faces (Nguyen and Boger 1983).

    `end_faces` 1 where the top stands out of the sample (1/6 in place of 1/3), 0 to leave both out.
    """
    return torque / _vane_factor(diameter_m, height_m, end_faces)


def vane_torque(yield_stress: Number, diameter_m: float, height_m: float, *, end_faces: int = 2) -> Number:
    """Vane, torque at yield, N.m: pi D^3/2 (H/D + 1/3) tau_y (Nguyen and Boger 1983); `end_faces` as above."""
    return yield_stress * _vane_factor(diameter_m, height_m, end_faces)


def vane_ends_share(diameter_m: float, height_m: float, *, end_faces: int = 2) -> float:
    """Part of the vane's torque that comes from its end faces: (1/3)/(H/D + 1/3) for two."""
    return (end_faces / 6.0) / (height_m / diameter_m + end_faces / 6.0)


def _vane_factor(diameter_m: float, height_m: float, end_faces: int) -> float:
    if end_faces not in {0, 1, 2}:
        raise ArgumentError(f"must be 0, 1 or 2, is {end_faces}", key="end_faces")
    return math.pi * diameter_m**3 / 2.0 * (height_m / diameter_m + end_faces / 6.0)


def disc_torque(viscosity: Number, omega: Number, radius_m: float) -> Number:
    """Thin disc, both faces, torque, N.m: (32/3) eta omega R^3 (Jeffery 1915); slow flow, unbounded Newtonian fluid."""
    return viscosity * omega * (32.0 / 3.0 * radius_m**3)


def disc_viscosity(torque: Number, omega: Number, radius_m: float) -> Number:
    """Thin disc, viscosity, Pa.s: 3 T/(32 omega R^3) (Jeffery 1915); slow flow, unbounded Newtonian fluid."""
    return torque / omega * (3.0 / (32.0 * radius_m**3))


def sphere_torque(viscosity: Number, omega: Number, radius_m: float) -> Number:
    """Sphere, torque, N.m: 8 pi eta omega R^3 (Lamb, Hydrodynamics); slow flow, unbounded Newtonian fluid."""
    return viscosity * omega * (8.0 * math.pi * radius_m**3)


def sphere_viscosity(torque: Number, omega: Number, radius_m: float) -> Number:
    """Sphere, viscosity, Pa.s: T/(8 pi omega R^3) (Lamb, Hydrodynamics); slow flow, unbounded Newtonian fluid."""
    return torque / omega / (8.0 * math.pi * radius_m**3)
