"""Compute the upper bound of the drift of a value, from which steadiness is judged.

On noisy data a slope that is not significant does not prove steadiness.  So the rule uses the upper end of the
confidence interval of the slope.  Readings 100 ms apart are not independent: the interval is widened by the lag-one
autocorrelation of the residuals (the effective number of readings of a first-order autoregressive series).  Residuals
with a strong autocorrelation are a curve and not noise (a slow relaxation, the ripple of one slow turn).  They give
no confidence interval, so the bound then holds the whole range of the block means.

`effective_count` is the one place where the autocorrelation of a first-order series becomes a number of readings, for
the drift and for the uncertainty of a mean.  A drift below white noise: `daq.rheology.slowdrift`.
"""

import math
from collections.abc import Sequence
from operator import gt
from typing import Final

from daq.core.arguments import is_listed, require_count, require_not_negative, require_within
from daq.core.errors import ArgumentError
from daq.core.statistics import StraightLine, refuse_series
from daq.core.student import t_975

MOST_READINGS: Final = 10**12
"""Greatest number of readings of a span."""
BLOCKS: Final = 20
"""Number of block means of a span: enough for a line, at a cost that does not depend on the reading rate."""


LEAST_EFFECTIVE: Final = 5.0
"""Effective number of readings below which the scatter of a span gives no uncertainty of its mean."""


def effective_count(n: int, lag1: float | None, *, fitted: int = 1, standard_errors: float = 0.0) -> float:
    """Return the effective number of independent readings of `n` autocorrelated ones: n (1 - r)/(1 + r).

    r is the lag-one autocorrelation of a first-order autoregressive series.  The estimate from a short span is too
    small on average: by (1 + 3 r)/n about a mean (F. H. C. Marriott and J. A. Pope, Biometrika 41 (1954) 390), by
    (2 + 4 r)/n about a line.  This is corrected.  r is limited to 0..1: a negative estimate does not raise the number.

    Args:
        n: number of readings.
        lag1: estimate of r, 1; None where all deviations are 0, so that nothing scatters and all `n` count.
        fitted: number of parameters that were fitted before: 1 for a mean, 2 for a line.
        standard_errors: number of standard errors sqrt((1 - r^2)/n) added to r, to be on the safe side.

    Raises:
        ArgumentError: no readings, an autocorrelation outside -1..1, or a negative number of standard errors.
    """
    require_count("n", n, 1, of="readings")
    require_count("fitted", fitted, 1, of="parameters")
    require_not_negative("standard_errors", standard_errors)
    if lag1 is None:
        return float(n)
    require_within("lag1", lag1, -1.0, 1.0)
    if n <= fitted + 2:
        return 0.0
    r = min(max((n * lag1 + fitted) / (n - fitted - 2), 0.0), 1.0)
    r = min(r + standard_errors * math.sqrt((1.0 - r * r) / n), 1.0)
    return n * (1.0 - r) / (1.0 + r)


def drift_bound(seconds: Sequence[float], values: Sequence[float]) -> float | None:
    """Return the upper bound (95 %) of the magnitude of the slope, in the unit of `values` per second.

    It is None for fewer than 8 points, and for points with equal times.  Where the effective number of independent
    points is below 4, the bound is the slope plus the range of the residuals over their time, so that it is never less
    than the range of the values over their time.

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
    effective = effective_count(line.n, line.lag1, fitted=2)
    if effective < 4.0:
        return abs(line.slope) + (max(line.residuals) - min(line.residuals)) / (seconds[-1] - seconds[0])
    return abs(line.slope) + t_975(effective - 2) * math.sqrt(line.residual_squares / (effective - 2) / line.x_squares)
