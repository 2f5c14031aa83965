"""Steadiness as a bound: how much the value may still drift, at most.

The absence of a significant slope proves nothing on noisy data, so the rule is on the
upper end of the slope's confidence interval.  Readings 100 ms apart are not independent;
the interval is widened by the lag-one autocorrelation of the residuals (the usual
effective sample size of a first-order autoregressive series).  Residuals that follow each
other so closely that they are a curve and no noise (a slow relaxation, the ripple of one slow
turn) say nothing about an interval: there the whole range of the block means is the bound.
"""

import math
from collections.abc import Sequence
from typing import Final

from daq.core.statistics import StraightLine
from daq.core.student import t_975

BLOCKS: Final = 20
"""A span is reduced to so many block means: enough for a line, and cheap at any reading rate."""


def effective_count(n: int, lag1: float) -> float:
    """Independent readings that `n` autocorrelated ones are worth: n (1 - r) / (1 + r), r taken within 0..0.95."""
    r = min(max(lag1, 0.0), 0.95)
    return n * (1 - r) / (1 + r)


def drift_bound(seconds: Sequence[float], values: Sequence[float]) -> float | None:
    """Upper bound (95 %) of the magnitude of the slope, in units of `values` per second.

    None where the points cannot carry it (fewer than 8, or all at one time).  Where they are worth fewer than 4
    independent ones it is their range over their time, or the slope if that is more.
    """
    if len(values) < 8:
        return None
    line = StraightLine.through(seconds, values)
    if line is None:
        return None
    # A perfect line has no residuals to correlate.
    worth = effective_count(line.n, line.lag1 or 0.0)
    if worth < 4.0:
        return max(abs(line.slope), (max(values) - min(values)) / (seconds[-1] - seconds[0]))
    return abs(line.slope) + t_975(worth - 2) * math.sqrt(line.residual_squares / (worth - 2) / line.x_squares)
