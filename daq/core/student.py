"""Compute quantiles of Student's t without scipy, for steadiness and for the uncertainty of a result."""

import math
from statistics import NormalDist
from typing import Final

from daq.core.arguments import LARGEST, require_between, require_count, require_positive

MOST_DOF: Final = 10**15
"""Greatest number of degrees of freedom; above it the distribution is the normal one."""
SERIES_DOF: Final = 2000
"""Degrees of freedom above which the error of the expansion about the normal quantile is below 1e-13."""
Z_975: Final = NormalDist().inv_cdf(0.975)


def student_quantile(p: float, dof: int) -> float:
    """Return the t with P(T <= t) = p for a whole number `dof` >= 1 of degrees of freedom; 0 < p < 1.

    Newton's method on the closed sums of the distribution function (Abramowitz and Stegun 26.7.3 and 26.7.4), started
    at the expansion about the normal quantile (26.7.5).  Above `SERIES_DOF` the expansion alone is used.

    Raises:
        ArgumentError: p outside 0..1, or degrees of freedom below 1.
    """
    require_between("p", p, 0.0, 1.0)
    require_count("dof", dof, 1, MOST_DOF, "degrees of freedom")
    if dof == 1:
        return math.tan(math.pi * (p - 0.5))
    if dof == 2:
        return (2.0 * p - 1.0) / math.sqrt(2.0 * p * (1.0 - p))
    z = NormalDist().inv_cdf(p)
    t = _expansion(z, dof)
    if dof > SERIES_DOF or z == 0.0:
        return t
    log_scale = math.lgamma((dof + 1) / 2.0) - math.lgamma(dof / 2.0) - 0.5 * math.log(dof * math.pi)
    for _ in range(60):
        density = math.exp(log_scale - (dof + 1) / 2.0 * math.log1p(t * t / dof))
        step = (0.5 * (1.0 + _between(t, dof)) - p) / density
        # The step is limited, because far out in the tail Newton's method would leave the region of the root.
        step = max(-1.0 - abs(t) / 2.0, min(1.0 + abs(t) / 2.0, step))
        t -= step
        if abs(step) <= 1e-14 * (1.0 + abs(t)):
            break
    return t


def t_975(dof: float) -> float:
    """Return the 97.5 % quantile for `dof` > 0 degrees of freedom, which need not be a whole number.

    From 4 on by the expansion, with an error below 0.2 %; below 4 for the next lower whole number, which gives a
    greater and so a safe quantile.

    Raises:
        ArgumentError: degrees of freedom not above 0, or not finite.
    """
    # Compared here and checked only on failure, because steadiness is judged between readings.
    if not (type(dof) is float and 0.0 < dof <= LARGEST):
        require_positive("dof", dof)
    return student_quantile(0.975, max(1, math.floor(dof))) if dof < 4 else _expansion(Z_975, dof)


def _between(t: float, dof: int) -> float:
    """Return P(-t <= T <= t) with the sign of t; `dof` is greater than 1."""
    theta = math.atan(t / math.sqrt(dof))
    sine, cosine = math.sin(theta), math.cos(theta)
    odd = dof % 2
    total, term = 0.0, cosine if odd else 1.0
    for k in range(odd, dof - 1, 2):
        total += term
        term *= cosine * cosine * (k + 1) / (k + 2)
    return 2.0 / math.pi * (theta + sine * total) if odd else sine * total


def _expansion(z: float, dof: float) -> float:
    """Return the Cornish-Fisher expansion about the normal quantile z (Abramowitz and Stegun 26.7.5)."""
    z3, z5, z7, z9 = z**3, z**5, z**7, z**9
    return (
        z
        + (z3 + z) / (4 * dof)
        + (5 * z5 + 16 * z3 + 3 * z) / (96 * dof**2)
        + (3 * z7 + 19 * z5 + 17 * z3 - 15 * z) / (384 * dof**3)
        + (79 * z9 + 776 * z7 + 1482 * z5 - 1920 * z3 - 945 * z) / (92160 * dof**4)
    )
