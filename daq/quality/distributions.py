"""Order statistics of normal samples by direct integration: range, and the ratio of Dixon's test.

For a sample of n standard normal values, with F and f their distribution function and density:

* range W:  P(W <= w) = n * integral f(x) (F(x+w) - F(x))^(n-1) dx;
* r = (x2 - x1)/(xn - x1):  P(R > r) = n(n-1) * double integral f(x) f(x+w) (F(x+w) - F(x+rw))^(n-2) dx dw,
  and P(R > r at both ends) the same with F(x+w-rw) in place of F(x+w).

Gauss-Legendre rules over the region of non-zero weight in double precision; error about 1e-12.
"""

import functools
import math
from typing import TYPE_CHECKING

from daq.core.arguments import require_count, require_not_negative, require_within

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@functools.cache
def _rule(points: int, low: float, high: float) -> "tuple[Array, Array]":
    import numpy as np

    x, w = np.polynomial.legendre.leggauss(points)
    return (low + high) / 2.0 + (high - low) / 2.0 * x, (high - low) / 2.0 * w


def _density(x: "Array") -> "Array":
    import numpy as np

    out: Array = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    return out


def range_below(width: float, n: int) -> float:
    """Return P(range <= width) of n standard normal values, 2 to 1000."""
    require_not_negative("width", width)
    require_count("n", n, 2, 1000)
    import numpy as np
    from scipy.special import ndtr

    x, weight = _rule(400, -9.0, 9.0)
    return float(n * np.sum(weight * _density(x) * (ndtr(x + width) - ndtr(x)) ** (n - 1)))


def range_moments(n: int) -> tuple[float, float]:
    """Return mean d2 and standard deviation d3 of the range of n standard normal values, 2 to 1000."""
    require_count("n", n, 2, 1000)
    # The range of two is the absolute value of a normal difference with variance 2.  A chart of individual values needs
    # no other, and no library for it.
    return (2.0 / math.sqrt(math.pi), math.sqrt(2.0 - 4.0 / math.pi)) if n == 2 else _range_moments(int(n))


@functools.cache
def _range_moments(n: int) -> tuple[float, float]:
    import numpy as np

    # E W = integral of P(W > w), E W^2 = 2 integral of w P(W > w).
    w, weight = _rule(400, 0.0, 16.0)
    above = np.array([1.0 - range_below(float(x), n) for x in w])
    mean = float(np.sum(weight * above))
    square = 2.0 * float(np.sum(weight * w * above))
    return mean, math.sqrt(square - mean * mean)


def spacing_ratio_above(ratio: float, n: int) -> float:
    """Return P(Q > ratio); Q is the larger gap at an end over the range, of 3 to 30 standard normal values."""
    require_within("ratio", ratio, 0.0, 1.0)
    require_count("n", n, 3, 30)
    import numpy as np
    from scipy.special import ndtr

    x, weight_x = _rule(160, -9.0, 6.0)
    w, weight_w = _rule(160, 0.0, 13.0)
    low, width = x[:, None], w[None, :]
    ends = n * (n - 1) * _density(x)[:, None] * _density(low + width)
    beyond_low = ndtr(low + ratio * width)
    one = float(weight_x @ (ends * (ndtr(low + width) - beyond_low) ** (n - 2)) @ weight_w)
    if ratio >= 0.5:
        return 2.0 * one
    # Below 0.5 both gaps can exceed the ratio at once; that case is counted twice so far.
    between = np.maximum(ndtr(low + (1.0 - ratio) * width) - beyond_low, 0.0)
    return 2.0 * one - float(weight_x @ (ends * between ** (n - 2)) @ weight_w)
