"""Scatter of the mean of a span whose readings have white noise on top of a slow random drift.

White noise hides a slow drift from the lag-one autocorrelation: the readings look independent, and their mean does not
scatter like that of independent ones.  Three rules close this, each on the safe side:

* Where the lag-one autocorrelation is not zero by chance, the drift is also computed from the ratio of lag two to lag
  one.  White noise lowers both by the same factor, so the ratio is the autocorrelation of the drift alone (the
  autocorrelations of a first-order series plus white noise: Box, Jenkins, Reinsel and Ljung, Time Series Analysis,
  5th edition, 2015, appendix A4.3).
* The standard uncertainty is not less than that from the scatter of `BATCHES` batch means (Law, Simulation Modeling and
  Analysis, 5th edition, 2015, section 9.5.3).
* Where the batch means vary more than this uncertainty lets expect, or wander, they themselves are taken as
  autocorrelated readings.  Fewer than five effective batch means give no uncertainty.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import mul
from typing import Final

from daq.core.arguments import (
    require_count,
    require_instance,
    require_not_negative,
    require_numbers,
    require_within,
)
from daq.core.statistics import Batches
from daq.core.steady import LEAST_EFFECTIVE, effective_count
from daq.core.student import Z_975, t_975

WANDERING: Final = (0.463, 0.146)
"""5 % points of the sum of squared partial sums, about a mean and about a line (D. Kwiatkowski, P. C. B. Phillips,
P. Schmidt and Y. Shin, Journal of Econometrics 54 (1992) 159, table 1)."""


@dataclass(frozen=True, slots=True)
class MeanScatter:
    """Standard uncertainty of a mean from the scatter of its readings."""

    u: float | None
    """Standard uncertainty, unit of the readings; None where the readings are worth fewer than five."""
    dof: float
    """Degrees of freedom of `u`."""
    effective: float
    """Effective number of independent readings, or of independent batch means where these decide."""


def mean_scatter(
    sd: float,
    n: int,
    lag1: float | None,
    batches: Batches | None = None,
    *,
    fitted: int = 1,
    standard_errors: float = 1.0,
) -> MeanScatter:
    """Return the standard uncertainty of the mean of a span of readings.

    With n_eff effective readings and p fitted parameters u^2 = s^2 (n - p)/n/(n_eff - p): the scatter about the mean of
    correlated readings is smaller than that about their true value by 1 - 1/n_eff.  The degrees of freedom are
    2 u^4/var(u^2) (JCGM 100 equation E.7): 1/(1/n + 2/n_eff), because both s and the autocorrelation are estimates.

    Args:
        sd: standard deviation of the readings about what was fitted (n - p), >= 0.
        n: number of readings.
        lag1: lag-one autocorrelation of the deviations; None where all are 0.
        batches: slow course of the deviations; None where the span has none, then `lag1` alone decides.
        fitted: number p of parameters that were fitted: 1 for a mean, 2 for a line, 4 for a line and a sine.
        standard_errors: number of standard errors on the safe side.

    Raises:
        ArgumentError: no readings, an autocorrelation outside -1..1, or a negative sd.
    """
    require_not_negative("sd", sd)
    require_count("fitted", fitted, 1, of="parameters")
    if batches is not None:
        require_instance("batches", batches, Batches)
    least = max(LEAST_EFFECTIVE, fitted + 1.0)
    effective = effective_count(n, lag1, fitted=fitted, standard_errors=standard_errors)
    if effective < least:
        return MeanScatter(None, 1.0, effective)
    below = effective
    if batches is not None and lag1 is not None and batches.lag2 is not None:
        below = effective_below_noise(n, lag1, batches.lag2, fitted=fitted, standard_errors=standard_errors)
    found = _of_effective(sd, n, min(effective, below), fitted) if below >= least else None
    if batches is None:
        return found or MeanScatter(None, 1.0, below)
    means = batches.means
    m, lost = len(means), min(fitted, 2)
    if found is not None and not is_slower(means, found.u or 0.0, fitted=fitted):
        u = math.sqrt(_squares(means) / (m - lost) / m)
        return _wider(found, MeanScatter(u, float(m - lost), found.effective))
    slow = _of_batches(means, sd * sd * (1.0 - max(lag1 or 0.0, 0.0)) * m / n, lost)
    if slow.u is None:
        return MeanScatter(None, 1.0, min(slow.effective, below))
    return _wider(found or _of_effective(sd, n, effective, fitted), slow)


def _of_effective(sd: float, n: int, effective: float, fitted: int) -> MeanScatter:
    u = sd * math.sqrt((n - fitted) / n / (effective - fitted))
    return MeanScatter(u, 1.0 / (1.0 / n + 2.0 / effective), effective)


def effective_below_noise(n: int, lag1: float, lag2: float, *, fitted: int = 1, standard_errors: float = 1.0) -> float:
    """Return the effective number of `n` readings with white noise on top of a first-order drift.

    With the autocorrelations r1 and r2 of the readings that of the drift is r = r2/r1, and the number is
    n/(1 + 2 r1/(1 - r)).  It is `n` where r1 is zero within its 95 % interval: then r is not known.  The mean error of
    both estimates is corrected as in `effective_count`.

    Raises:
        ArgumentError: no readings, an autocorrelation outside -1..1, or a negative number of standard errors.
    """
    require_count("n", n, 1, of="readings")
    require_count("fitted", fitted, 1, of="parameters")
    require_not_negative("standard_errors", standard_errors)
    require_within("lag1", lag1, -1.0, 1.0)
    require_within("lag2", lag2, -1.0, 1.0)
    if n <= fitted + 2:
        return 0.0
    r1, r2 = (min(max((n * r + fitted) / (n - fitted - 2), 0.0), 1.0) for r in (lag1, lag2))
    if r1 <= Z_975 / math.sqrt(n):
        return float(n)
    # The partial autocorrelation at lag two has the standard error 1/sqrt(n) (M. H. Quenouille, Journal of the Royal
    # Statistical Society B 11 (1949) 68); r2/r1 is r1 plus it times (1 - r1^2)/r1.
    drift = min(r2 / r1, 1.0) + standard_errors * (1.0 - r1 * r1) / r1 / math.sqrt(n)
    safe = min(r1 + standard_errors * math.sqrt((1.0 - r1 * r1) / n), 1.0)
    return n / (1.0 + 2.0 * safe / (1.0 - drift)) if drift < 1.0 else 0.0


def is_slower(means: Sequence[float], u: float, *, fitted: int = 1) -> bool:
    """Return whether batch means vary or wander more than the standard uncertainty `u` of the mean lets expect.

    Their variance is compared with the 97.5 % point of chi-square (E. B. Wilson and M. M. Hilferty, Proceedings of the
    National Academy of Sciences 17 (1931) 684), and their partial sums with `WANDERING`.

    Args:
        means: batch means less what was fitted, in the unit of `u`; more than 2.
        u: standard uncertainty of the mean, >= 0.
        fitted: number of parameters that were fitted.

    Raises:
        ArgumentError: a negative uncertainty, or too few batch means.
    """
    require_not_negative("u", u)
    require_numbers("means", means, 3, of="batch means")
    require_count("fitted", fitted, 1, of="parameters")
    m, lost = len(means), min(fitted, 2)
    part = 2.0 / 9.0 / (m - lost)
    highest = (1.0 - part + Z_975 * math.sqrt(part)) ** 3
    sums = list(accumulate(means))
    wander = math.fsum(map(mul, sums, sums)) / m**3
    return _squares(means) / (m - lost) / m > highest * u * u or wander > WANDERING[lost - 1] * u * u


def _of_batches(means: Sequence[float], white: float, fitted: int) -> MeanScatter:
    """Return the scatter of the mean from autocorrelated batch means; `white` is the part of white noise in a variance.

    White noise lowers the autocorrelation of the batch means; they get back what it took.
    """
    m = len(means)
    squares = _squares(means)
    variance = squares / (m - fitted)
    lag1 = math.fsum(map(mul, means, means[1:])) / squares if squares > 0.0 else 0.0
    lag1 *= variance / max(variance - white, 1e-9 * variance) if variance > 0.0 else 1.0
    return mean_scatter(math.sqrt(variance), m, min(max(lag1, -1.0), 1.0), fitted=fitted)


def _squares(means: Sequence[float]) -> float:
    return math.fsum(map(mul, means, means))


def _wider(one: MeanScatter, other: MeanScatter) -> MeanScatter:
    """Return the one with the wider 95 % interval."""
    halves = [(s.u or 0.0) * t_975(s.dof) for s in (one, other)]
    return one if halves[0] >= halves[1] else other
