"""Uncertainty budgets by JCGM 100 (GUM): components, combination, degrees of freedom, coverage, reporting.

A component's standard uncertainty is in the unit of its own quantity; times the sensitivity it is in the unit of the
result.  Monte Carlo by JCGM 101 is in `montecarlo`, the budget of a viscosity in `viscosity_budget`.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from itertools import product
from operator import mul
from typing import Any

from daq.rheology.elementary import ArgumentError, require_positive
from daq.rheology.student import normal_quantile, student_quantile


class Distribution(StrEnum):
    """What is known about a quantity, as JCGM 100 4.3 and JCGM 101 6.4 name it."""

    NORMAL = "normal"
    STUDENT = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


_WIDE = Context(prec=700)
"""Wide enough for any float at any place."""

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
    """Degrees of freedom; infinite where the uncertainty itself is taken as known."""
    sensitivity: float = 1.0
    """Unit of the result per unit of the quantity, with its sign."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.u < math.inf:
            raise ArgumentError(f"must be at least 0 and finite, is {self.u}", key=f"{self.name}.u")
        if not self.dof > 0.0:
            raise ArgumentError(f"must be greater than 0, is {self.dof}", key=f"{self.name}.dof")
        if not math.isfinite(self.sensitivity):
            raise ArgumentError(f"must be finite, is {self.sensitivity}", key=f"{self.name}.sensitivity")

    @property
    def contribution(self) -> float:
        """|c| u, unit of the result."""
        return abs(self.sensitivity) * self.u


def from_limit(
    name: str,
    half_width: float,
    sensitivity: float = 1.0,
    distribution: Distribution = Distribution.RECTANGULAR,
    dof: float = math.inf,
) -> Component:
    """Component from a limit +-`half_width`: u = half_width/sqrt(3) where rectangular.

    Over sqrt(6) where triangular, over sqrt(2) where arcsine; JCGM 100 4.3.7 and 4.3.9.
    The sign of the half-width does not matter.
    """
    try:
        factor = HALF_WIDTH_FACTOR[distribution]
    except KeyError:
        raise ArgumentError(f"{distribution} has no limits", key="distribution") from None
    return Component(name, abs(half_width) / factor, distribution, dof, sensitivity)


def from_expanded(
    name: str, expanded: float, coverage_factor: float = 2.0, sensitivity: float = 1.0, dof: float = math.inf
) -> Component:
    """Component from a certificate's expanded uncertainty: u = U/k (JCGM 100 4.3.3)."""
    require_positive("coverage_factor", coverage_factor)
    return Component(name, abs(expanded) / coverage_factor, Distribution.NORMAL, dof, sensitivity)


def span_mean_uncertainty(sd: float, n: int, lag1: float = 0.0) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of the mean of a span of autocorrelated readings.

    u = s/sqrt(n_eff), n_eff = n (1 - r)/(1 + r): the effective number of independent readings of a first-order
    autoregressive series; r is the lag-one autocorrelation, taken within 0..0.95 (a negative one is not trusted to
    help).  Degrees of freedom n_eff - 1, at least 1.  `sd` is the sample standard deviation of `n` >= 2 readings.

    Raises:
        ArgumentError: n below 2 or a negative sd.
    """
    from daq.core.steady import effective_count

    if n < 2:
        raise ArgumentError(f"needs at least 2 readings, got {n}", key="n")
    if not sd >= 0.0:
        raise ArgumentError(f"must be at least 0, is {sd}", key="sd")
    worth = max(effective_count(n, lag1), 1.0)
    return sd / math.sqrt(worth), max(worth - 1.0, 1.0)


def from_readings(name: str, sd: float, n: int, lag1: float = 0.0, sensitivity: float = 1.0) -> Component:
    """Type A component of a span's mean (`span_mean_uncertainty`), Student's t."""
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
        """Part of each component in the combined variance (0..1), in their order; correlations left out."""
        total = math.fsum(c.contribution**2 for c in self.components)
        return tuple(c.contribution**2 / total if total > 0.0 else 0.0 for c in self.components)

    def rows(self) -> list[dict[str, Any]]:
        """The table for a record: one mapping per component; infinite degrees of freedom are None."""
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
    """Part (0..1) of the combined variance that comes from quantities known only by their limits.

    Rectangular, triangular and arcsine terms: where they prevail, U = k u_c with Student's k covers more than is
    claimed, and the distributions themselves have to be propagated (JCGM 101 5.11.6, from memory).
    """
    total = math.fsum(c.contribution**2 for c in components)
    bounded = math.fsum(c.contribution**2 for c in components if c.distribution in HALF_WIDTH_FACTOR)
    return bounded / total if total > 0.0 else 0.0


def combine(
    components: Sequence[Component],
    *,
    coverage: float = 0.95,
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Budget:
    """Combined standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty.

    JCGM 100 equations 10 and 16: u_c^2 = sum c_i^2 u_i^2 + 2 sum c_i c_j u_i u_j r_ij; Welch-Satterthwaite (G.2b);
    k = t((1+p)/2, nu_eff truncated).  `correlations` maps pairs of component names to r; with correlations
    the effective degrees of freedom are those of the uncorrelated terms, which JCGM 100 does not define better.

    Raises:
        ArgumentError: no components, or in `correlations` a repeated or unknown pair or a coefficient outside -1..1.
    """
    if not components:
        raise ArgumentError("a budget needs at least one component", key="components")
    variance = math.fsum(c.contribution**2 for c in components) + _covariance(components, correlations or {})
    u_c = math.sqrt(max(variance, 0.0))
    nu_eff = welch_satterthwaite(u_c, components)
    return Budget(tuple(components), u_c, nu_eff, coverage, coverage_factor(nu_eff, coverage))


def _covariance(components: Sequence[Component], correlations: Mapping[tuple[str, str], float]) -> float:
    signed = {c.name: c.sensitivity * c.u for c in components}
    terms: list[float] = []
    for (a, b), r in correlations.items():
        if a not in signed or b not in signed or a == b:
            raise ArgumentError(f"no such pair of components: {a}, {b}", key="correlations")
        if not -1.0 <= r <= 1.0:
            raise ArgumentError(f"must be from -1 to 1, is {r} for {a}, {b}", key="correlations")
        if (b, a) in correlations:
            raise ArgumentError(f"{a}, {b} is given twice", key="correlations")
        terms.append(2.0 * r * signed[a] * signed[b])
    return math.fsum(terms)


def welch_satterthwaite(u_c: float, components: Sequence[Component]) -> float:
    """Effective degrees of freedom: u_c^4 / sum(u_i^4/nu_i) (JCGM 100 G.2b); infinite where no term has a finite nu."""
    below = math.fsum(c.contribution**4 / c.dof for c in components)
    return u_c**4 / below if below > 0.0 else math.inf


def coverage_factor(nu_eff: float, coverage: float = 0.95, *, truncate: bool = True) -> float:
    """Student's t for a two-sided `coverage` (0..1) and `nu_eff` degrees of freedom (JCGM 100 G.3, G.4).

    Truncated to a whole number (at least 1) unless `truncate` is False; normal for infinite degrees of freedom.

    Raises:
        ArgumentError: a coverage outside 0..1 or degrees of freedom not above 0.
    """
    if not 0.0 < coverage < 1.0:
        raise ArgumentError(f"must be between 0 and 1, is {coverage}", key="coverage")
    if not nu_eff > 0.0:
        raise ArgumentError(f"must be greater than 0, is {nu_eff}", key="nu_eff")
    p = (1.0 + coverage) / 2.0
    # Above this the two quantiles agree to double precision.
    if nu_eff > 1e12:
        return normal_quantile(p)
    if truncate:
        # A whole number that rounding left a hair short stays whole.
        return student_quantile(p, max(math.floor(nu_eff + 1e-9), 1))
    from scipy.special import stdtrit

    return float(stdtrit(nu_eff, p))


def rectangular_sum_half_width(half_widths: Sequence[float], coverage: float = 0.95) -> float:
    """Half-width of the symmetric interval that holds a sum of independent rectangular quantities with `coverage`.

    Exact, from the sum's distribution function (the Irwin-Hall polynomial for unequal widths); it shows without Monte
    Carlo how far k = 2 over-covers.  1 to 10 half-widths, all > 0 (unit of the result).

    Raises:
        ArgumentError: none or too many, one not positive, or a coverage outside 0..1.
    """
    from scipy.optimize import brentq

    n = len(half_widths)
    if not 1 <= n <= 10:
        raise ArgumentError(f"needs from 1 to 10, got {n}", key="half_widths")
    for a in half_widths:
        require_positive("half_widths", a)
    if not 0.0 < coverage < 1.0:
        raise ArgumentError(f"must be between 0 and 1, is {coverage}", key="coverage")
    corners = [(math.prod(s), math.fsum(map(mul, s, half_widths))) for s in product((1.0, -1.0), repeat=n)]
    volume = math.factorial(n) * 2.0**n * math.prod(half_widths)

    def below(x: float) -> float:
        return math.fsum(sign * max(x + corner, 0.0) ** n for sign, corner in corners) / volume

    return float(brentq(lambda x: below(x) - (1.0 + coverage) / 2.0, 0.0, math.fsum(half_widths), xtol=1e-14))


def sensitivities(
    model: Callable[[Mapping[str, float]], float], values: Mapping[str, float], uncertainties: Mapping[str, float]
) -> dict[str, float]:
    """Sensitivity coefficients of a model by differences over +-u of each input (JCGM 100 5.1.3 note 2).

    `model` takes a mapping of input names to values.  Inputs with u = 0 or without an entry in `uncertainties` get 0.
    """
    out = dict.fromkeys(values, 0.0)
    for name, u in uncertainties.items():
        if u > 0.0:
            up = model({**values, name: values[name] + u})
            down = model({**values, name: values[name] - u})
            out[name] = (up - down) / (2.0 * u)
    return out


@dataclass(frozen=True, slots=True)
class Reported:
    """A result and its expanded uncertainty, rounded to the same decimal place."""

    value: Decimal
    expanded: Decimal


def report(value: float, expanded: float, digits: int = 2, *, upward: bool = False) -> Reported:
    """Expanded uncertainty to `digits` significant digits and the value to the same place (JCGM 100 7.2.6).

    Halves go to the even digit; `upward` rounds the uncertainty up instead, for those who must not understate it.

    Raises:
        ArgumentError: numbers that are not finite, an uncertainty not above 0, or digits below 1.
    """
    require_positive("expanded", expanded)
    if not math.isfinite(value):
        raise ArgumentError(f"must be finite, is {value}", key="value")
    if digits < 1:
        raise ArgumentError(f"must be at least 1, is {digits}", key="digits")
    u = Decimal(repr(float(expanded)))
    mode = ROUND_CEILING if upward else ROUND_HALF_EVEN
    place = Decimal(1).scaleb(u.adjusted() - digits + 1)
    shown = u.quantize(place, rounding=mode, context=_WIDE)
    if shown.adjusted() > u.adjusted():  # 9.96 became 10.0: one place less
        place = place.scaleb(1)
        shown = u.quantize(place, rounding=mode, context=_WIDE)
    result = Decimal(repr(float(value))).quantize(place, rounding=ROUND_HALF_EVEN, context=_WIDE)
    if place > 1:
        one = Decimal(1)
        shown, result = shown.quantize(one, context=_WIDE), result.quantize(one, context=_WIDE)
    return Reported(result or result.copy_abs(), shown)
