"""Flow between and around cylinders: the inner one turns, the outer one or the vessel is at rest; laminar, no slip.

Symbols: Ri, Re inner and outer radius (m), delta = Re/Ri, L wetted length (m), c_L end factor (torque of
wall and ends over torque of the wall), T torque (N.m), ω angular speed (rad/s).  An outer radius of
`math.inf` gives the unbounded fluid.  Torque, speed and viscosity may be numpy arrays.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from daq.core.arguments import (
    WIDEST_VESSEL_M,
    Number,
    require_density,
    require_finite,
    require_index,
    require_length,
    require_not_negative,
    require_positive,
    require_positives,
    require_radii,
    require_ratio,
    require_same_length,
    require_same_shape,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.rheology.elementary import exp, power

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

CRITICAL_REYNOLDS: Final = {
    0.1: 140.49, 0.15: 105.04, 0.2: 88.139, 0.25: 78.756, 0.3: 73.223, 0.35: 69.988, 0.4: 68.297, 0.5: 68.186,
    0.6: 71.716, 0.7: 79.491, 0.75: 85.776, 0.8: 94.734, 0.85: 108.31, 0.9: 131.61, 0.95: 184.99, 0.975: 260.95,
}  # fmt: skip
"""Inner over outer radius -> Reynolds number ρ ω Ri d/η at which vortices start, outer cylinder at rest, no ends.

Linear theory for axisymmetric vortices: Roberts 1965 and the table of DiPrima and Swinney 1981 ("Hydrodynamic
instabilities and the transition to turbulence", chapter 6) from 0.5 up; below 0.5 from the same equations.
"""
MOST_END_FACTOR: Final = 100.0
"""Greatest end factor; that of a disc of a tenth of its radius is about 10."""
NARROW_GAP_CRITICAL: Final = math.sqrt(1694.95)
"""Critical number of `taylor_number` for a gap that is small against the radius (Chandrasekhar 1961)."""


def angular_speed(speed_per_min: Number) -> Number:
    """Return the angular speed, rad/s, from revolutions per minute n: ω = 2 π n/60."""
    require_finite("speed_per_min", speed_per_min)
    return speed_per_min * (2.0 * math.pi / 60.0)


def _inverse_square(inner_radius_m: float, outer_radius_m: float) -> float:
    """Return (Ri/Re)^2; raise `ArgumentError` where the outer radius is not the larger one."""
    require_radii("inner_radius_m", inner_radius_m, "outer_radius_m", outer_radius_m)
    return (inner_radius_m / outer_radius_m) ** 2


def inner_stress(torque: Number, inner_radius_m: float, length_m: float, end_factor: float = 1.0) -> Number:
    """Shear stress at the inner wall, Pa: T/(2 π L Ri^2 c_L).  Any fluid (balance of moments)."""
    require_finite("torque", torque)
    _wetted(inner_radius_m, length_m, end_factor)
    return torque / (2.0 * math.pi * length_m * inner_radius_m**2 * end_factor)


def representative_stress(
    torque: Number, inner_radius_m: float, outer_radius_m: float, length_m: float, end_factor: float = 1.0
) -> Number:
    """Return the representative stress, Pa: (1 + δ^2)/(2 δ^2) * T/(2 π L Ri^2 c_L), the mean of both walls.

    ISO 3219-2 / DIN 53019-1; meant for δ at most 1.2.
    """
    q = _inverse_square(inner_radius_m, outer_radius_m)
    return inner_stress(torque, inner_radius_m, length_m, end_factor) * ((1.0 + q) / 2.0)


def representative_rate(omega: Number, inner_radius_m: float, outer_radius_m: float) -> Number:
    """Return the representative rate, 1/s: ω (δ^2 + 1)/(δ^2 - 1).  ISO 3219-2 / DIN 53019-1; δ at most 1.2."""
    require_finite("omega", omega)
    q = _inverse_square(inner_radius_m, outer_radius_m)
    return omega * ((1.0 + q) / (1.0 - q))


def newtonian_inner_rate(omega: Number, inner_radius_m: float, outer_radius_m: float) -> Number:
    """Return the Newtonian rate at the inner wall, 1/s: 2 ω δ^2/(δ^2 - 1).  Any gap."""
    require_finite("omega", omega)
    return omega * (2.0 / (1.0 - _inverse_square(inner_radius_m, outer_radius_m)))


def margules_viscosity(
    torque: Number,
    omega: Number,
    inner_radius_m: float,
    outer_radius_m: float,
    length_m: float,
    *,
    end_factor: float = 1.0,
) -> Number:
    """Return the viscosity, Pa.s: T (1 - (Ri/Re)^2)/(4 π L c_L Ri^2 ω), Margules 1881.  Newtonian, any gap.

    Equal to the representative stress over the representative rate.
    """
    require_finite("torque", torque)
    require_positive("omega", omega)
    require_same_shape("torque", torque, "omega", omega)
    _wetted(inner_radius_m, length_m, end_factor)
    q = _inverse_square(inner_radius_m, outer_radius_m)
    return torque / omega * ((1.0 - q) / (4.0 * math.pi * length_m * end_factor * inner_radius_m**2))


def krieger_elrod_rate(omega: Number, slope: Number, radius_ratio: float) -> Number:
    """Return the rate at the inner wall from the local slope, 1/s: 2 N ω/(1 - δ^(-2N)), N = dln(ω)/dln(T).

    Krieger and Elrod 1953 (leading term of their series); exact for a power-law fluid, where N = 1/n: 2 ω/n where
    it is unbounded, otherwise the rate of Krieger and Maron 1952.
    `slope` N from 0.01 to 1000 and `radius_ratio` δ > 1 (`math.inf`: unbounded).  The neglected terms are of order
    (N ln δ)^2 times the change of N with ln T.
    """
    require_finite("omega", omega)
    require_within("slope", slope, 0.01, 1000.0)
    require_same_shape("omega", omega, "slope", slope)
    require_ratio("radius_ratio", radius_ratio)
    if math.isinf(radius_ratio):
        return 2.0 * slope * omega
    return 2.0 * slope * omega / (1.0 - exp(-2.0 * math.log(radius_ratio) * slope))


def local_slopes(
    independent: "Sequence[float] | NDArray[np.float64]", dependent: "Sequence[float] | NDArray[np.float64]"
) -> "NDArray[np.float64]":
    """Return dln(dependent)/dln(independent) at each point of a series (second order, uneven steps allowed).

    With torque as independent and ω as dependent this is N of `krieger_elrod_rate`; with rim rate as
    independent and torque as dependent it is the slope for `rotors.plates_rim_stress`.  Needs at least
    3 points, all positive; the independent values must differ.

    Raises:
        ArgumentError: fewer points, values that are not positive, or repeated ones.
    """
    import numpy as np

    require_positives("independent", independent, 3)
    require_positives("dependent", dependent, 3)
    require_same_length("independent", independent, "dependent", dependent)
    x, y = np.asarray(independent, dtype=float), np.asarray(dependent, dtype=float)
    order = np.argsort(x, kind="stable")
    lx = np.log(x[order])
    if np.any(np.diff(lx) <= 1e-12):
        raise ArgumentError("a value occurs twice; average its readings first", key="independent")
    out: NDArray[np.float64] = np.zeros_like(lx)
    out[order] = np.gradient(np.log(y[order]), lx, edge_order=2)
    return out


def unbounded_rate(omega: Number, flow_behaviour_index: float = 1.0) -> Number:
    """Return the rate at a cylinder in an unbounded fluid, 1/s: 2 ω/n (n = 1: Newtonian); ends ignored."""
    require_finite("omega", omega)
    require_index("flow_behaviour_index", flow_behaviour_index)
    return 2.0 * omega / flow_behaviour_index


def vessel_wall_factor(radius_ratio: Number, flow_behaviour_index: float = 1.0) -> Number:
    """Return the torque in a vessel over that in an unbounded fluid at the same speed: (1 - ratio^(-2/n))^(-n).

    `radius_ratio` vessel over cylinder, > 1; n = 1: 1/(1 - (R/Rv)^2), Margules.  1.01 at ten radii.
    """
    require_ratio("radius_ratio", radius_ratio)
    require_finite("radius_ratio", radius_ratio)
    require_index("flow_behaviour_index", flow_behaviour_index)
    n = flow_behaviour_index
    return power(1.0 - power(radius_ratio, -2.0 / n), -n)


def taylor_number(
    density: float, viscosity: Number, omega: Number, inner_radius_m: float, outer_radius_m: float
) -> Number:
    """Return the Taylor number: ρ ω Ri d/η sqrt(d/Ri), d = Re - Ri; vortices start at `critical_taylor_number`.

    `density` in kg/m3, viscosity in Pa.s, ω at least 0.  The outer cylinder is at rest.

    Raises:
        ArgumentError: a density, viscosity, speed or radius that is not possible, or an unbounded fluid.
    """
    require_density("density", density)
    require_positive("viscosity", viscosity)
    require_not_negative("omega", omega)
    require_same_shape("viscosity", viscosity, "omega", omega)
    _inverse_square(inner_radius_m, outer_radius_m)
    require_length("outer_radius_m", outer_radius_m, WIDEST_VESSEL_M)
    gap = outer_radius_m - inner_radius_m
    return density * omega * inner_radius_m * gap / viscosity * math.sqrt(gap / inner_radius_m)


def critical_taylor_number(radius_ratio: float) -> float:
    """Return the `taylor_number` at which vortices start, for outer over inner radius: 41.2 narrow, 68.2 at 2.

    Long cylinders, the outer one at rest (`CRITICAL_REYNOLDS`); the error of the interpolation is below 0.1 %.  Above a
    ratio of 10 the number of 10 is returned, which is too small there.

    Raises:
        ArgumentError: a ratio not above 1.
    """
    require_ratio("radius_ratio", radius_ratio)
    inverse = max(1.0 / radius_ratio, _CURVE[0][0])
    # Between the rows Re sqrt(1 - η) η is nearly a straight line over η.
    i = min(bisect_right(_CURVE, (inverse, math.inf)), len(_CURVE) - 1)
    (x1, y1), (x2, y2) = _CURVE[i - 1], _CURVE[i]
    return (y1 + (y2 - y1) * (inverse - x1) / (x2 - x1)) / math.pow(inverse, 1.5)


_CURVE: Final = (
    *((x, r * math.sqrt(1.0 - x) * x) for x, r in CRITICAL_REYNOLDS.items()),
    (1.0, NARROW_GAP_CRITICAL),
)


def viscous_heating_rise(viscosity: Number, rate: Number, gap_m: float, conductivity: float = 0.2) -> Number:
    """Return the greatest temperature rise, K, of a sheared layer between walls of one temperature: η γ̇^2 d^2/(8 k).

    Steady plane Couette flow with constant viscosity (textbook result of the energy balance).  `gap_m` is d;
    `conductivity` k in W/(m K): water 0.6, most organic liquids 0.1 to 0.2.  An estimate for a warning.
    """
    require_not_negative("viscosity", viscosity)
    require_finite("rate", rate)
    require_same_shape("viscosity", viscosity, "rate", rate)
    require_length("gap_m", gap_m)
    require_within("conductivity", conductivity, 1e-3, 1e4, "W/(m K)")
    return viscosity * rate**2 * (gap_m**2 / (8.0 * conductivity))


def _wetted(radius_m: float, length_m: float, end_factor: float) -> None:
    require_length("inner_radius_m", radius_m)
    require_length("length_m", length_m)
    require_end_factor(end_factor)


def require_end_factor(end_factor: float) -> None:
    """Raise `ArgumentError` unless `end_factor` is the torque of wall and ends over the torque of the wall."""
    require_finite("end_factor", end_factor)
    if not 1.0 <= end_factor <= MOST_END_FACTOR:
        raise ArgumentError(
            f"must be from 1 to {MOST_END_FACTOR:g} (torque of wall and ends over torque of the wall), is {end_factor}",
            key="end_factor",
        )
