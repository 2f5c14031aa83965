"""Repeatability and replicates (ISO 5725): standard deviations from groups, limits, agreement of replicates."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

from daq.core.arguments import require_count, require_listed, require_numbers, require_positive, require_probability
from daq.core.errors import ArgumentError
from daq.quality.statistics import range_quantile

MOST_RESULTS = 1000
"""More replicates of one sample are taken for a mistake."""
ROUNDED_FACTOR = 2.8
"""The factor of ISO 5725-6 and ASTM E177: 1.96 sqrt(2), rounded."""


def repeatability_factor(coverage: float = 0.95) -> float:
    """Return limit over standard deviation for the difference of two results: z sqrt(2); at 95 % 2.77 (rounded 2.8)."""
    require_probability("coverage", coverage)
    return NormalDist().inv_cdf((1.0 + coverage) / 2.0) * math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Precision:
    """Repeatability and reproducibility of groups of results; unit of the results."""

    s_r: float
    """Repeatability standard deviation (within groups)."""
    s_between: float
    """Standard deviation between groups, 0 where the estimate is negative."""
    f: float
    """Between over within mean square; infinite where nothing varies within the groups."""
    dof_within: int
    dof_between: int
    factor: float

    @property
    def s_R(self) -> float:  # noqa: N802 - the standard's symbol
        """Reproducibility standard deviation: sqrt(s_r^2 + s_between^2)."""
        return math.hypot(self.s_r, self.s_between)

    @property
    def r_limit(self) -> float:
        """Repeatability limit: factor times s_r."""
        return self.factor * self.s_r

    @property
    def R_limit(self) -> float:  # noqa: N802 - the standard's symbol
        """Reproducibility limit: factor times s_R."""
        return self.factor * self.s_R


def precision(groups: Sequence[Sequence[float]], factor: float = ROUNDED_FACTOR) -> Precision:
    """Return the one-way analysis of groups (laboratories, days, operators) of replicates (ISO 5725-2 7.4).

    s_r^2 is the mean square within; s_between^2 = (mean square between - within)/n, with n the weighted mean group size
    of the standard.

    Raises:
        ArgumentError: fewer than 2 groups, an empty group, or no group with 2 results.
    """
    require_listed("groups", groups, 2)
    for group in groups:
        require_numbers("groups", group, 1, of="results")
    require_positive("factor", factor)
    sizes = [len(g) for g in groups]
    if max(sizes) < 2:
        raise ArgumentError("needs at least 2 groups, none empty, one with 2 results or more", key="groups")
    total = sum(sizes)
    means = [math.fsum(g) / len(g) for g in groups]
    grand = math.fsum(math.fsum(g) for g in groups) / total
    within_dof, between_dof = total - len(groups), len(groups) - 1
    within = math.fsum((v - m) ** 2 for g, m in zip(groups, means, strict=True) for v in g) / within_dof
    between = math.fsum(k * (m - grand) ** 2 for k, m in zip(sizes, means, strict=True)) / between_dof
    mean_size = (total - sum(k * k for k in sizes) / total) / between_dof
    return Precision(
        s_r=math.sqrt(within),
        s_between=math.sqrt(max(between - within, 0.0) / mean_size),
        f=between / within if within > 0.0 else math.inf,
        dof_within=within_dof,
        dof_between=between_dof,
        factor=factor,
    )


def repeatability_deviation(r_limit: float) -> float:
    """Return the repeatability standard deviation s_r of a repeatability limit at 95 %: r/(1.96 sqrt(2)).

    ISO 5725-6 4.1.4; unit of the limit.

    Raises:
        ArgumentError: a limit that is not above 0 and finite.
    """
    require_positive("r_limit", r_limit)
    return r_limit / repeatability_factor()


def mean_uncertainty(values: Sequence[float], known_sd: float) -> float:
    """Return the standard uncertainty of the mean of replicates that agree, each on its own fill: s/sqrt(n).

    s is the product's known repeatability standard deviation, from many earlier results (JCGM 100 4.2.4), or that of
    the replicates (JCGM 100 4.2.3) where it is greater.  Two or three results that agree cannot make s smaller.  The
    degrees of freedom are those of the known value: unlimited.

    Args:
        values: the replicates, at least one, finite.
        known_sd: repeatability standard deviation, > 0, in the unit of the values.

    Raises:
        ArgumentError: no values, a value that is not finite, or a standard deviation that is not positive.
    """
    require_numbers("values", values, 1, of="results")
    require_positive("known_sd", known_sd)
    n = len(values)
    mean = math.fsum(values) / n
    own = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1)) if n > 1 else 0.0
    return max(own, known_sd) / math.sqrt(n)


class Outcome(StrEnum):
    """Decision on a set of replicates."""

    MEAN = "mean"
    """They agree: report the mean."""
    MORE = "more"
    """They do not agree: one more result is needed, on a fresh fill."""
    MEDIAN = "median"
    """They do not agree after the last allowed result: report the median, and find the cause."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """The decision on replicates with its numbers; unit of the results."""

    outcome: Outcome
    value: float | None
    """Mean or median to report; None while more are needed."""
    spread: float
    """Largest less smallest."""
    limit: float
    """Critical range of n results."""
    n: int


def critical_range(n: int, r_limit: float) -> float:
    """Return the critical range of n results from the repeatability limit r of two: r f(n)/f(2).

    ISO 5725-6 4.1.4; f(n) is the 95 % point of the range of n normal values: 2.77, 3.31, 3.63 for 2, 3, 4.
    """
    require_positive("r_limit", r_limit)
    require_count("n", n, 2, MOST_RESULTS, "results")
    return r_limit if n == 2 else r_limit * range_quantile(n) / range_quantile(2)


def judge_replicates(values: Sequence[float], r_limit: float, most: int = 3) -> Agreement:
    """Judge 2 or more results under repeatability conditions (ISO 5725-6 clause 5).

    Within the critical range the mean of all is reported.  Otherwise one more result is needed, up to `most`; then the
    median is reported.  No result is left out.  The comparison includes the limit.

    Args:
        values: results in the order of time, each on its own fill, unit of `r_limit`.
        r_limit: repeatability limit for two results, > 0.
        most: greatest number of results, at least 2.

    Raises:
        ArgumentError: fewer than 2 values, more than `most`, not finite, or a limit that is not positive.
    """
    require_count("most", most, 2, MOST_RESULTS, "results")
    require_numbers("values", values, 2, of="results")
    n = len(values)
    if n > most:
        raise ArgumentError(f"needs from 2 to {most} results, got {n}", key="values")
    spread, limit = max(values) - min(values), critical_range(n, r_limit)
    # 1e-12: binary rounding of numbers with few digits must not put the spread above the limit.
    if spread <= limit * (1.0 + 1e-12):
        return Agreement(Outcome.MEAN, math.fsum(values) / n, spread, limit, n)
    if n < most:
        return Agreement(Outcome.MORE, None, spread, limit, n)
    ordered = sorted(values)
    median = (ordered[(n - 1) // 2] + ordered[n // 2]) / 2.0
    return Agreement(Outcome.MEDIAN, median, spread, limit, n)
