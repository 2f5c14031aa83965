"""How often the interval of a mean of autocorrelated readings holds the true value.

Spans of first-order autoregressive noise go through the statistics of a span and the budget's own component.  A span
with fewer than five effective readings has no interval.
"""

import zlib
from dataclasses import dataclass

import numpy as np

from daq.core.statistics import Axis, summarise
from daq.methods.concluding.budget import FoundBudget, add_scatter
from daq.methods.concluding.intervals import stated_interval
from tests.support.autoregressive import autoregressive

CORRELATIONS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995)
SIZES = (10, 20, 50, 100, 300, 1000)
MISSES_AT_MOST = 0.05
"""Largest share of all runs whose published interval misses the true value."""
HOLDS_AT_LEAST = 0.93
"""Smallest share of the published intervals that hold it, where most runs have one."""
MOST = 0.5


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
    return [cell(r, n, runs, seed) for n in SIZES for r in CORRELATIONS]


def show_table(cells: list[Cell]) -> bool:
    """Print the cells; return True where all are as claimed."""
    print("\nMean of autocorrelated readings, first-order autoregressive noise:")
    print("  readings      r  effective  have an interval  of them hold  published and wrong")
    for c in cells:
        print(
            f"  {c.n:8} {c.r:6.3f} {c.effective:10.1f} {c.published:17.1%} {c.holds:13.1%} {c.misses:20.1%}"
            + ("" if c.is_as_claimed else "   NOT AS CLAIMED")
        )
    return all(c.is_as_claimed for c in cells)
