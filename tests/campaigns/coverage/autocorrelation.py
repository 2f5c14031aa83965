"""How often the interval of a mean of autocorrelated readings holds the true value.

Spans of first-order autoregressive noise, alone and with white noise on top, go through the statistics of a span and the budget's own component.  A span
with fewer than five effective readings has no interval.
"""

import zlib
from dataclasses import dataclass

import numpy as np

from daq.core.statistics import Axis, summarise
from daq.core.steady import LEAST_EFFECTIVE
from daq.methods.concluding.budget import FoundBudget, add_scatter
from daq.methods.concluding.intervals import stated_interval
from tests.campaigns.coverage.overlooked import overlooked
from tests.support.autoregressive import autoregressive

CORRELATIONS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995)
SIZES = (10, 20, 50, 100, 300, 1000)
WHITE = (0.0, 0.3, 1.0, 3.0)
"""Standard deviations of the white noise over that of the drift."""
MISSES_AT_MOST = 0.05
"""Largest share of all runs whose published interval misses the true value."""
HOLDS_AT_LEAST = 0.93
"""Smallest share of the published intervals that hold it, where most runs have one."""
MOST = 0.5
SEEN = 0.1
"""Share of spans that the most powerful test may overlook where a rule is asked to see the drift."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Spans of one autocorrelation and one number of readings: shares of 1."""

    r: float
    n: int
    runs: int
    white: float
    """Standard deviation of the white noise over that of the drift."""
    published: float
    holds: float
    """Of the intervals published; 1 where there is none."""
    misses: float
    """Of all runs."""

    @property
    def effective(self) -> float:
        """The true effective number of readings of the drift alone."""
        return self.n * (1.0 - self.r) / (1.0 + self.r)

    @property
    def standard_error(self) -> float:
        """Of the share of misses, at the claimed share."""
        return float(np.sqrt(MISSES_AT_MOST * (1.0 - MISSES_AT_MOST) / self.runs))

    @property
    def is_as_claimed(self) -> bool:
        """True unless the shares contradict the claims beyond three of their standard errors."""
        wrong = self.misses > MISSES_AT_MOST + 3.0 * self.standard_error
        rare = self.published * self.runs < MOST * self.runs
        few = self.holds < HOLDS_AT_LEAST - 3.0 * self.standard_error / max(self.published, 0.1) ** 0.5
        return not wrong and (rare or not few)


def cell(r: float, n: int, runs: int, seed: int, white: float = 0.0) -> Cell:
    """Return the shares of `runs` spans of a drift with white noise; the same arguments give the same shares."""
    rng = np.random.default_rng([seed, n, zlib.crc32(repr(r).encode())])
    axis = Axis([i * 100_000_000 for i in range(n)])
    published = held = 0
    drifts = autoregressive(rng, runs, n, r)
    if white:
        drifts = drifts + white * rng.standard_normal(drifts.shape)
    for values in drifts:
        found = FoundBudget()
        summary = summarise(values.tolist(), axis)
        add_scatter(summary, "mean", 0.0, found)
        stated = stated_interval(summary.mean or 0.0, found.components, found.left_out, found.reasons, unit="mPa.s")
        if stated.low is not None and stated.high is not None:
            published += 1
            held += stated.low <= 0.0 <= stated.high
    return Cell(r, n, runs, white, published / runs, held / published if published else 1.0, (published - held) / runs)


def table(runs: int, seed: int) -> list[Cell]:
    """Return all cells."""
    return [cell(r, n, runs, seed, white) for white in WHITE for n in SIZES for r in CORRELATIONS if r or not white]


def show_table(cells: list[Cell]) -> bool:
    """Print the cells; return True where all that a rule can keep are as claimed.

    A drift that is worth fewer than five readings below white noise is a part of the value of its span: no rule separates
    it from the value.  One that the most powerful test overlooks in one of ten spans looks like white noise.
    """
    print("\nMean of readings of a drift (first-order autoregressive) with white noise of a part of its deviation:")
    print("  white  readings      r  effective  overlooked  have an interval  of them hold  published and wrong")
    good = True
    for c in cells:
        unseen = overlooked(c.r, c.n, c.white)
        kept = not c.white or (c.effective >= LEAST_EFFECTIVE and unseen <= SEEN)
        note = "" if kept else "   not to be seen"
        if kept and not c.is_as_claimed:
            good, note = False, "   NOT AS CLAIMED"
        print(
            f"  {c.white:5.1f} {c.n:9} {c.r:6.3f} {c.effective:10.1f} {unseen:11.0%} {c.published:17.1%} "
            f"{c.holds:13.1%} {c.misses:20.1%}{note}"
        )
    return good
