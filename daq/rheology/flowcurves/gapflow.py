"""Shear rate at the wall of a gap from the measured angular speed, for any flow model.

Between cylinders the balance of moments gives the stress at every radius.  Therefore
ω = 1/2 integral of γ̇ d(ln τ) from the outer wall's stress to the inner one's (Krieger and Elrod 1953).  The
integral is taken over a fine grid of rates, which needs no inverse of the flow model and holds for a gap that flows
only in part.  `radius_ratio` is outer over inner radius, `math.inf` for an unbounded fluid.
"""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from daq.core.arguments import require_positive, require_positives, require_ratio, require_within
from daq.core.errors import ArgumentError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

GRID_POINTS: Final = 3000
DECADES_BELOW: Final = 5.0
"""Decades of the grid below the slowest angular speed; slower flow adds less than 1e-5."""
HIGHEST_FACTOR: Final = 60.0
"""Greatest wall rate over the Newtonian one: that of a power-law fluid with n = 1/60 in an unbounded vessel."""


def omegas_of_wall_rates(stress: "Callable[[Array], Array]", rates: "Array", radius_ratio: float) -> "Array":
    """Return the angular speed (rad/s) for each wall rate of a rising grid (1/s); the model `stress(rates)` is in Pa.

    Relative error below 1e-5 on a grid of `GRID_POINTS` over ten decades.  Where the model's stress falls with the
    rate the flow is not unique; the stress is then taken as constant.

    Raises:
        ArgumentError: `radius_ratio` not above 1, or rates that do not rise.
    """
    import numpy as np

    require_ratio("radius_ratio", radius_ratio)
    require_positives("rates", rates, 2, "rates")
    if np.any(np.diff(rates) <= 0.0):
        raise ArgumentError("must rise", key="rates")
    try:
        stresses = np.asarray(stress(rates), dtype=float)
    except (TypeError, ValueError) as error:
        raise ArgumentError(f"must give the stresses (Pa) of an array of rates: {error}", key="stress") from None
    if stresses.shape != rates.shape:
        raise ArgumentError(f"must give a stress for each of {rates.size} rates, gives {stresses.size}", key="stress")
    require_positive("stress", stresses)
    log_stress = np.log(np.maximum.accumulate(stresses))
    # The part below the grid, from the slope at its beginning: a power law integrates to rate times slope.
    first = rates[0] * (log_stress[1] - log_stress[0]) / math.log(rates[1] / rates[0])
    pieces = np.diff(log_stress) * _mean_rates(rates)
    inside = first + np.concatenate([[0.0], np.cumsum(pieces)])
    if math.isinf(radius_ratio):
        return np.asarray(inside / 2.0)
    outer = log_stress - 2.0 * math.log(radius_ratio)
    beyond = np.exp(np.interp(outer, log_stress, np.log(inside), left=-math.inf))
    return np.asarray((inside - beyond) / 2.0)


def wall_rates(stress: "Callable[[Array], Array]", omegas: "Array", radius_ratio: float) -> "Array":
    """Return the rate (1/s) at the inner wall for each angular speed (rad/s, > 0) under the model `stress(rates)` (Pa).

    Newtonian: 2 ω/(1 - radius_ratio^-2).  Power law: 2 ω/(n (1 - radius_ratio^(-2/n))), Krieger and Maron 1952.

    Raises:
        ArgumentError: `radius_ratio` not above 1, speeds not above 0, or a model without a positive stress.
    """
    import numpy as np

    require_ratio("radius_ratio", radius_ratio)
    require_positives("omegas", omegas, 1, "speeds")
    require_within("omegas", omegas, 1e-15, 1e15, "rad/s")
    newtonian = 2.0 / (1.0 - (0.0 if math.isinf(radius_ratio) else radius_ratio**-2))
    low = float(omegas.min()) * 10.0**-DECADES_BELOW
    grid = np.geomspace(low, float(omegas.max()) * newtonian * HIGHEST_FACTOR, GRID_POINTS)
    known = omegas_of_wall_rates(stress, grid, radius_ratio)
    return np.asarray(np.exp(np.interp(np.log(omegas), np.log(known), np.log(grid))))


def _mean_rates(rates: "Array") -> "Array":
    """Return the logarithmic means of neighbours: exact pieces of the integral for a power law."""
    import numpy as np

    return np.asarray(np.diff(rates) / np.diff(np.log(rates)))
