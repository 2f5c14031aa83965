"""Control charts: constants, individuals and moving range, EWMA, run rules, run length.

Values of one call are in one unit.  Sources: ISO 7870-2, ASTM E2587, NIST/SEMATECH e-Handbook 6.3.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.core.arguments import (
    require_count,
    require_finite,
    require_numbers,
    require_positive,
    require_within,
)
from daq.quality.distributions import range_moments


@dataclass(frozen=True, slots=True)
class Constants:
    """Factors of control charts for subgroups of n, in the standards' own symbols."""

    n: int
    d2: float
    """Mean of the range over sigma."""
    d3: float
    """Standard deviation of the range over sigma."""
    c4: float
    """Mean of the sample standard deviation over sigma."""

    def __post_init__(self) -> None:
        require_count("n", self.n, 2, 25)
        require_within("d2", self.d2, 0.1, 10.0)
        require_within("d3", self.d3, 0.01, 10.0)
        require_within("c4", self.c4, 0.1, 1.0)

    @property
    def A2(self) -> float:  # noqa: N802 - the standard's symbol
        """Limits of the mean from the mean range: 3/(d2 sqrt(n))."""
        return 3.0 / (self.d2 * math.sqrt(self.n))

    @property
    def A3(self) -> float:  # noqa: N802 - the standard's symbol
        """Limits of the mean from the mean standard deviation: 3/(c4 sqrt(n))."""
        return 3.0 / (self.c4 * math.sqrt(self.n))

    @property
    def D3(self) -> float:  # noqa: N802 - the standard's symbol
        """Lower limit of the range over the mean range: 1 - 3 d3/d2, not below 0."""
        return max(0.0, 1.0 - 3.0 * self.d3 / self.d2)

    @property
    def D4(self) -> float:  # noqa: N802 - the standard's symbol
        """Upper limit of the range over the mean range: 1 + 3 d3/d2."""
        return 1.0 + 3.0 * self.d3 / self.d2

    @property
    def B3(self) -> float:  # noqa: N802 - the standard's symbol
        """Lower limit of the standard deviation over its mean: 1 - 3 sqrt(1 - c4^2)/c4, not below 0."""
        return max(0.0, 1.0 - 3.0 * math.sqrt(1.0 - self.c4**2) / self.c4)

    @property
    def B4(self) -> float:  # noqa: N802 - the standard's symbol
        """Upper limit of the standard deviation over its mean: 1 + 3 sqrt(1 - c4^2)/c4."""
        return 1.0 + 3.0 * math.sqrt(1.0 - self.c4**2) / self.c4

    @property
    def E2(self) -> float:  # noqa: N802 - the standard's symbol
        """Limits of individuals from the mean moving range: 3/d2."""
        return 3.0 / self.d2


def constants(n: int) -> Constants:
    """Return the factors for subgroups of 2 to 25, computed from the distribution of the range, not from a table."""
    require_count("n", n, 2, 25)
    d2, d3 = range_moments(n)
    return Constants(n, d2, d3, math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2)))


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """Individuals and moving range chart."""

    centre: float
    sigma: float
    """Mean moving range over d2."""
    lower: float
    upper: float
    mean_moving_range: float
    moving_range_upper: float
    moving_ranges: tuple[float, ...]

    def z(self, values: Sequence[float]) -> tuple[float, ...]:
        """Return values as distances from the centre in sigma, for `run_rules`; all 0 where sigma is 0."""
        require_numbers("values", values)
        return tuple((v - self.centre) / self.sigma if self.sigma > 0.0 else 0.0 for v in values)


def individuals_chart(values: Sequence[float], d2: float | None = None) -> IndividualsChart:
    """Compute the limits from at least 2 values in order: mean ± 3 MR/d2, moving range limit D4 MR.

    `d2` None is the exact 1.12838; printed examples use 1.128.  The values must be from a period in control.
    """
    require_numbers("values", values, 2)
    if d2 is not None:
        require_within("d2", d2, 0.1, 10.0)
    exact = constants(2)
    ranges = tuple(abs(b - a) for a, b in pairwise(values))
    mean_range = math.fsum(ranges) / len(ranges)
    centre, sigma = math.fsum(values) / len(values), mean_range / (exact.d2 if d2 is None else d2)
    return IndividualsChart(
        centre, sigma, centre - 3.0 * sigma, centre + 3.0 * sigma, mean_range, exact.D4 * mean_range, ranges
    )


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Exponentially weighted moving average with its limits, one of each per value."""

    averages: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def signals(self) -> tuple[int, ...]:
        """Indices (from 0) of averages beyond a limit."""
        triples = zip(self.averages, self.lower, self.upper, strict=True)
        return tuple(i for i, (a, low, high) in enumerate(triples) if a < low or a > high)


def ewma_chart(
    values: Sequence[float],
    target: float,
    sigma: float,
    weight: float = 0.3,
    width: float = 3.0,
    *,
    exact: bool = False,
) -> EwmaChart:
    """Compute an EWMA chart: z_i = λ x_i + (1 - λ) z_(i-1), z_0 = target; limits target ± width σ sqrt(λ/(2 - λ)).

    λ is `weight`; `sigma` is the standard deviation of single values; `exact` narrows the first limits by
    sqrt(1 - (1 - weight)^(2i)) (NIST/SEMATECH e-Handbook 6.3.2.4).
    """
    require_numbers("values", values, 1)
    require_finite("target", target)
    require_positive("sigma", sigma)
    require_within("weight", weight, 1e-6, 1.0)
    require_positive("width", width)
    averages: list[float] = []
    halves: list[float] = []
    level = target
    for i, x in enumerate(values, start=1):
        level = weight * x + (1.0 - weight) * level
        averages.append(level)
        start_up = 1.0 - (1.0 - weight) ** (2 * i) if exact else 1.0
        halves.append(width * sigma * math.sqrt(weight / (2.0 - weight) * start_up))
    return EwmaChart(tuple(averages), tuple(target - h for h in halves), tuple(target + h for h in halves))


def _one_side(z: Sequence[float], count: int, window: int, beyond: float) -> bool:
    """Return True where the last value and `count` of the last `window` are beyond ±`beyond` on one side."""
    recent = z[-window:]
    high, low = sum(v > beyond for v in recent), sum(v < -beyond for v in recent)
    return (z[-1] > beyond and high >= count) or (z[-1] < -beyond and low >= count)


def _trend(z: Sequence[float]) -> bool:
    steps = [b - a for a, b in pairwise(z[-6:])]
    return len(steps) == 5 and (all(s > 0.0 for s in steps) or all(s < 0.0 for s in steps))


def _alternating(z: Sequence[float]) -> bool:
    steps = [b - a for a, b in pairwise(z[-14:])]
    return len(steps) == 13 and all(a * b < 0.0 for a, b in pairwise(steps))


RUN_RULES: dict[str, Callable[[Sequence[float]], bool]] = {
    "one_beyond_3s": lambda z: abs(z[-1]) > 3.0,
    "nine_one_side": lambda z: _one_side(z, 9, 9, 0.0),
    "eight_one_side": lambda z: _one_side(z, 8, 8, 0.0),
    "six_trend": _trend,
    "fourteen_alternating": _alternating,
    "two_of_three_2s": lambda z: _one_side(z, 2, 3, 2.0),
    "four_of_five_1s": lambda z: _one_side(z, 4, 5, 1.0),
    "fifteen_within_1s": lambda z: len(z) >= 15 and all(abs(v) < 1.0 for v in z[-15:]),
    "eight_outside_1s": lambda z: len(z) >= 8 and all(abs(v) > 1.0 for v in z[-8:]),
}
"""For each rule, a function that returns True where the last of some z-scores completes it.

Western Electric 1956; L. S. Nelson, J. Quality Technology, October 1984.  Inequalities are strict.  Eight on one side
is the Western Electric run, nine is Nelson's.
"""


def run_rules(z: Sequence[float]) -> dict[str, tuple[int, ...]]:
    """Return for every rule the indices (from 0) of the points that complete it, in order; empty where none does.

    `z` are distances from the centre line in sigma.
    """
    require_numbers("z", z)
    return {
        name: tuple(i for i in range(len(z)) if rule(z[max(0, i - 14) : i + 1])) for name, rule in RUN_RULES.items()
    }


def first_signals(z: Sequence[float]) -> dict[str, int]:
    """Return for every rule the index (from 0) of the first point that completes it, -1 for none."""
    return {name: found[0] if found else -1 for name, found in run_rules(z).items()}


def average_run_length(shift: float = 0.0, limit: float = 3.0) -> float:
    """Return the mean number of independent normal points to the first beyond ±`limit` σ, the mean off by `shift` σ.

    1/p; 370.4 without a shift at 3 sigma.
    """
    from scipy.special import ndtr

    require_positive("limit", limit)
    # Beyond these the probability of a signal underflows.
    require_within("limit", limit, 0.0, 30.0)
    require_within("shift", shift, -30.0, 30.0)
    return 1.0 / float(ndtr(-limit + shift) + ndtr(-limit - shift))
