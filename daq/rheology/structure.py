"""Shear thinning and thixotropy: indices, loop area, recovery, and first-order structure kinetics.

Viscosities of one call are in one unit; rates in 1/s, stresses in Pa, times in s.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daq.rheology.elementary import ArgumentError, Number, exp, log, require_positive

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def shear_thinning_index(viscosity_slow: Number, viscosity_fast: Number) -> Number:
    """Apparent viscosity at a speed over that at ten times this speed; 1 is Newtonian, above 1 shear thinning.

    ASTM D2196 and E3070 (factor of ten from memory).
    """
    require_positive("viscosity_slow", viscosity_slow)
    require_positive("viscosity_fast", viscosity_fast)
    return viscosity_slow / viscosity_fast


def flow_index(viscosity_ratio: Number, speed_ratio: float = 10.0) -> Number:
    """Flow index n of a power-law fluid from slow over fast viscosity: 1 - ln(ratio)/ln(speed ratio)."""
    require_positive("viscosity_ratio", viscosity_ratio)
    if not speed_ratio > 1.0:
        raise ArgumentError(f"must be greater than 1, is {speed_ratio}", key="speed_ratio")
    return 1.0 - log(viscosity_ratio) / math.log(speed_ratio)


def power_law_through_two(rate_1: float, viscosity_1: float, rate_2: float, viscosity_2: float) -> tuple[float, float]:
    """(n, K) of the power law through two points: n = 1 + ln(eta2/eta1)/ln(g2/g1), K = eta1/g1^(n-1).

    K is in the unit of the viscosity times s^(n-1).

    Raises:
        ArgumentError: a value that is not positive, or equal rates.
    """
    for name, x in (("rate_1", rate_1), ("rate_2", rate_2), ("viscosity_1", viscosity_1), ("viscosity_2", viscosity_2)):
        require_positive(name, x)
    if rate_1 == rate_2:
        raise ArgumentError("must differ from rate_1", key="rate_2")
    n = 1.0 + math.log(viscosity_2 / viscosity_1) / math.log(rate_2 / rate_1)
    return n, viscosity_1 * math.pow(rate_1, 1.0 - n)


def thixotropy_ratio(viscosity_after: Number, viscosity_before: Number) -> Number:
    """Slow-speed viscosity after a fast step over the one before it: 1 keeps its structure, below 1 has lost some.

    Standards differ in the direction of this ratio: name numerator and denominator where it is shown.
    """
    require_positive("viscosity_before", viscosity_before)
    return viscosity_after / viscosity_before


def recovery_fraction(viscosity: Number, before: float, broken: float) -> Number:
    """Part of the lost viscosity that has come back: (eta - broken)/(before - broken).

    `before` at the end of the slow step, `broken` at the end of the fast one.

    Raises:
        ArgumentError: `before` not above `broken`: nothing was lost.
    """
    if not before > broken:
        raise ArgumentError(f"must be above broken ({broken:g}), is {before:g}: nothing was lost", key="before")
    return (viscosity - broken) / (before - broken)


def loop_area(
    up_rates: "Sequence[float] | NDArray[np.float64]",
    up_stresses: "Sequence[float] | NDArray[np.float64]",
    down_rates: "Sequence[float] | NDArray[np.float64]",
    down_stresses: "Sequence[float] | NDArray[np.float64]",
) -> float:
    """Area between the up and the down curve, Pa/s, over the rates that both cover (trapezoidal rule).

    Positive where the up curve lies above: structure was lost (thixotropy).  It depends on the ramp: compare only
    equal programmes.  Each branch may run in either direction; its rates must all differ.

    Raises:
        ArgumentError: fewer than 2 points in a branch, repeated rates, or branches that do not overlap.
    """
    import numpy as np

    branches = []
    for name, rates, stresses in (("up_rates", up_rates, up_stresses), ("down_rates", down_rates, down_stresses)):
        g, tau = np.asarray(rates, dtype=float), np.asarray(stresses, dtype=float)
        order = np.argsort(g)
        g, tau = g[order], tau[order]
        if g.shape != tau.shape or g.size < 2 or np.any(np.diff(g) <= 0.0):
            raise ArgumentError("needs at least 2 points with different rates", key=name)
        branches.append((g, tau))
    (gu, tu), (gd, td) = branches
    low, high = max(gu[0], gd[0]), min(gu[-1], gd[-1])
    if not high > low:
        raise ArgumentError("the two branches have no rates in common", key="down_rates")
    grid = np.unique(np.concatenate([gu, gd, [low, high]]))
    grid = grid[(grid >= low) & (grid <= high)]
    difference = np.interp(grid, gu, tu) - np.interp(grid, gd, td)
    return float(np.sum((difference[1:] + difference[:-1]) / 2.0 * np.diff(grid)))


@dataclass(frozen=True, slots=True)
class StructureKinetics:
    """First-order structure model of Goodeve and Moore: dl/dt = k1 (1 - l) - k2 g l, eta = eta_inf + d_eta l.

    Fields: build-up rate k1 (1/s), break-down constant k2 (1), eta_inf and d_eta in one viscosity unit; l is 1 for
    the whole structure, 0 for none.
    """

    k1_per_s: float
    k2: float
    eta_inf: float
    d_eta: float

    def __post_init__(self) -> None:
        require_positive("k1_per_s", self.k1_per_s)
        if not self.k2 >= 0.0:
            raise ArgumentError(f"must be at least 0, is {self.k2}", key="k2")

    def equilibrium(self, rate: Number) -> Number:
        """Structure that a rate (1/s) leaves in the end: k1/(k1 + k2 g)."""
        return self.k1_per_s / (self.k1_per_s + self.k2 * rate)

    def after(self, start: float, rate: float, seconds: Number) -> Number:
        """Structure after `seconds` at a constant rate from `start`: le + (l0 - le) exp(-(k1 + k2 g) t), exact."""
        end = self.equilibrium(rate)
        return end + (start - end) * exp(-(self.k1_per_s + self.k2 * rate) * seconds)

    def viscosity(self, structure: Number) -> Number:
        """Viscosity at a structure: eta_inf + d_eta l."""
        return self.eta_inf + self.d_eta * structure

    @property
    def half_time_at_rest(self) -> float:
        """Time in which half of the missing structure rebuilds at rest, s: ln(2)/k1."""
        return math.log(2.0) / self.k1_per_s

    def through(self, start: float, segments: Sequence[tuple[float, float]]) -> list[float]:
        """Structure at the end of each segment (rate 1/s, duration s), one after the other from `start`."""
        out: list[float] = []
        level = start
        for rate, seconds in segments:
            level = self.after(level, rate, seconds)
            out.append(level)
        return out
