"""Flow between and around cylinders: the inner one turns, the outer one or the vessel is at rest; laminar, no slip.

Symbols: Ri, Re inner and outer radius (m), delta = Re/Ri, L wetted length (m), c_L end factor (torque of
wall and ends over torque of the wall), T torque (N.m), ω angular speed (rad/s).  An outer radius of
`math.inf` gives the unbounded fluid.  Torque, speed and viscosity may be numpy arrays.
"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from daq.rheology.elementary import ArgumentError, Number, exp, power

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TAYLOR_CRITICAL = 41.2
"""Critical number for a narrow gap, outer cylinder at rest: the square root of Taylor's, which is widely taken as 1708
(G.I. Taylor 1923), less a quarter of a percent.  For a warning only."""


def angular_speed(speed_per_min: Number) -> Number:
    """Return the angular speed, rad/s, from revolutions per minute n: ω = 2 π n/60."""
    return speed_per_min * (2.0 * math.pi / 60.0)


def _inverse_square(inner_radius_m: float, outer_radius_m: float) -> float:
    """Return (Ri/Re)^2; raise `ArgumentError` where the outer radius is not the larger one."""
    if not 0.0 < inner_radius_m < outer_radius_m:
        raise ArgumentError(
            f"must be greater than the inner radius ({inner_radius_m} m), is {outer_radius_m} m", key="outer_radius_m"
        )
    return (inner_radius_m / outer_radius_m) ** 2


def inner_stress(torque: Number, inner_radius_m: float, length_m: float, end_factor: float = 1.0) -> Number:
    """Shear stress at the inner wall, Pa: T/(2 π L Ri^2 c_L).  Any fluid (balance of moments)."""
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
    q = _inverse_square(inner_radius_m, outer_radius_m)
    return omega * ((1.0 + q) / (1.0 - q))


def newtonian_inner_rate(omega: Number, inner_radius_m: float, outer_radius_m: float) -> Number:
    """Return the Newtonian rate at the inner wall, 1/s: 2 ω δ^2/(δ^2 - 1).  Any gap."""
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
    q = _inverse_square(inner_radius_m, outer_radius_m)
    return torque / omega * ((1.0 - q) / (4.0 * math.pi * length_m * end_factor * inner_radius_m**2))


def krieger_elrod_rate(omega: Number, slope: Number, radius_ratio: float) -> Number:
    """Return the rate at the inner wall from the local slope, 1/s: 2 N ω/(1 - δ^(-2N)), N = dln(ω)/dln(T).

    Krieger and Elrod 1953 (leading term of their series); exact for a power-law fluid, where N = 1/n: 2 ω/n where
    it is unbounded, otherwise the rate of Krieger and Maron 1952.
    `slope` N > 0 and `radius_ratio` δ > 1 (`math.inf`: unbounded).  The neglected terms are of order
    (N ln δ)^2 times the change of N with ln T.
    """
    if not radius_ratio > 1.0:
        raise ArgumentError(f"must be greater than 1, is {radius_ratio}", key="radius_ratio")
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

    x, y = np.asarray(independent, dtype=float), np.asarray(dependent, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or x.size < 3:
        raise ArgumentError(f"needs at least 3 pairs, got {x.size} and {y.size}", key="independent")
    if not (np.all(x > 0) and np.all(y > 0)):
        raise ArgumentError("all values must be greater than 0", key="independent")
    order = np.argsort(x, kind="stable")
    lx = np.log(x[order])
    if np.any(np.diff(lx) <= 0.0):
        raise ArgumentError("a value occurs twice; average its readings first", key="independent")
    out: NDArray[np.float64] = np.zeros_like(lx)
    out[order] = np.gradient(np.log(y[order]), lx, edge_order=2)
    return out


def unbounded_rate(omega: Number, flow_behaviour_index: float = 1.0) -> Number:
    """Return the rate at a cylinder in an unbounded fluid, 1/s: 2 ω/n (n = 1: Newtonian); ends ignored."""
    return 2.0 * omega / _index(flow_behaviour_index)


def vessel_wall_factor(radius_ratio: Number, flow_behaviour_index: float = 1.0) -> Number:
    """Return the torque in a vessel over that in an unbounded fluid at the same speed: (1 - ratio^(-2/n))^(-n).

    `radius_ratio` vessel over cylinder, > 1; n = 1: 1/(1 - (R/Rv)^2), Margules.  1.01 at ten radii.
    """
    n = _index(flow_behaviour_index)
    return power(1.0 - power(radius_ratio, -2.0 / n), -n)


def taylor_number(
    density: float, viscosity: Number, omega: Number, inner_radius_m: float, outer_radius_m: float
) -> Number:
    """Return the Taylor number; vortices start at `TAYLOR_CRITICAL`: ρ ω Ri d/η sqrt(d/Ri), d = Re - Ri.

    `density` in kg/m3.  Narrow gap, outer cylinder at rest.
    """
    gap = outer_radius_m - inner_radius_m
    return density * omega * inner_radius_m * gap / viscosity * math.sqrt(gap / inner_radius_m)


def viscous_heating_rise(viscosity: Number, rate: Number, gap_m: float, conductivity: float = 0.2) -> Number:
    """Return the greatest temperature rise, K, of a sheared layer between walls of one temperature: η γ̇^2 d^2/(8 k).

    Steady plane Couette flow with constant viscosity (textbook result of the energy balance).  `gap_m` is d;
    `conductivity` k in W/(m K): water 0.6, most organic liquids 0.1 to 0.2.  An estimate for a warning.
    """
    return viscosity * rate**2 * (gap_m**2 / (8.0 * conductivity))


def _index(flow_behaviour_index: float) -> float:
    if not 0.0 < flow_behaviour_index < math.inf:
        raise ArgumentError(f"must be greater than 0 and finite, is {flow_behaviour_index}", key="flow_behaviour_index")
    return flow_behaviour_index
