"""Shear thinning and thixotropy: indices, loop area, recovery, and first-order structure kinetics.

Viscosities of one call are in one unit; rates in 1/s, stresses in Pa, times in s.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daq.core.arguments import (
    Number,
    require_finite,
    require_not_negative,
    require_numbers,
    require_positive,
    require_same_length,
    require_same_shape,
)
from daq.core.errors import ArgumentError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def shear_thinning_index(viscosity_slow: Number, viscosity_fast: Number) -> Number:
    """Return apparent viscosity at a speed over that at ten times the speed; 1 is Newtonian, above 1 shear-thinning.

    ASTM E3070 takes the ratio at any two speeds; the factor of ten is common practice.
    """
    require_positive("viscosity_slow", viscosity_slow)
    require_positive("viscosity_fast", viscosity_fast)
    require_same_shape("viscosity_slow", viscosity_slow, "viscosity_fast", viscosity_fast)
    return viscosity_slow / viscosity_fast


def recovery_fraction(viscosity: Number, before: float, broken: float) -> Number:
    """Return the recovered part of the lost viscosity: (η - broken)/(before - broken).

    `before`: viscosity at the end of the slow step; `broken`: at the end of the fast one.

    Raises:
        ArgumentError: `before` not above `broken`: nothing was lost.
    """
    require_finite("viscosity", viscosity)
    require_positive("before", before)
    require_not_negative("broken", broken)
    if not before > broken * (1.0 + 1e-12):
        raise ArgumentError(f"must be above broken ({broken:g}), is {before:g}: nothing was lost", key="before")
    return (viscosity - broken) / (before - broken)


def loop_area(
    up_rates: "Sequence[float] | NDArray[np.float64]",
    up_stresses: "Sequence[float] | NDArray[np.float64]",
    down_rates: "Sequence[float] | NDArray[np.float64]",
    down_stresses: "Sequence[float] | NDArray[np.float64]",
) -> float:
    """Return the area between the up and the down curve, Pa/s, over the rates of both (trapezoidal rule).

    Positive where the up curve is above: structure was lost (thixotropy).  The area depends on the ramp: compare only
    equal programmes.  A branch may be in either order; its rates must differ.

    Raises:
        ArgumentError: fewer than 2 points in a branch, repeated rates, or branches that do not overlap.
    """
    import numpy as np

    branches = []
    for name, rates, stresses in (("up_rates", up_rates, up_stresses), ("down_rates", down_rates, down_stresses)):
        require_numbers(name, rates, 2, "rates")
        require_numbers(name.replace("rates", "stresses"), stresses, 2, "stresses")
        require_same_length(name, rates, name.replace("rates", "stresses"), stresses)
        g, tau = np.asarray(rates, dtype=float), np.asarray(stresses, dtype=float)
        order = np.argsort(g)
        g, tau = g[order], tau[order]
        if np.any(g < 0.0):
            raise ArgumentError(f"must be at least 0, is {g[0]:g}", key=name)
        if np.any(np.diff(g) <= 0.0):
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
