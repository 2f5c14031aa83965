"""Flow curves: fit a model to stresses over rates, and refuse a model that is not supported by the data.

Rates in 1/s, stresses in Pa.  Residuals are (model - stress)/sigma; sigma is the standard deviation of each stress.
The uncertainty of a torque is proportional to the torque over most of the range; one sigma for all would give the small
stresses no weight.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from daq.core.arguments import (
    SMALLEST,
    require_finite,
    require_instance,
    require_numbers,
    require_one_of,
    require_positives,
    require_same_length,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.core.remarks import Remark, remark
from daq.rheology.flowmodels import MODELS, FlowModel
from daq.rheology.leastsquares import Solution, fit_curve, linear_fit
from daq.rheology.uncertainty import coverage_factor

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


MOST: Final = 1e20
"""Greatest rate (1/s) and stress (Pa): far beyond every instrument, and their powers are finite."""
COMPARABLE: Final = ("rates_too_narrow", "too_few_rates")
"""Reasons against a model that more rates remove; its fit can still be compared with others."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A fitted parameter with its standard error (both in `unit`)."""

    name: str
    value: float
    stderr: float
    unit: str | None
    """UCUM; None for a consistency K, whose unit is `flowmodels.CONSISTENCY_UNIT`."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A model fitted to a flow curve."""

    model: str
    equation: str
    parameters: tuple[Parameter, ...]
    n: int
    """Number of points."""
    rate_low: float
    rate_high: float
    """Range of the fitted rates, 1/s; the model is not valid outside it."""
    sum_of_squares: float
    """Sum of the squared residuals, each over its sigma."""
    r_squared: float
    """1 - residual over total sum of squares of the stresses, unweighted."""
    aicc: float | None
    """Akaike's criterion with the small-sample correction; None where n <= parameters + 2."""
    covariance: tuple[tuple[float, ...], ...] = field(repr=False)

    @property
    def dof(self) -> int:
        """Degrees of freedom: points less parameters."""
        return self.n - len(self.parameters)

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation, in units of sigma."""
        return math.sqrt(self.sum_of_squares / self.dof)

    def parameter(self, name: str) -> Parameter:
        """Return a parameter by its name; `ArgumentError` for a name the model does not have."""
        require_one_of("name", name, [p.name for p in self.parameters])
        return {p.name: p for p in self.parameters}[name]

    @property
    def yield_stress(self) -> Parameter | None:
        """Extrapolated yield stress, Pa; None for a model without one."""
        return next((p for p in self.parameters if p.name in {"tau_y", "tau_c"}), None)

    def stress(self, rates: "Array") -> "Array":
        """Return the stress (Pa) of the fitted model at `rates` (1/s, > 0)."""
        import numpy as np

        require_positives("rates", rates)
        if len(rates):
            require_within("rates", np.asarray(rates, dtype=float), 0.0, MOST, "1/s")
        return MODELS[self.model].stress(np.array([p.value for p in self.parameters]), np.asarray(rates, dtype=float))


@dataclass(frozen=True, slots=True)
class Refusal:
    """A model that is not supported by the data, with the reason."""

    model: str
    reason: Remark


def fit_model(
    model: str,
    rates: "Sequence[float] | Array",
    stresses: "Sequence[float] | Array",
    sigma: "Sequence[float] | Array",
    *,
    start: Sequence[float] | None = None,
    unsupported: bool = False,
) -> Fit | Refusal:
    """Fit one model by least squares; return a `Refusal` with the reason where it is not supported by the data.

    Standard errors are sqrt(diag(s^2 (J'J)^-1)), s^2 the residual variance.  All parameters are kept at 0 or above.

    Args:
        model: one of `flowmodels.MODELS`.
        rates: shear rates, 1/s, all > 0.
        stresses: shear stresses, Pa, all > 0, as many as rates.
        sigma: standard deviations of the stresses up to a common factor, Pa, all > 0.
        start: starting values of the parameters; None tries several starts.
        unsupported: fit also what the data do not support: a model that needs a wider span of rates or more of them,
            or whose parameters are not determined.  For a comparison with other models, never for a result.

    Raises:
        ArgumentError: an unknown model; rates, stresses and sigma of different length; or values not finite.
    """
    import numpy as np

    require_one_of("model", model, MODELS)
    flow_model = MODELS[model]
    for name, values in (("rates", rates), ("stresses", stresses), ("sigma", sigma)):
        require_numbers(name, values, 0, name)
        require_same_length("rates", rates, name, values)
        if len(values):
            require_within(name, np.asarray(values, dtype=float), -MOST, MOST)
    if start is not None:
        require_numbers("start", start)
        if len(start) != flow_model.size:
            raise ArgumentError(f"needs {flow_model.size} parameters, got {len(start)}", key="start")
    g, tau = np.asarray(rates, dtype=float), np.asarray(stresses, dtype=float)
    with np.errstate(over="ignore"):
        reason = _not_supported(flow_model, g, tau)
    if reason is not None and not (unsupported and reason.code in COMPARABLE and g.size > flow_model.size):
        return Refusal(model, reason)
    scale = np.asarray(sigma, dtype=float)
    if np.any(scale < SMALLEST):
        raise ArgumentError("must be above 0, one for each stress", key="sigma")
    data = _Data(g, tau, scale)
    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            solution = _solve(flow_model, data, start)
            reason = _not_determined(flow_model, solution, data)
            if reason is not None and (not unsupported or solution.covariance is None):
                return Refusal(model, reason)
            return _statistics(flow_model, solution, data)
    except (ValueError, ArithmeticError) as error:  # numbers that differ too much for the linear algebra
        return Refusal(model, remark("fit_broke_down", detail=str(error)))


def not_determined(parameter: str, value: float, interval: float) -> Remark:
    """Return the remark on a parameter whose 95 % interval (half width `interval`) reaches 0."""
    require_instance("parameter", parameter, str)
    require_finite("value", value)
    require_finite("interval", interval)
    return remark("parameter_not_determined", parameter=parameter, value=value, interval=interval)


def casson_line(rates: "Sequence[float] | Array", stresses: "Sequence[float] | Array") -> tuple[float, float]:
    """Return (τ_c, η_c) by ordinary least squares of sqrt(stress) on sqrt(rate); values >= 0, 2 rates or more."""
    import numpy as np

    for name, values in (("rates", rates), ("stresses", stresses)):
        require_numbers(name, values, 2, name)
        require_same_length("rates", rates, name, values)
        require_within(name, np.asarray(values, dtype=float), 0.0, MOST)
    if not np.ptp(np.sqrt(np.asarray(rates, dtype=float))) > 1e-9 * math.sqrt(max(rates)):
        raise ArgumentError("needs 2 different rates", key="rates")
    slope, intercept = np.polyfit(
        np.sqrt(np.asarray(rates, dtype=float)), np.sqrt(np.asarray(stresses, dtype=float)), 1
    )
    return max(float(intercept), 0.0) ** 2, max(float(slope), 0.0) ** 2


@dataclass(frozen=True, slots=True)
class _Data:
    rates: "Array"
    stresses: "Array"
    sigma: "Array"


def _not_supported(model: FlowModel, g: "Array", tau: "Array") -> Remark | None:
    import numpy as np

    if np.any(g <= 0.0) or np.any(tau <= 0.0):
        bad = int(np.sum((g <= 0.0) | (tau <= 0.0)))
        return remark("points_not_positive", count=bad, points=g.size)
    different = int(np.unique(g).size)
    if different < model.size + 2:
        return remark("too_few_rates", rates=different, parameters=model.size, needed=model.size + 2)
    ratio = float(g.max() / g.min())
    if ratio < model.rate_ratio:
        return remark("rates_too_narrow", ratio=ratio, needed=float(model.rate_ratio))
    return None


def _solve(model: FlowModel, data: _Data, start: Sequence[float] | None = None) -> Solution:
    import numpy as np

    g, tau, sigma = data.rates, data.stresses, data.sigma
    if model.basis is not None and model.shape is not None and model.shape(g) == [()]:
        # A model that is linear in its parameters is solved exactly, unless a parameter becomes negative.
        exact = linear_fit(model.basis((), g), tau, sigma)
        if np.all(exact.parameters >= 0.0):
            return exact
    starts = _starts(model, data) if start is None else [np.asarray(start, dtype=float)]
    lower, upper = _lowest(model, data), np.array(model.upper)
    solutions = [
        fit_curve(
            model.stress,
            g,
            tau,
            np.minimum(np.maximum(first, 10.0 * lower), 0.999 * upper),
            sigma=sigma,
            jacobian=model.jacobian,
            lower=lower,
            upper=upper,
            max_evaluations=300,
        )
        for first in starts
    ]
    return min(solutions, key=lambda s: s.sum_of_squares)


def _lowest(model: FlowModel, data: _Data) -> "Array":
    """Return lower bounds far below any meaningful value but above 0, where some derivatives are infinite."""
    import numpy as np

    stress, rate = float(np.max(data.stresses)), float(np.max(data.rates))
    least: dict[str | None, float] = {"Pa": 1e-10 * stress, "Pa.s": 1e-10 * stress / rate, "s": 1e-9 / rate, "1": 1e-7}
    return np.array([least.get(unit, 1e-10 * stress) for unit in model.units])


def _starts(model: FlowModel, data: _Data) -> "list[Array]":
    """Return starting values: the best shapes of a grid, the other parameters from non-negative least squares."""
    import numpy as np
    from scipy.optimize import nnls

    g, tau, sigma = data.rates, data.stresses, data.sigma
    if model.basis is None or model.shape is None:
        tau_c, eta_c = casson_line(g, tau)
        return [np.array([max(tau_c, 1e-6 * tau.min()), max(eta_c, 1e-6 * tau.max() / g.max())])]
    found: list[tuple[float, Array]] = []
    for shape in model.shape(g):
        columns = model.basis(shape, g) / sigma[:, None]
        scale = np.linalg.norm(columns, axis=0)
        weights, residual = nnls(columns / scale, tau / sigma)
        found.append((float(residual), np.array([*(weights / scale), *shape])))
    found.sort(key=lambda pair: pair[0])
    return [p for _, p in found[:3]]


def _not_determined(model: FlowModel, solution: Solution, data: _Data) -> Remark | None:
    """Return the reason why the data do not determine the parameters of a model, or None."""
    import numpy as np

    g, p, typical = data.rates, solution.parameters, float(np.max(data.stresses))
    for name, value, unit, top in zip(model.parameters, p, model.units, model.upper, strict=True):
        small = value * (g.max() if unit == "Pa.s" else 1.0) < 1e-7 * typical if unit != "1" else value < 1e-6
        if small and unit in {"Pa", "Pa.s", "1"}:
            return remark("parameter_goes_to_zero", parameter=name)
        if math.isfinite(top) and value > 0.999 * top:
            return remark("parameter_at_bound", parameter=name, bound=float(top))
    errors = solution.standard_errors
    if errors is None:
        return remark("parameters_not_separable")
    t = coverage_factor(g.size - model.size)
    for name, value, error in zip(model.parameters, p, errors, strict=True):
        if t * error >= value:
            return not_determined(name, float(value), float(t * error))
    return None if solution.status == "converged" else remark("fit_not_converged")


def _statistics(model: FlowModel, solution: Solution, data: _Data) -> Fit:
    """Return the fit with its statistics; the parameters are separable."""
    import numpy as np

    g, tau, p = data.rates, data.stresses, solution.parameters
    n, k = g.size, model.size
    covariance, errors = solution.covariance, solution.standard_errors
    assert covariance is not None and errors is not None  # noqa: S101, PT018 - the caller has checked it
    total = float(np.sum((tau - tau.mean()) ** 2))
    rest = float(np.sum((model.stress(p, g) - tau) ** 2))
    return Fit(
        model=model.name,
        equation=model.equation,
        parameters=tuple(
            Parameter(name, float(v), float(e), unit)
            for name, v, e, unit in zip(model.parameters, p, errors, model.units, strict=True)
        ),
        n=n,
        rate_low=float(g.min()),
        rate_high=float(g.max()),
        sum_of_squares=solution.sum_of_squares,
        r_squared=1.0 - rest / total if total > 0.0 else 1.0,
        aicc=_aicc(n, k, solution.sum_of_squares),
        covariance=tuple(tuple(float(c) for c in row) for row in covariance),
    )


def _aicc(n: int, parameters: int, sum_of_squares: float) -> float | None:
    k = parameters + 1
    if n - k - 1 <= 0:
        return None
    # Noiseless data would give minus infinity; residuals below this are rounding.
    floor = n * 1e-28
    return n * math.log(max(sum_of_squares, floor) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
