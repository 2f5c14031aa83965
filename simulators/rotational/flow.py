"""Numerical solution of the steady flow between a turning cylinder and a vessel at rest.

The balance of moments gives the stress at every radius, τ(r) = T/(2 π L c_L r^2). The flow law gives the rate γ̇ there,
and the angular speed is the integral of γ̇/r over the part of the gap where the stress exceeds the yield stress. The
torque at a given speed is found by bisection.
"""

import functools
import math
from typing import TYPE_CHECKING

from simulators.rotational.geometry import Geometry
from simulators.rotational.laws import FlowLaw

if TYPE_CHECKING:
    from simulators.rotational.laws import Array

NODES = 96
LOWEST_OMEGA = 1e-4
HIGHEST_OMEGA = 100.0
TABLE_POINTS = 401
_HALVINGS = 42


def omega_at_torque(geometry: Geometry, law: FlowLaw, torque: "Array") -> "Array":
    """Return angular speeds (rad/s) at torques (N.m, one dimension), with the Gauss-Legendre rule in ln r."""
    import numpy as np  # noqa: PLC0415 - see `laws`

    points, weights = _rule()
    moment = torque / (2.0 * math.pi * geometry.length_m * geometry.end_factor)
    inner, outer = math.log(geometry.inner_radius_m), math.log(geometry.outer_radius_m)
    edge = np.full_like(torque, outer)
    if law.yield_stress > 0.0:
        with np.errstate(divide="ignore"):
            edge = np.clip(0.5 * np.log(moment / law.yield_stress), inner, outer)
    half = 0.5 * (edge - inner)
    log_radius = inner + half[:, None] * (points + 1.0)
    stress = moment[:, None] * np.exp(-2.0 * log_radius)
    return np.asarray(half * (law.rate(stress) @ weights))


@functools.cache
def _rule() -> "tuple[Array, Array]":
    import numpy as np  # noqa: PLC0415 - see `laws`

    points, weights = np.polynomial.legendre.leggauss(NODES)
    return points, weights


def yield_torque(geometry: Geometry, law: FlowLaw) -> float:
    """Return the torque (N.m) at which the stress at the cylinder's wall is the yield stress."""
    return 2.0 * math.pi * geometry.length_m * geometry.end_factor * geometry.inner_radius_m**2 * law.yield_stress


def torque_at_omega(geometry: Geometry, law: FlowLaw, omega: "Array") -> "Array":
    """Return torques (N.m) at angular speeds (rad/s, positive, one dimension), relative error below 1e-9."""
    import numpy as np  # noqa: PLC0415 - see `laws`

    least = yield_torque(geometry, law)
    low, high = np.full_like(omega, -70.0), np.full_like(omega, 10.0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        slow = omega_at_torque(geometry, law, least + np.exp(middle)) < omega
        low, high = np.where(slow, middle, low), np.where(slow, high, middle)
    return np.asarray(least + np.exp(0.5 * (low + high)))


class TorqueTable:
    """Torque against speed of one law in one geometry, solved once and then interpolated.

    Linear in ln T over an even grid of ln ω: exact for a power law, within 1e-4 for laws with a yield stress. Below
    LOWEST_OMEGA the first piece is extrapolated.
    """

    def __init__(self, geometry: Geometry, law: FlowLaw) -> None:
        import numpy as np  # noqa: PLC0415 - see `laws`

        grid = np.linspace(math.log(LOWEST_OMEGA), math.log(HIGHEST_OMEGA), TABLE_POINTS)
        self._log_torque: list[float] = np.log(torque_at_omega(geometry, law, np.exp(grid))).tolist()
        self._start = float(grid[0])
        self._per_step = 1.0 / float(grid[1] - grid[0])
        self.yield_torque_nm = yield_torque(geometry, law)

    def torque(self, omega: float) -> float:
        """Return the torque (N.m) at an angular speed (rad/s, positive)."""
        position = (math.log(omega) - self._start) * self._per_step
        index = min(max(int(position), 0), TABLE_POINTS - 2)
        low = self._log_torque[index]
        return math.exp(low + (position - index) * (self._log_torque[index + 1] - low))


@functools.lru_cache(maxsize=64)
def torque_table(geometry: Geometry, law: FlowLaw) -> TorqueTable:
    """Return the table of a law in a geometry; it is solved once in a process."""
    return TorqueTable(geometry, law)
