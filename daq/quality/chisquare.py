"""Quantiles of the chi-square distribution without scipy, whose import takes longer than a chart."""

import math
from statistics import NormalDist
from typing import Final

from daq.core.arguments import require_between, require_count

MOST_DOF: Final = 10**7
_NORMAL: Final = NormalDist()
_STIRLING_FROM: Final = 20.0
"""Argument of the gamma function from which four terms of Stirling's series have an error below 1e-13."""
_STEPS: Final = 200
_TERMS: Final = 100_000


def chi_square_quantile(dof: int, tail: float, *, upper: bool) -> float:
    """Return the x beyond which chi-square with `dof` degrees of freedom has the probability `tail`.

    Newton's method on the incomplete gamma function (Abramowitz and Stegun 26.4.19), started at the approximation of
    Wilson and Hilferty (26.4.17).

    Args:
        dof: degrees of freedom, 1 to 10 000 000.
        tail: probability, 0 < tail < 1.
        upper: True for P(X > x) = tail, False for P(X < x) = tail.

    Raises:
        ArgumentError: an argument is outside these bounds.
    """
    require_count("dof", dof, 1, MOST_DOF, "degrees of freedom")
    require_between("tail", tail, 0.0, 1.0)
    a = dof / 2.0
    z = -_NORMAL.inv_cdf(tail) if upper else _NORMAL.inv_cdf(tail)
    ninth = 2.0 / (9.0 * dof)
    root = 1.0 - ninth + z * math.sqrt(ninth)
    # Far out in the lower tail of few degrees of freedom the approximation is negative; the first term of the series
    # of the distribution function is exact there.
    first = math.exp((math.log(tail if not upper else 1.0 - tail) + math.lgamma(a + 1.0)) / a) if root < 0.3 else 0.0
    y = first or a * root**3
    low, high = 0.0, math.inf
    for _ in range(_STEPS):
        found = _tail(a, y, upper=upper)
        # The probability of the upper tail falls with y, that of the lower one rises.
        too_low = (found > tail) == upper
        low, high = (y, high) if too_low else (low, y)
        slope = math.exp(_log_density(a, y))
        step = (found - tail) / slope * (1.0 if upper else -1.0) if slope > 0.0 else 0.0
        after = y + step
        if not low < after < high or step == 0.0:
            after = (low + high) / 2.0 if high < math.inf else 2.0 * y
        if abs(after - y) <= 1e-15 * y:
            return 2.0 * after
        y = after
    return 2.0 * y


def _log_density(a: float, y: float) -> float:
    """Return the log of y^(a-1) e^-y / gamma(a)."""
    if a < _STIRLING_FROM:
        return (a - 1.0) * math.log(y) - y - math.lgamma(a)
    # Without the difference of great numbers: y = a (1 + d), and Stirling's series (Abramowitz and Stegun 6.1.41).
    d = (y - a) / a
    series = 1.0 / (12.0 * a) - 1.0 / (360.0 * a**3) + 1.0 / (1260.0 * a**5) - 1.0 / (1680.0 * a**7)
    return a * (math.log1p(d) - d) + 0.5 * math.log(a / (2.0 * math.pi)) - series - math.log(y)


def _tail(a: float, y: float, *, upper: bool) -> float:
    """Return the regularised incomplete gamma function Q(a, y), or P(a, y) of the lower tail."""
    scale = math.exp(_log_density(a, y) + math.log(y))
    if y < a + 1.0:
        # Abramowitz and Stegun 6.5.29.
        total = term = 1.0 / a
        for k in range(1, _TERMS):
            term *= y / (a + k)
            total += term
            if term < 1e-17 * total:
                break
        return 1.0 - scale * total if upper else scale * total
    # Abramowitz and Stegun 6.5.31, evaluated by the method of Lentz.
    tiny = 1e-300
    b = y + 1.0 - a
    c, d = 1.0 / tiny, 1.0 / b
    h = d
    for k in range(1, _TERMS):
        numerator = -k * (k - a)
        b += 2.0
        d = numerator * d + b
        d = 1.0 / (d if abs(d) > tiny else tiny)
        c = b + numerator / c
        c = c if abs(c) > tiny else tiny
        h *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return scale * h if upper else 1.0 - scale * h
