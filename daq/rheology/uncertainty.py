"""Uncertainty budgets by JCGM 100 (GUM): components, combination, degrees of freedom, coverage.

A component's standard uncertainty is in the unit of its own quantity; times the sensitivity it is in the unit of the
result.  Monte Carlo by JCGM 101 is in `montecarlo`, the budget of a viscosity in `viscosity_budget`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import Any, Final

from daq.core.arguments import (
    ends,
    require_count,
    require_finite,
    require_instance,
    require_listed,
    require_not_negative,
    require_one_of,
    require_positive,
    require_probability,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.core.statistics import Batches
from daq.core.steady import LEAST_EFFECTIVE
from daq.core.student import student_quantile, t_975
from daq.rheology.slowdrift import mean_scatter


class Distribution(StrEnum):
    """Distribution assigned to a quantity, as named in JCGM 100 4.3 and JCGM 101 6.4."""

    NORMAL = "normal"
    STUDENT = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


CERTAIN_RIPPLE: Final = 5.0
"""F ratio from which a ripple is certain: the 95 % point of F for 2 and 6 degrees of freedom is 5.1."""
HALF_WIDTH_FACTOR = {
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.ARCSINE: math.sqrt(2.0),
}
"""Half-width over standard uncertainty (JCGM 100 4.3.7, 4.3.9; JCGM 101 6.4.6)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget.

    Raises:
        ArgumentError: an uncertainty that is negative or not finite, or degrees of freedom not above 0.
    """

    name: str
    u: float
    """Standard uncertainty, unit of the quantity."""
    distribution: Distribution = Distribution.NORMAL
    dof: float = math.inf
    """Degrees of freedom; infinite where the uncertainty is taken as exactly known."""
    sensitivity: float = 1.0
    """Unit of the result per unit of the quantity, with its sign."""
    unit: str | None = None
    """UCUM unit of the quantity; None where it is that of the result."""

    def __post_init__(self) -> None:
        require_instance("name", self.name, str)
        require_not_negative(f"{self.name}.u", self.u)
        require_one_of("distribution", self.distribution, Distribution)
        _require_freedom(f"{self.name}.dof", self.dof)
        require_finite(f"{self.name}.sensitivity", self.sensitivity)
        if self.unit is not None:
            require_instance(f"{self.name}.unit", self.unit, str)

    @property
    def contribution(self) -> float:
        """|c| u, unit of the result."""
        return abs(self.sensitivity) * self.u


def _require_freedom(name: str, dof: float) -> None:
    """Raise `ArgumentError` unless `dof` is above 0; infinite degrees of freedom are allowed."""
    low, _ = ends(name, dof)
    if not low > 0.0 or (low == math.inf and not isinstance(dof, float)):
        raise ArgumentError(f"must be greater than 0, is {low:g}", key=name)


def _require_components(components: Sequence[Component], least: int = 0) -> None:
    require_listed("components", components)
    for component in components:
        require_instance("components", component, Component)
    if len(components) < least:
        raise ArgumentError("a budget needs at least one component", key="components")


def from_limit(
    name: str,
    half_width: float,
    sensitivity: float = 1.0,
    distribution: Distribution = Distribution.RECTANGULAR,
    dof: float = math.inf,
    *,
    unit: str | None = None,
) -> Component:
    """Return the component of a limit ±`half_width`: u = half_width/sqrt(3) where rectangular.

    half_width/sqrt(6) where triangular, half_width/sqrt(2) where arcsine; JCGM 100 4.3.7 and 4.3.9.
    The sign of the half-width does not matter.  `unit` is its UCUM unit; None where it is that of the result.
    """
    require_finite("half_width", half_width)
    require_one_of("distribution", distribution, HALF_WIDTH_FACTOR)
    factor = HALF_WIDTH_FACTOR[distribution]
    return Component(name, abs(half_width) / factor, distribution, dof, sensitivity, unit)


def from_expanded(
    name: str, expanded: float, coverage_factor: float = 2.0, sensitivity: float = 1.0, dof: float = math.inf
) -> Component:
    """Return the component of a certificate's expanded uncertainty: u = U/k (JCGM 100 4.3.3)."""
    require_finite("expanded", expanded)
    require_within("coverage_factor", coverage_factor, 0.01, 100.0)
    return Component(name, abs(expanded) / coverage_factor, Distribution.NORMAL, dof, sensitivity)


def span_mean_uncertainty(
    sd: float, n: int, lag1: float | None = 0.0, batches: Batches | None = None
) -> tuple[float, float]:
    """Return the standard uncertainty and the degrees of freedom of the mean of a span of autocorrelated readings.

    It is that of `daq.rheology.slowdrift.mean_scatter`; for independent readings u = s/sqrt(n).

    Args:
        sd: sample standard deviation of the readings, >= 0.
        n: number of readings.
        lag1: their lag-one autocorrelation; None where all are equal.
        batches: their slow course; None where it is not known.

    Raises:
        ArgumentError: fewer than five effective readings, an autocorrelation outside -1..1, or a negative sd.
    """
    found = mean_scatter(sd, n, lag1, batches)
    if found.u is None:
        raise ArgumentError(
            f"{n} readings are worth {found.effective:.1f} independent ones; needs at least {LEAST_EFFECTIVE:g}",
            key="n",
        )
    return found.u, found.dof


def from_readings(
    name: str,
    sd: float,
    n: int,
    lag1: float | None = 0.0,
    sensitivity: float = 1.0,
    *,
    batches: Batches | None = None,
) -> Component:
    """Return the Type A component of a span's mean (`span_mean_uncertainty`), Student's t."""
    u, dof = span_mean_uncertainty(sd, n, lag1, batches)
    return Component(name, u, Distribution.STUDENT, dof, sensitivity)


def from_drifting_readings(
    name: str,
    line_sd: float,
    n: int,
    line_lag1: float | None,
    *,
    slope: float,
    spread: float,
    batches: Batches | None = None,
) -> Component | None:
    """Return the Type A component of the mean of readings that change steadily in time; None where that is not certain.

    The change itself belongs to the value (it is the value at the middle of the span).  Only the scatter about the line
    makes the mean uncertain (`mean_scatter`, two standard errors on the safe side: a line follows part of a slow random
    change).  The change is certain where zero is outside the 95 % interval of the slope.

    Args:
        name: of the component.
        line_sd: standard deviation about the line (n - 2), >= 0.
        n: number of readings.
        line_lag1: lag-one autocorrelation of the residuals; None where all are 0.
        slope: of the line, per second.
        spread: sum of squares of the times about their mean, s^2, > 0.
        batches: slow course of the residuals; None where it is not known.

    Raises:
        ArgumentError: one of them outside these ranges.
    """
    require_not_negative("line_sd", line_sd)
    require_finite("slope", slope)
    require_positive("spread", spread)
    require_count("n", n, 1, of="readings")
    if line_lag1 is not None:
        require_within("line_lag1", line_lag1, -1.0, 1.0)
    found = mean_scatter(line_sd, n, line_lag1, batches, fitted=2, standard_errors=2.0)
    # For evenly spaced times the slope is uncertain by sqrt(n/spread) times the mean.
    if found.u is None or abs(slope) <= t_975(found.effective - 2.0) * found.u * math.sqrt(n / spread):
        return None
    return Component(name, found.u, Distribution.STUDENT, found.dof)


def from_rippling_readings(
    name: str, sd: float, n: int, lag1: float | None, *, power: float, batches: Batches | None = None
) -> Component | None:
    """Return the Type A component of the mean of readings with a certain ripple of one turn; None where it is not so.

    The ripple belongs to the turn and not to the value.  Only the scatter about line and sine makes the mean
    uncertain (`mean_scatter`, three standard errors on the safe side: line and sine follow more of a slow random change
    than a line alone).  The ripple is certain where the mean square of its coefficients is `CERTAIN_RIPPLE` times that
    of noise with this autocorrelation.

    Args:
        name: of the component.
        sd: standard deviation about line and sine (n - 4), >= 0.
        n: number of readings.
        lag1: lag-one autocorrelation of the residuals; None where all are 0.
        power: mean square of the two coefficients of the sine, for vectors of length 1, >= 0.
        batches: slow course of the residuals; None where it is not known.

    Raises:
        ArgumentError: one of them outside these ranges.
    """
    require_not_negative("power", power)
    found = mean_scatter(sd, n, lag1, batches, fitted=4, standard_errors=3.0)
    if found.u is None or found.effective - 3.0 < LEAST_EFFECTIVE:
        return None
    if power <= CERTAIN_RIPPLE * sd**2 * n / found.effective:
        return None
    return Component(name, found.u, Distribution.STUDENT, found.dof)


def from_one_reading(
    name: str, sd: float, n: int, lag1: float | None = 0.0, *, batches: Batches | None = None
) -> Component:
    """Return the Type A component of a single reading of a span, such as the last: the scatter of the readings.

    Its variance is that of the readings about their mean, plus that of the mean.  Arguments and errors are those of
    `span_mean_uncertainty`.
    """
    u, dof = span_mean_uncertainty(sd, n, lag1, batches)
    return Component(name, math.sqrt(sd * sd * (n - 1) / n + u * u), Distribution.STUDENT, dof)


@dataclass(frozen=True, slots=True)
class Budget:
    """A combined budget; everything in the unit of the result."""

    components: tuple[Component, ...]
    u_c: float
    """Combined standard uncertainty."""
    nu_eff: float
    """Effective degrees of freedom (Welch-Satterthwaite), not rounded; infinite where no component limits it."""
    coverage: float
    k: float
    """Coverage factor: Student's t for nu_eff truncated to a whole number (JCGM 100 G.4.1)."""

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u_c."""
        return self.k * self.u_c

    def shares(self) -> tuple[float, ...]:
        """Return the part of each component in the combined variance (0..1), in their order."""
        total = math.fsum(c.contribution**2 for c in self.components)
        return tuple(c.contribution**2 / total if total > 0.0 else 0.0 for c in self.components)

    def rows(self) -> list[dict[str, Any]]:
        """Return the table for a record: one mapping per component.

        Infinite degrees of freedom are None, and so is a unit that is that of the result.
        """
        return [
            {
                "name": c.name,
                "u": c.u,
                "unit": c.unit,
                "distribution": str(c.distribution),
                "dof": None if math.isinf(c.dof) else c.dof,
                "sensitivity": c.sensitivity,
                "contribution": c.contribution,
                "share": share,
            }
            for c, share in zip(self.components, self.shares(), strict=True)
        ]


def bounded_share(components: Sequence[Component]) -> float:
    """Return the part (0..1) of the combined variance from quantities known only by their limits.

    These are the rectangular, triangular and arcsine terms.  Where they prevail, U = k u_c with Student's k covers
    more than `coverage`, and the distributions have to be propagated (JCGM 101).
    """
    _require_components(components)
    total = math.fsum(c.contribution**2 for c in components)
    bounded = math.fsum(c.contribution**2 for c in components if c.distribution in HALF_WIDTH_FACTOR)
    return bounded / total if total > 0.0 else 0.0


def combine(components: Sequence[Component], *, coverage: float = 0.95) -> Budget:
    """Compute combined standard uncertainty, effective degrees of freedom, coverage factor, expanded uncertainty.

    JCGM 100 equation 10, for components that are not correlated: u_c^2 = sum c_i^2 u_i^2; Welch-Satterthwaite (G.2b);
    k = t((1+p)/2, nu_eff truncated).

    Raises:
        ArgumentError: no components.
    """
    _require_components(components, 1)
    u_c = math.sqrt(math.fsum(c.contribution**2 for c in components))
    nu_eff = welch_satterthwaite(u_c, components)
    return Budget(tuple(components), u_c, nu_eff, coverage, coverage_factor(nu_eff, coverage))


def welch_satterthwaite(u_c: float, components: Sequence[Component]) -> float:
    """Return ν_eff = u_c^4 / sum(u_i^4/ν_i) (JCGM 100 G.2b); infinite where every ν_i is."""
    require_not_negative("u_c", u_c)
    _require_components(components, 1)
    # Relative to the largest of all, so that small and large units give the same number.
    scale = max([u_c, *(c.contribution for c in components)])
    if scale <= 0.0:
        return math.inf
    below = math.fsum((c.contribution / scale) ** 4 / c.dof for c in components)
    return (u_c / scale) ** 4 / below if below > 0.0 else math.inf


def coverage_factor(nu_eff: float, coverage: float = 0.95) -> float:
    """Return Student's t for a two-sided `coverage` (0..1) and `nu_eff` degrees of freedom (JCGM 100 G.3, G.4).

    `nu_eff` is truncated to a whole number (at least 1); infinite ones give the normal quantile.

    Raises:
        ArgumentError: a coverage outside 0..1 or degrees of freedom not above 0.
    """
    require_probability("coverage", coverage)
    _require_freedom("nu_eff", nu_eff)
    p = (1.0 + coverage) / 2.0
    # Above this the quantiles of t and of the normal distribution agree to double precision.
    if nu_eff > 1e12:
        return NormalDist().inv_cdf(p)
    # 1e-9: a whole number that is slightly too small by rounding must stay whole.
    return student_quantile(p, max(math.floor(nu_eff + 1e-9), 1))
