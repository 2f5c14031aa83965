"""Capability indices of a process with their intervals.  Values of one call are in one unit.

The values follow a normal distribution and do not depend on each other.  Sources: ISO 22514-2; D. C. Montgomery,
Introduction to Statistical Quality Control, chapter on process capability; NIST/SEMATECH e-Handbook 6.1.6.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from daq.core.arguments import (
    finite_result,
    require_count,
    require_finite,
    require_order,
    require_positive,
    require_probability,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.quality.chisquare import chi_square_quantile

LARGEST_INDEX: Final = 1e6
"""Greatest index, with either sign, of which an interval is computed."""
MOST_VALUES: Final = 10**7
ROOT: Final = math.sqrt(0.5)
POINTS: Final = 2000
"""Greatest number of points of the integral over the standard deviation."""
FEW_POINTS: Final = 400
"""Number of points for a smooth integrand: a usual index, of 10 values and more."""
SD_ALONE_FROM: Final = 10.0
"""Index from which the uncertainty of the mean does not change an interval."""


@dataclass(frozen=True, slots=True)
class Capability:
    """Process capability indices (NIST/SEMATECH e-Handbook 6.1.6; ISO 22514); None where a limit is missing."""

    cp: float | None
    cpk: float
    cpu: float | None
    cpl: float | None
    k: float | None
    """Distance of the mean from the middle over half the tolerance."""
    cpm: float | None
    """With a target: (USL - LSL)/(6 sqrt(s^2 + (mean - target)^2))."""
    outside: float
    """Expected part outside the limits for normal values (times 1e6: ppm)."""


def capability(
    mean: float, sd: float, lower: float | None = None, upper: float | None = None, target: float | None = None
) -> Capability:
    """Return the capability indices from mean and standard deviation (> 0) and one or both limits.

    Raises:
        ArgumentError: no limit, limits in the wrong order, or a standard deviation that is not positive.
    """
    require_finite("mean", mean)
    require_positive("sd", sd)
    for name, x in (("lower", lower), ("upper", upper), ("target", target)):
        if x is not None:
            require_finite(name, x)
    if lower is None and upper is None:
        raise ArgumentError("needs a lower or an upper limit", key="lower")
    cpu = None if upper is None else (upper - mean) / (3.0 * sd)
    cpl = None if lower is None else (mean - lower) / (3.0 * sd)
    cp = k = cpm = None
    if lower is not None and upper is not None:
        require_order("lower", lower, "upper", upper)
        cp = (upper - lower) / (6.0 * sd)
        k = abs((upper + lower) / 2.0 - mean) / ((upper - lower) / 2.0)
        cpm = None if target is None else (upper - lower) / (6.0 * math.hypot(sd, mean - target))
    outside = math.fsum(_below(-3.0 * c) for c in (cpu, cpl) if c is not None)
    return Capability(cp, min(c for c in (cpu, cpl) if c is not None), cpu, cpl, k, cpm, outside)


def cp_interval(cp: float, n: int, coverage: float = 0.95) -> tuple[float, float]:
    """Return the interval of Cp (> 0) from the standard deviation of `n` values, at least 2.

    Cp sqrt(chi2(p)/(n - 1)) with p = (1 - coverage)/2 and (1 + coverage)/2; exact for normal values.  Source:
    Montgomery, section on Cp; NIST/SEMATECH e-Handbook 6.1.6.
    """
    require_positive("cp", cp)
    require_within("cp", cp, 0.0, LARGEST_INDEX)
    require_count("n", n, 2, MOST_VALUES)
    require_probability("coverage", coverage)
    tail = (1.0 - coverage) / 2.0
    low, high = (math.sqrt(chi_square_quantile(n - 1, tail, upper=upper) / (n - 1)) for upper in (False, True))
    return cp * low, float(finite_result("cp", cp * high))


def cpk_interval(cpk: float, n: int, coverage: float = 0.95) -> tuple[float, float]:
    """Return the approximate interval of Cpk with two limits, from `n` values, at least 2.

    Cpk ± z sqrt(1/(9 n) + Cpk^2/(2 (n - 1))).  Source: A. F. Bissell, Applied Statistics 39 (1990) 331-340; Montgomery,
    section on Cpk.
    """
    require_within("cpk", cpk, -LARGEST_INDEX, LARGEST_INDEX)
    require_count("n", n, 2, MOST_VALUES)
    require_probability("coverage", coverage)
    half = -NormalDist().inv_cdf((1.0 - coverage) / 2.0) * math.sqrt(1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1)))
    return cpk - half, cpk + half


def one_sided_interval(index: float, n: int, coverage: float = 0.95) -> tuple[float, float]:
    """Return the interval of Cpu or Cpl, the index of one limit alone, from `n` values, at least 2.

    3 sqrt(n) times the index has a non-central t distribution with n - 1 degrees of freedom and non-centrality
    3 sqrt(n) times the true index; exact for normal values.  From an index of 10 on the uncertainty of the mean is
    below a thousandth of that of the standard deviation, and the interval is that of `cp_interval`.  Source: S. Kotz
    and N. L. Johnson, Process Capability Indices, 1993, chapter 2.
    """
    require_within("index", index, -LARGEST_INDEX, LARGEST_INDEX)
    require_count("n", n, 2, MOST_VALUES)
    require_probability("coverage", coverage)
    # Numbers of another library may be of single precision, in which the search below has no end.
    index, coverage = float(index), float(coverage)
    if abs(index) >= SD_ALONE_FROM:
        low, high = cp_interval(abs(index), n, coverage)
    else:
        tails = (1.0 + coverage) / 2.0, (1.0 - coverage) / 2.0
        low, high = (_true_index(abs(index), int(n), tail) for tail in tails)
    return (low, high) if index >= 0.0 else (-high, -low)


def _true_index(index: float, n: int, probability: float) -> float:
    """Return the true index for which an estimate up to `index` (0 to 10) has this probability.

    The probability is the mean of Phi(3 sqrt(n) (index S - true)) over S, the standard deviation of n values over the
    true one, whose square times n - 1 is chi-square.
    """
    dof, scale = n - 1, 3.0 * math.sqrt(n)
    reach = 10.0 / math.sqrt(2.0 * dof)
    first, last = max(0.0, 1.0 - reach), 1.0 + reach
    # Midpoint rule; finer than the step of Phi for the greatest index.
    count = FEW_POINTS if index < 2.0 and n >= 10 else POINTS
    points = [first + (last - first) * (k + 0.5) / count for k in range(count)]
    logs = [(dof - 1) * math.log(s) - dof * (s * s - 1.0) / 2.0 for s in points]
    greatest = max(logs)
    weights = [math.exp(x - greatest) for x in logs]
    total = math.fsum(weights)
    # Points without weight are left out.  Phi(x) = erfc(-x/sqrt(2))/2.
    seen = [(w / total, scale * index * s * ROOT) for w, s in zip(weights, points, strict=True) if w > 1e-18 * total]
    # The probability falls with the true index.  Beyond both ends it is a part of the tail of one of the two factors.
    far = (-NormalDist().inv_cdf(min(probability, 1.0 - probability)) + 10.0) / scale
    low, high = -far, index * (1.0 + reach) + far
    while high - low > 1e-14 * (1.0 + abs(low) + abs(high)):
        middle = (low + high) / 2.0
        shift = scale * middle * ROOT
        found = 0.5 * sum(w * math.erfc(shift - x) for w, x in seen)
        low, high = (middle, high) if found > probability else (low, middle)
    return (low + high) / 2.0


def _below(z: float) -> float:
    """Return the probability of a standard normal value below `z`."""
    return 0.5 * math.erfc(-z * ROOT)
