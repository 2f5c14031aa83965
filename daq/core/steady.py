"""Steadiness as a bound: how much the value may still drift, at most.

The absence of a significant slope proves nothing on noisy data, so the rule is on the
upper end of the slope's confidence interval.  Readings 100 ms apart are not independent;
the interval is widened by the lag-one autocorrelation of the residuals (the usual
effective sample size of a first-order autoregressive series).  Residuals that follow each
other so closely that they are a curve and no noise (a slow relaxation, the ripple of one slow
turn) say nothing about an interval: there the whole range of the block means is the bound.
"""

import itertools
import math
from collections.abc import Sequence
from typing import Final

BLOCKS: Final = 20
"""A span is reduced to so many block means: enough for a line, and cheap at any reading rate."""


def t_975(df: float) -> float:
    """97.5 % point of Student's t for `df` > 0 degrees of freedom (also not whole).

    Cornish-Fisher expansion about the normal quantile (Abramowitz and Stegun 26.7.5), within
    0.2 % from 4 degrees of freedom; below that the printed table is interpolated upwards.
    """
    if df < 4:
        table = {1: 12.7062, 2: 4.3027, 3: 3.1824}
        return table[max(1, math.floor(df))]
    z = 1.959963984540054
    z3, z5, z7, z9 = z**3, z**5, z**7, z**9
    return (
        z
        + (z3 + z) / (4 * df)
        + (5 * z5 + 16 * z3 + 3 * z) / (96 * df**2)
        + (3 * z7 + 19 * z5 + 17 * z3 - 15 * z) / (384 * df**3)
        + (79 * z9 + 776 * z7 + 1482 * z5 - 1920 * z3 - 945 * z) / (92160 * df**4)
    )


def effective_count(n: int, lag1: float) -> float:
    """Independent readings that `n` autocorrelated ones are worth: n (1 - r) / (1 + r), r taken within 0..0.95."""
    r = min(max(lag1, 0.0), 0.95)
    return n * (1 - r) / (1 + r)


def drift_bound(seconds: Sequence[float], values: Sequence[float]) -> float | None:
    """Upper bound (95 %) of the magnitude of the slope, in units of `values` per second.

    None where the points cannot carry it (fewer than 8, or all at one time).  Where they are worth fewer than 4
    independent ones it is their range over their time, or the slope if that is more.
    """
    n = len(values)
    if n < 8:
        return None
    t_mean, v_mean = math.fsum(seconds) / n, math.fsum(values) / n
    dt = [t - t_mean for t in seconds]
    sxx = math.fsum(x * x for x in dt)
    if sxx <= 0.0:
        return None
    slope = math.fsum(x * (v - v_mean) for x, v in zip(dt, values, strict=True)) / sxx
    residuals = [v - v_mean - slope * x for x, v in zip(dt, values, strict=True)]
    sse = math.fsum(r * r for r in residuals)
    # A perfect line has no residuals to correlate.
    lag1 = math.fsum(a * b for a, b in itertools.pairwise(residuals)) / sse if sse > 0.0 else 0.0
    worth = effective_count(n, lag1)
    if worth < 4.0:
        return max(abs(slope), (max(values) - min(values)) / (seconds[-1] - seconds[0]))
    se = math.sqrt(sse / (worth - 2) / sxx)
    return abs(slope) + t_975(worth - 2) * se
