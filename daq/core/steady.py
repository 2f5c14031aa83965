"""Compute the upper bound of the drift of a value, from which steadiness is judged.

On noisy data a slope that is not significant does not prove steadiness.  So the rule uses the upper end of the
confidence interval of the slope.  Readings 100 ms apart are not independent: the interval is widened by the lag-one
autocorrelation of the residuals (the usual effective sample size of a first-order autoregressive series).  Residuals
with a strong autocorrelation are a curve and not noise (a slow relaxation, the ripple of one slow turn).  They give
no confidence interval, so the bound is then the whole range of the block means.
"""

import math
from collections.abc import Sequence
from operator import gt
from typing import Final

from daq.core.arguments import is_listed, require_count, require_within
from daq.core.errors import ArgumentError
from daq.core.statistics import StraightLine, refuse_series
from daq.core.student import t_975

MOST_READINGS: Final = 10**12
"""Greatest number of readings of a span."""
BLOCKS: Final = 20
"""Number of block means of a span: enough for a line, at a cost that does not depend on the reading rate."""


def effective_count(n: int, lag1: float) -> float:
    """Return the effective number of independent readings of `n` autocorrelated ones: n (1 - r) / (1 + r).

    r is `lag1`, limited to 0..0.95.

    Raises:
        ArgumentError: no readings, or a correlation outside -1..1.
    """
    # Compared here and checked only on failure, because steadiness is judged between readings.
    if not (type(n) is int and 0 < n < MOST_READINGS and type(lag1) is float and -1.0 <= lag1 <= 1.0):
        require_count("n", n, 1, MOST_READINGS, "readings")
        require_within("lag1", lag1, -1.0, 1.0)
    r = min(max(lag1, 0.0), 0.95)
    return n * (1 - r) / (1 + r)


def drift_bound(seconds: Sequence[float], values: Sequence[float]) -> float | None:
    """Return the upper bound (95 %) of the magnitude of the slope, in the unit of `values` per second.

    It is None for fewer than 8 points, and for points with equal times.  Where the effective number of independent
    points is below 4, the bound is the range of the values over their time, or the slope if that is greater.

    Raises:
        ArgumentError: a value that is no finite number, lists of different lengths, or times that decrease.
    """
    if not (is_listed(values) and is_listed(seconds)):
        raise ArgumentError("must be a list of numbers", key="seconds" if is_listed(values) else "values")
    if len(values) < 8:
        return None
    # The values themselves are checked by their sums (see `statistics`), because this runs between readings.
    try:
        line = StraightLine.through(seconds, values)
    except ArgumentError:
        refuse_series(seconds=seconds, values=values)
    if line is None:
        return None
    # On a perfect line all residuals are 0, and there is no autocorrelation.
    if any(map(gt, seconds, seconds[1:])):
        raise ArgumentError("must not decrease", key="seconds")
    effective = effective_count(line.n, line.lag1 or 0.0)
    if effective < 4.0:
        return max(abs(line.slope), (max(values) - min(values)) / (seconds[-1] - seconds[0]))
    return abs(line.slope) + t_975(effective - 2) * math.sqrt(line.residual_squares / (effective - 2) / line.x_squares)
