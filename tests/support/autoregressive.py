"""First-order autoregressive series, stationary from their first value on."""

import math
from typing import Any

import numpy as np
from scipy.signal import lfilter


def autoregressive(rng: np.random.Generator, series: int, n: int, r: float) -> Any:
    """Return `series` series of `n` values with mean 0, standard deviation 1 and lag-one autocorrelation `r`."""
    shocks = rng.standard_normal((series, n)) * math.sqrt(1.0 - r * r)
    shocks[:, 0] /= math.sqrt(1.0 - r * r)
    return lfilter([1.0], [1.0, -r], shocks, axis=1)
