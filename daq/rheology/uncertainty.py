"""Uncertainty budgets by JCGM 100 (GUM): components, combination, degrees of freedom, coverage.

A component's standard uncertainty is in the unit of its own quantity; times the sensitivity it is in the unit of the
result.  Monte Carlo by JCGM 101 is in `montecarlo`, the budget of a viscosity in `viscosity_budget`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import Any

from daq.core.arguments import (
    LARGEST,
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
from daq.core.student import student_quantile


class Distribution(StrEnum):
    """Distribution assigned to a quantity, as named in JCGM 100 4.3 and JCGM 101 6.4."""

    NORMAL = "normal"
    STUDENT = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


LEAST_FREEDOM = 1e-3
"""Fewest degrees of freedom of a component; the fewest of a real one is about 0.5."""
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

    def __post_init__(self) -> None:
        require_instance("name", self.name, str)
        require_not_negative(f"{self.name}.u", self.u)
        require_one_of(f"{self.name}.distribution", self.distribution, Distribution)
        require_freedom(f"{self.name}.dof", self.dof)
        require_finite(f"{self.name}.sensitivity", self.sensitivity)
        require_not_negative(f"{self.name}.sensitivity", abs(self.sensitivity) * self.u)

    @property
    def contribution(self) -> float:
        """|c| u, unit of the result."""
        return abs(self.sensitivity) * self.u


def require_freedom(name: str, dof: float) -> None:
    """Raise `ArgumentError` unless `dof` are degrees of freedom: above 0, infinite where nothing limits them."""
    if not (isinstance(dof, float) and dof > LARGEST):
        require_positive(name, dof)
    if dof < LEAST_FREEDOM:
        raise ArgumentError(f"must be at least {LEAST_FREEDOM:g}, is {dof:g}", key=name)


def from_limit(
    name: str,
    half_width: float,
    sensitivity: float = 1.0,
    distribution: Distribution = Distribution.RECTANGULAR,
    dof: float = math.inf,
) -> Component:
    """Return the component of a limit ±`half_width`: u = half_width/sqrt(3) where rectangular.

    half_width/sqrt(6) where triangular, half_width/sqrt(2) where arcsine; JCGM 100 4.3.7 and 4.3.9.
    The sign of the half-width does not matter.
    """
    require_one_of("distribution", distribution, HALF_WIDTH_FACTOR)
    factor = HALF_WIDTH_FACTOR[distribution]
    require_finite("half_width", half_width)
    return Component(name, abs(half_width) / factor, distribution, dof, sensitivity)


def from_expanded(
    name: str, expanded: float, coverage_factor: float = 2.0, sensitivity: float = 1.0, dof: float = math.inf
) -> Component:
    """Return the component of a certificate's expanded uncertainty: u = U/k (JCGM 100 4.3.3)."""
    require_finite("expanded", expanded)
    require_within("coverage_factor", coverage_factor, 0.01, 100.0)
    return Component(name, abs(expanded) / coverage_factor, Distribution.NORMAL, dof, sensitivity)


def span_mean_uncertainty(sd: float, n: int, lag1: float = 0.0) -> tuple[float, float]:
    """Return the standard uncertainty and the degrees of freedom of the mean of a span of autocorrelated readings.

    u = s/sqrt(n_eff), n_eff = n (1 - r)/(1 + r): the effective number of independent readings of a first-order
    autoregressive series; r is the lag-one autocorrelation, limited to 0..0.95 (a negative r does not reduce u).
    Degrees of freedom: n_eff - 1, at least 1.  `sd` is the sample standard deviation of `n` >= 2 readings.

    Raises:
        ArgumentError: n below 2 or a negative sd.
    """
    from daq.core.steady import MOST_READINGS, effective_count

    require_count("n", n, 2, MOST_READINGS, "readings")
    require_not_negative("sd", sd)
    require_within("lag1", lag1, -1.0, 1.0)
    worth = max(effective_count(n, lag1), 1.0)
    return sd / math.sqrt(worth), max(worth - 1.0, 1.0)


def from_readings(name: str, sd: float, n: int, lag1: float = 0.0, sensitivity: float = 1.0) -> Component:
    """Return the Type A component of a span's mean (`span_mean_uncertainty`), Student's t."""
    u, dof = span_mean_uncertainty(sd, n, lag1)
    return Component(name, u, Distribution.STUDENT, dof, sensitivity)


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
        """Return the table for a record: one mapping per component; infinite degrees of freedom are None."""
        return [
            {
                "name": c.name,
                "u": c.u,
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
    _require_components(components)
    if len(components) == 0:
        raise ArgumentError("a budget needs at least one component", key="components")
    u_c = math.sqrt(math.fsum(c.contribution**2 for c in components))
    nu_eff = welch_satterthwaite(u_c, components)
    return Budget(tuple(components), u_c, nu_eff, coverage, coverage_factor(nu_eff, coverage))


def welch_satterthwaite(u_c: float, components: Sequence[Component]) -> float:
    """Return ν_eff = u_c^4 / sum(u_i^4/ν_i) (JCGM 100 G.2b); infinite where every ν_i is."""
    require_not_negative("u_c", u_c)
    _require_components(components)
    # The parts of u_c: fourth powers of small uncertainties would underflow to "no limit".
    parts = [c.contribution / u_c for c in components] if u_c > 0.0 else []
    if any(p > 1e6 for p in parts):
        raise ArgumentError(f"must not be below the components, is {u_c:g}", key="u_c")
    below = math.fsum(p**4 / c.dof for p, c in zip(parts, components, strict=True)) if parts else 0.0
    return 1.0 / below if below > 1e-300 else math.inf


def _require_components(components: Sequence[Component]) -> None:
    require_listed("components", components)
    for component in components:
        require_instance("components", component, Component)


def coverage_factor(nu_eff: float, coverage: float = 0.95) -> float:
    """Return Student's t for a two-sided `coverage` (0..1) and `nu_eff` degrees of freedom (JCGM 100 G.3, G.4).

    `nu_eff` is truncated to a whole number (at least 1); infinite ones give the normal quantile.

    Raises:
        ArgumentError: a coverage outside 0..1 or degrees of freedom not above 0.
    """
    require_probability("coverage", coverage)
    require_freedom("nu_eff", nu_eff)
    p = (1.0 + coverage) / 2.0
    # Above this the quantiles of t and of the normal distribution agree to double precision.
    if nu_eff > 1e12:
        return NormalDist().inv_cdf(p)
    # 1e-9: a whole number that is slightly too small by rounding must stay whole.
    return student_quantile(p, max(math.floor(nu_eff + 1e-9), 1))
