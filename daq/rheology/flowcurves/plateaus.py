"""Fluids without a yield stress whose zero-shear plateau lies below the measured rates, as rivals of a yield stress.

Far above its plateau a fluid of Cross or Carreau flows as one with a yield stress: with m = 1, Cross's equation becomes
τ = η0/λ + η_inf γ̇, that of Bingham (Barnes, J. Non-Newtonian Fluid Mech. 81 (1999) 133; from memory).  No points can
exclude a plateau at any distance.  The bounds here say how far a rival reaches, and so what an unmarked yield stress
claims.
"""

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.errors import ArgumentError
from daq.rheology.fitarguments import RANGE, as_many, positive_series, require_kind, series_of
from daq.rheology.flowcurves.curvefit import CurveFit, Series
from daq.rheology.flowcurves.flowcurve import Fit, Parameter
from daq.rheology.flowcurves.flowmodels import MODELS, FlowModel
from daq.rheology.flowcurves.gapflow import wall_rates
from daq.rheology.leastsquares import Solution, fit_curve

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Family:
    """Plateau fluids of one model within bounds."""

    model: str
    index: tuple[float, float]
    """Bounds of the exponent: m of Cross, n of Carreau."""
    reach: float
    """Greatest product of the time λ and the slowest measured rate: the distance of the plateau below it."""


FAMILIES: Final = (
    _Family("cross", (0.1, 1.0), 30.0),
    _Family("cross", (0.1, 0.9), 1000.0),
    _Family("carreau", (0.1, 0.9), 1000.0),
)
"""A plateau at a rate (1/λ) down to a thirtieth of the slowest one, with any exponent of Cross; down to a thousandth
where the stress of the structure rises at least as γ̇^0.1 (our choice; measured, see the README of `daq/methods`)."""
NEAREST: Final = 0.1
"""Smallest product of λ and the greatest rate; below it the fluid is Newtonian at all rates."""
ROUNDS: Final = 4
"""Number of iterations of fit and wall rates; the misfit needs fewer digits than published parameters."""
AGREED: Final = 1e-5
STARTS: Final = 2
"""Number of starts of a search, the best ones of a grid."""
EVALUATIONS: Final = 100
TIMES: Final = 7
INDICES: Final = 5
"""Numbers of values of λ and of the exponent in the grid."""


@dataclass(frozen=True, slots=True)
class PlateauFit:
    """The plateau fluid of one model that misfits the points least."""

    fit: CurveFit
    """Its parameters have no uncertainty."""
    misfit: float
    """Sum of squares of the whitened residuals."""


def plateau_fits(series: Series, rates: "Array", factor: "Array") -> list[PlateauFit]:
    """Return the best fit of each model with a plateau, within the bounds of `FAMILIES`.

    Args:
        series: points.
        rates: rates at the wall (1/s) to begin with, one for each point.
        factor: lower triangular factor (Cholesky) of the covariance of the stresses, Pa.

    Empty where there are not more points than parameters.

    Raises:
        ArgumentError: `rates` or `factor` do not fit the series, or are not within `fitarguments.RANGE`.
    """
    import numpy as np

    require_kind("series", series, Series)
    rates = positive_series("rates", rates)
    as_many("rates", rates, "points", series.omegas)
    factor = series_of("factor", factor, shape=2)
    if factor.shape != (rates.size, rates.size):
        raise ArgumentError(f"must have {rates.size} rows and columns, has the shape {factor.shape}", key="factor")
    positive_series("factor", factor.diagonal())
    if not np.all(np.abs(factor) <= RANGE[1]):
        raise ArgumentError(f"must be up to {RANGE[1]:g}", key="factor")
    found: dict[str, PlateauFit] = {}
    for family in FAMILIES:
        if series.omegas.size <= MODELS[family.model].size:
            continue
        one = _of_family(family, series, rates, factor)
        if one is not None and (family.model not in found or one.misfit < found[family.model].misfit):
            found[family.model] = one
    return list(found.values())


def _of_family(family: _Family, series: Series, rates: "Array", factor: "Array") -> PlateauFit | None:
    """Return the best fluid of a family, with the wall rates of its own flow in the gap."""
    import numpy as np

    model = MODELS[family.model]
    starts: list[Array] | None = None
    best: Solution | None = None
    try:
        for _ in range(ROUNDS):
            best = _search(family, series, rates, factor, starts)
            if series.radius_ratio is None:
                break
            starts, before = [best.parameters], rates
            law = functools.partial(model.stress, best.parameters)
            rates = wall_rates(law, series.omegas, series.radius_ratio)
            if float(np.max(np.abs(rates / before - 1.0))) < AGREED:
                break
    except (ValueError, ArithmeticError):  # the numbers overflow; such a fluid is no rival
        return None
    assert best is not None  # noqa: S101 - there is at least one round
    return PlateauFit(_curve_fit(model, best, series, rates), best.sum_of_squares)


def _search(
    family: _Family, series: Series, rates: "Array", factor: "Array", starts: "Sequence[Array] | None"
) -> Solution:
    """Return the least whitened misfit within the bounds of a family."""
    import numpy as np

    model = MODELS[family.model]
    stress, top = float(series.stresses.max()), float(rates.max())
    lower = np.array([1e-9 * stress / top, 1e-9 * stress / top, NEAREST / top, family.index[0]])
    upper = np.array([np.inf, np.inf, family.reach / float(rates.min()), family.index[1]])
    measured: Array = np.asarray(np.linalg.solve(factor, series.stresses), dtype=float)
    if starts is None:
        starts = _grid(family, rates, factor, measured, (lower, upper))
    solutions = [
        fit_curve(
            lambda p, g: np.asarray(np.linalg.solve(factor, model.stress(p, g))),
            rates,
            measured,
            np.clip(start, lower, upper),
            jacobian=lambda p, g: np.asarray(np.linalg.solve(factor, model.jacobian(p, g))),
            lower=lower,
            upper=upper,
            max_evaluations=EVALUATIONS,
        )
        for start in starts
    ]
    return min(solutions, key=lambda s: s.sum_of_squares)


def _grid(
    family: _Family, rates: "Array", factor: "Array", measured: "Array", bounds: "tuple[Array, Array]"
) -> "list[Array]":
    """Return the best starts among a grid of times and exponents; the viscosities follow from linear least squares."""
    import numpy as np
    from scipy.optimize import nnls

    basis = MODELS[family.model].basis
    assert basis is not None  # noqa: S101 - both models are linear in their viscosities
    lower, upper = bounds
    found: list[tuple[float, Array]] = []
    for time in np.geomspace(lower[2], upper[2], TIMES):
        for index in np.linspace(lower[3], upper[3], INDICES):
            shape = float(time), float(index)
            columns = np.linalg.solve(factor, basis(shape, rates))
            scale = np.linalg.norm(columns, axis=0)
            if not np.all(np.isfinite(scale)) or not np.all(scale > 0.0):
                continue
            weights, residual = nnls(columns / scale, measured)
            found.append((float(residual), np.array([*(weights / scale), *shape])))
    if not found:
        raise ArgumentError("no start has finite stresses", key="rates")
    found.sort(key=lambda pair: pair[0])
    return [p for _, p in found[:STARTS]]


def _curve_fit(model: FlowModel, solution: Solution, series: Series, rates: "Array") -> CurveFit:
    """Return a fit whose curve can be computed; its parameters have no uncertainty and are not for a result."""
    import numpy as np

    p, none = solution.parameters, tuple((0.0,) * model.size for _ in range(model.size))
    rest = model.stress(p, rates) - series.stresses
    total = float(np.sum((series.stresses - series.stresses.mean()) ** 2))
    fit = Fit(
        model=model.name,
        equation=model.equation,
        parameters=tuple(
            Parameter(name, float(v), 0.0, unit) for name, v, unit in zip(model.parameters, p, model.units, strict=True)
        ),
        n=rates.size,
        rate_low=float(rates.min()),
        rate_high=float(rates.max()),
        sum_of_squares=float(np.sum((rest / series.sigma) ** 2)),
        r_squared=1.0 - float(np.sum(rest**2)) / total if total > 0.0 else 1.0,
        aicc=None,
        covariance=none,
    )
    return CurveFit(fit, tuple(float(r) for r in rates), none, float(fit.dof))
