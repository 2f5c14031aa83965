"""Compute the share of spans in which the most powerful test overlooks a slow drift below white noise.

No rule can do better: the test knows the autocorrelation and the amplitude, which a rule must estimate (the lemma of
J. Neyman and E. S. Pearson, Philosophical Transactions of the Royal Society A 231 (1933) 289; for tests that do not
depend on mean and scale: M. L. King, Econometric Reviews 6 (1987) 169).
"""

import numpy as np
from scipy.fft import dct

from tests.support.autoregressive import autoregressive

FALSE_ALARMS = 0.10
"""Share of spans of white noise that the test calls a drift."""
SERIES = 2000


def overlooked(r: float, n: int, white: float, seed: int = 1) -> float:
    """Return the share of spans whose drift the test calls white noise; 0 without white noise.

    Args:
        r: lag-one autocorrelation of the drift, of standard deviation 1.
        n: number of readings of a span.
        white: standard deviation of the white noise.
        seed: of the random numbers.
    """
    if not white:
        return 0.0
    rng = np.random.default_rng([seed, n])
    steps = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    without_mean = dct(np.eye(n), axis=0, norm="ortho")[1:]
    powers, vectors = np.linalg.eigh(without_mean @ (r**steps + white**2 * np.eye(n)) @ without_mean.T)

    def statistic(values: np.ndarray) -> np.ndarray:
        found: np.ndarray = (values**2 / powers).sum(axis=1) / (values**2).sum(axis=1)
        return found

    limit = np.quantile(statistic(rng.standard_normal((SERIES, n - 1))), FALSE_ALARMS)
    series = autoregressive(rng, SERIES, n, r) + white * rng.standard_normal((SERIES, n))
    return float((statistic(series @ without_mean.T @ vectors) > limit).mean())
