"""Statistics of small series: description, intervals, outliers, lines.

Exact sums come from `daq.core.statistics`.  Outlier tests only name a value; no function removes one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

from daq.core.arguments import (
    SMALLEST,
    require_count,
    require_numbers,
    require_probability,
    require_same_length,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.core.statistics import Axis, StraightLine, summarise
from daq.core.student import student_quantile
from daq.quality.distributions import range_below, spacing_ratio_above

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_POINTS: Final = 3000
"""Greatest number of points of a Theil-Sen line: 4.5 million slopes, 36 MB."""


@dataclass(frozen=True, slots=True)
class Description:
    """Mean, scatter and lag-one autocorrelation of a series; unit of the values."""

    n: int
    mean: float
    sd: float | None
    """Sample standard deviation (n - 1); None for one value."""
    lag1: float | None
    """Sum of products of neighbours over the sum of squares, about the mean; None where all values are equal."""


def describe(values: Sequence[float]) -> Description:
    """Describe at least one finite value; accurate to the last digits (two passes, exact sums).

    Raises:
        ArgumentError: no values, or a value that is not finite.
    """
    require_numbers("values", values, 1)
    s = summarise([float(v) for v in values], Axis(range(len(values))))
    assert s.mean is not None  # noqa: S101 - narrows the type
    return Description(s.n, s.mean, s.sd, s.lag1)


@dataclass(frozen=True, slots=True)
class OutlierTest:
    """Result of an outlier test of the most extreme value.  The value is named, never removed."""

    index: int
    """Position of the value in the series."""
    value: float
    statistic: float
    critical: float
    alpha: float

    @property
    def is_outlier(self) -> bool:
        """True where the statistic exceeds its critical value."""
        return self.statistic > self.critical


def grubbs_critical(n: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """Return the critical value of Grubbs' G for one outlier among n >= 3: (n-1)/sqrt(n) sqrt(t^2/(n-2+t^2)).

    t with n - 2 degrees of freedom at α/(2n), one-sided at α/n (Grubbs 1969; ISO 5725-2).
    """
    require_count("n", n, 3, 10**6)
    require_probability("alpha", alpha)
    t = student_quantile(1.0 - alpha / ((2 if two_sided else 1) * n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs_test(values: Sequence[float], alpha: float = 0.05, *, two_sided: bool = True) -> OutlierTest:
    """Test the value farthest from the mean by Grubbs: G = |x - mean|/s; normal values, at least 3.

    Equal values give G = 0.
    """
    require_numbers("values", values, 3)
    d = describe(values)
    index = max(range(d.n), key=lambda i: abs(values[i] - d.mean))
    g = abs(values[index] - d.mean) / d.sd if d.sd else 0.0
    return OutlierTest(index, values[index], g, grubbs_critical(d.n, alpha, two_sided=two_sided), alpha)


def dixon_critical(n: int, alpha: float = 0.05) -> float:
    """Return the critical value of Dixon's Q (r10: gap over range), two-sided, n 3 to 30, by the exact double integral.

    Dixon 1950.  The classical printed tables (Dean and Dixon 1951, Rorabacher 1991) are up to 0.005 off.
    """
    from scipy.optimize import brentq

    require_count("n", n, 3, 30)
    require_probability("alpha", alpha)
    return float(brentq(lambda r: spacing_ratio_above(r, n) - alpha, 1e-9, 1.0 - 1e-12, xtol=1e-12))


def dixon_test(values: Sequence[float], alpha: float = 0.05) -> OutlierTest:
    """Test the lowest or the highest of 3 to 30 values by Dixon (r10), the one with the larger gap: Q = gap/range.

    Equal values give Q = 0.
    """
    require_numbers("values", values, 3)
    order = sorted(range(len(values)), key=lambda i: values[i])
    low, second, before, high = (values[order[i]] for i in (0, 1, -2, -1))
    spread = high - low
    lower, upper = ((second - low) / spread, (high - before) / spread) if spread > 0.0 else (0.0, 0.0)
    index = order[0] if lower > upper else order[-1]
    return OutlierTest(index, values[index], max(lower, upper), dixon_critical(len(values), alpha), alpha)


def range_quantile(n: int, probability: float = 0.95) -> float:
    """Return the quantile of the range of n >= 2 standard normal values; at 0.95 the factor f(n) of ISO 5725-6."""
    from scipy.optimize import brentq

    require_count("n", n, 2, 1000)
    require_within("probability", probability, 1e-4, 1.0 - 1e-9)
    return float(brentq(lambda w: range_below(w, n) - probability, 1e-6, 20.0, xtol=1e-12))


@dataclass(frozen=True, slots=True)
class Line:
    """Ordinary least-squares line y = intercept + slope x."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    r_squared: float
    n: int
    lag1: float | None
    """Lag-one autocorrelation of the residuals in the order given; None where all residuals are 0."""

    @property
    def dof(self) -> int:
        """Degrees of freedom: n - 2."""
        return self.n - 2

    @property
    def t(self) -> float:
        """Slope over its standard error; infinite for a perfect line with a slope."""
        if self.slope_se > 0.0:
            return self.slope / self.slope_se
        return 0.0 if self.slope == 0.0 else math.copysign(math.inf, self.slope)


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Fit a line by ordinary least squares through at least 3 points; centred, with exact sums.

    For readings in time the autocorrelation of the residuals matters: `daq.core.steady.drift_bound` allows for it.

    Raises:
        ArgumentError: fewer than 3 points, different lengths, or all x equal.
    """
    _pairs(x, y, 3)
    line = StraightLine.through(x, y)
    if line is None:
        raise ArgumentError("needs at least 2 different values", key="x")
    n, sxx = line.n, line.x_squares
    if line.y_squares < SMALLEST and len(set(y)) > 1:
        raise ArgumentError("has values that are too close together", key="y")
    sd = math.sqrt(line.residual_squares / (n - 2))
    return Line(
        intercept=line.intercept,
        slope=line.slope,
        intercept_se=sd * math.sqrt(1.0 / n + line.x_mean**2 / sxx),
        slope_se=sd / math.sqrt(sxx),
        residual_sd=sd,
        r_squared=1.0 - line.residual_squares / line.y_squares if line.y_squares > 0.0 else 1.0,
        n=n,
        lag1=line.lag1,
    )


@dataclass(frozen=True, slots=True)
class RobustLine:
    """Theil-Sen line: median of the slopes between all pairs, with the interval of Sen."""

    intercept: float
    slope: float
    slope_low: float | None
    slope_high: float | None
    """Ends of the interval of the slope; None where there are too few pairs for its coverage."""


def theil_sen(x: Sequence[float], y: Sequence[float], coverage: float = 0.95) -> RobustLine:
    """Fit a line robust to outliers: median slope of all pairs, intercept median(y - slope x).

    Theil 1950; interval of Sen 1968: with N slopes and the normal approximation of Kendall's statistic, whose variance
    is corrected for equal x (ties in y are not corrected for, which widens the interval), C is its quantile.  The ends
    are the slopes of rank (N - C)/2 and (N + C)/2 + 1, moved outwards to whole ranks.  3 to 3000 points, because
    n(n-1)/2 slopes are held in memory.

    Raises:
        ArgumentError: too few or too many points, different lengths, or all x equal.
    """
    import numpy as np

    _pairs(x, y, 3)
    require_count("x", len(x), 3, MOST_POINTS, "points")
    require_probability("coverage", coverage)
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    i, j = np.triu_indices(a.size, k=1)
    run = a[j] - a[i]
    if not np.any(run):
        raise ArgumentError("needs at least 2 different values", key="x")
    with np.errstate(over="ignore"):
        slopes = np.sort((b[j] - b[i])[run != 0.0] / run[run != 0.0])
    if not np.all(np.isfinite(slopes)):
        raise ArgumentError("has values that are too close together", key="x")
    slope = float(np.median(slopes))
    wide = NormalDist().inv_cdf((1.0 + coverage) / 2.0) * math.sqrt(_kendall_variance(a))
    # Counted from 0; the upper end is the lower one's mirror image.
    low = math.floor((slopes.size - wide) / 2.0) - 1
    ends = (float(slopes[low]), float(slopes[slopes.size - 1 - low])) if low >= 0 else (None, None)
    return RobustLine(float(np.median(b - slope * a)), slope, *ends)


def _kendall_variance(x: "NDArray[np.float64]") -> float:
    """Return the variance of Kendall's statistic for different y, corrected for groups of equal x (Sen 1968)."""
    import numpy as np

    _, groups = np.unique(x, return_counts=True)

    def term(n: int) -> int:
        return n * (n - 1) * (2 * n + 5)

    return (term(x.size) - sum(term(int(n)) for n in groups)) / 18.0


def _pairs(x: Sequence[float], y: Sequence[float], least: int) -> None:
    require_numbers("x", x, least, "points")
    require_numbers("y", y)
    require_same_length("x", x, "y", y)
