"""Shares of intervals that hold the truth, with the confidence interval of the campaign itself."""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from scipy.special import betaincinv

WANTED = (0.93, 0.97)
"""The share of 95 % intervals that hold the true value lies between these."""
NORMAL = NormalDist()


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
        """Return False where the 95 % confidence interval shows that the true share is outside the limits."""
        return self.holds_at(0.95)

    def holds_at(self, confidence: float) -> bool:
        """Return False where the interval with this confidence shows that the true share is outside the limits."""
        low, high = clopper_pearson(self.held, self.total, confidence)
        return high >= self.lowest and low <= self.highest

    def shown_at(self, confidence: float) -> bool:
        """Return True where the interval with this confidence lies within the limits."""
        low, high = clopper_pearson(self.held, self.total, confidence)
        return self.lowest <= low and high <= self.highest


def family_confidence(shares: int, confidence: float = 0.95) -> float:
    """Return the confidence of each of `shares` intervals at which all hold together with `confidence` (Bonferroni)."""
    return 1.0 - (1.0 - confidence) / max(shares, 1)


@functools.cache
def needed(confidence: float = 0.95, claimed: float = 0.95) -> int:
    """Return the least multiple of 20 from which on an observed share of `claimed` is shown to lie within `WANTED`."""
    total = 20
    while not Share(round(claimed * total), total).shown_at(confidence):
        total += 20
    return total


@functools.cache
def passing(total: int) -> tuple[float, float]:
    """Return the smallest and the greatest share of `total` that the 95 % interval does not contradict."""
    good = [k for k in range(total + 1) if Share(k, total).holds]
    return good[0] / total, good[-1] / total


def coverage_with_one_limit(share: float) -> float:
    """Return how often ±1.96 u holds an error with this share of its variance in one rectangular term, the rest NORMAL.

    One term is the extreme: with several rectangular ones the sum is nearer to a normal distribution (JCGM 100 G.2.1).
    """
    half, rest, k = math.sqrt(3.0 * share), math.sqrt(max(1.0 - share, 1e-12)), NORMAL.inv_cdf(0.975)
    steps = [half * (2 * i + 1 - 400) / 400 for i in range(400)]
    return math.fsum(_inside(x, rest, k) for x in steps) / len(steps)


def coverage_with_two_values(share: float) -> float:
    """Return how often ±1.96 u holds an error with this share of its variance in a term of one size and either sign.

    A zero seen at rest is such a term in the campaign: its error is always as large as its standard uncertainty.
    """
    return _inside(math.sqrt(share), math.sqrt(max(1.0 - share, 1e-12)), NORMAL.inv_cdf(0.975))


def _inside(shift: float, sd: float, k: float) -> float:
    """Return the probability that a normal error about `shift` lies within ±k."""
    return NORMAL.cdf((k - shift) / sd) - NORMAL.cdf((-k - shift) / sd)
