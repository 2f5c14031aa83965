"""Statistics of a span of readings.

All sums are `math.fsum`, which rounds once and correctly, for overlapping spans too: at
30 ns a value it is cheaper in Python than keeping running sums, and nothing can build up.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul


@dataclass(slots=True)
class Summary:
    """Statistics of one signal over one span; a field is None where `n` is too small to define it."""

    n: int
    mean: float | None = None
    sd: float | None = None
    """Sample standard deviation (n - 1)."""
    minimum: float | None = None
    maximum: float | None = None
    slope: float | None = None
    """Least-squares slope per second."""
    lag1: float | None = None
    """Lag-one autocorrelation: sum of products of neighbours over the sum of squares, about the mean."""
    last: float | None = None
    mean_of_ratios: float | None = None
    """Only for a ratio of two signals, whose `mean` is the ratio of the means."""

    def value(self, statistic: str) -> float | None:
        """The number a method's keep entry names: mean, sd, min, max, slope, last."""
        return {
            "mean": self.mean,
            "sd": self.sd,
            "min": self.minimum,
            "max": self.maximum,
            "slope": self.slope,
            "last": self.last,
        }[statistic]


def summarise(values: Sequence[float], times: Sequence[int]) -> Summary:
    """Summary of `values` (any unit) read at `times` (ns, same length, not decreasing)."""
    n = len(values)
    if n == 0:
        return Summary(0)
    total = math.fsum(values)
    if not math.isfinite(total):
        raise ValueError("a value that is not finite reached the statistics")
    mean = total / n
    out = Summary(n, mean, minimum=min(values), maximum=max(values), last=values[-1])
    if n < 2:
        return out
    deviations = [v - mean for v in values]
    squares = _sum_of_squares(deviations)
    out.sd = math.sqrt(squares / (n - 1))
    if squares > 0.0:
        out.lag1 = math.fsum(map(mul, deviations, deviations[1:])) / squares
    out.slope = _slope(deviations, times)
    return out


def _sum_of_squares(deviations: Sequence[float]) -> float:
    """Sum of squared deviations, corrected for the rounding of the mean (two-pass with correction)."""
    n = len(deviations)
    rest = math.fsum(deviations)
    return math.fsum([*map(mul, deviations, deviations), -rest * rest / n])


def _slope(deviations: Sequence[float], times: Sequence[int]) -> float | None:
    first = times[0]
    seconds = [(t - first) * 1e-9 for t in times]
    centre = math.fsum(seconds) / len(seconds)
    s = [x - centre for x in seconds]
    spread = math.fsum(map(mul, s, s))
    return math.fsum(map(mul, s, deviations)) / spread if spread > 0.0 else None


def largest_gap(times: Sequence[int], start: int, end: int) -> int:
    """The longest time (ns) inside ``start..end`` without a reading, edges included."""
    edges = [start, *times, end]
    return max(b - a for a, b in zip(edges, edges[1:], strict=False))
