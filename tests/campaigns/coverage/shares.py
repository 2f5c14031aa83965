"""Shares of intervals that hold the truth, with the confidence interval of the campaign itself."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from scipy.special import betaincinv

WANTED = (0.93, 0.97)
"""The share of 95 % intervals that hold the true value lies between these."""


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact confidence interval of a share k/n (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404)."""
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


@dataclass(frozen=True, slots=True)
class Share:
    """A share, and the limits that its own confidence interval must reach."""

    held: int
    total: int
    lowest: float = WANTED[0]
    highest: float = WANTED[1]

    @classmethod
    def of(cls, held: Sequence[bool], lowest: float = WANTED[0], highest: float = WANTED[1]) -> "Share":
        return cls(sum(held), len(held), lowest, highest)

    @property
    def share(self) -> float:
        return self.held / self.total

    @property
    def interval(self) -> tuple[float, float]:
        return clopper_pearson(self.held, self.total)

    @property
    def holds(self) -> bool:
        """Return False where the confidence interval shows that the true share is outside the limits."""
        low, high = self.interval
        return high >= self.lowest and low <= self.highest


def coverage_with_one_limit(share: float) -> float:
    """Return how often ±1.96 u holds an error with this share of its variance in one rectangular term, the rest normal.

    One term is the extreme: with several rectangular ones the sum is nearer to a normal distribution (JCGM 100 G.2.1).
    """
    normal = NormalDist()
    half, rest, k = math.sqrt(3.0 * share), math.sqrt(max(1.0 - share, 1e-12)), normal.inv_cdf(0.975)
    steps = [half * (2 * i + 1 - 400) / 400 for i in range(400)]
    inside = [normal.cdf((k - x) / rest) - normal.cdf((-k - x) / rest) for x in steps]
    return math.fsum(inside) / len(inside)
