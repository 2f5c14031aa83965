"""Flow curves: fit a model to stresses over rates, and refuse a model that is not supported by the data.

Rates in 1/s, stresses in Pa.  Residuals are (model - stress)/sigma; sigma is the standard deviation of each stress.
The uncertainty of a torque is proportional to the torque over most of the range; one sigma for all would give the small
stresses no weight.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from daq.core.arguments import require_finite
from daq.core.remarks import Remark, remark
from daq.rheology.elementary import ArgumentError
from daq.rheology.fitarguments import RANGE, as_many, positive_series, require_kind, series_of
from daq.rheology.flowcurves.flowmodels import MODELS, FlowModel
from daq.rheology.leastsquares import ROUNDING, Solution, fit_curve, linear_fit
from daq.rheology.uncertainty import coverage_factor

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


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
        """Return a parameter by its name.

        Raises:
            ArgumentError: the model has no parameter of this name.
        """
        found = next((p for p in self.parameters if p.name == name), None)
        if found is None:
            raise ArgumentError(f"{self.model} has no parameter {name!r}", key="name")
        return found

    @property
    def yield_stress(self) -> Parameter | None:
        """Extrapolated yield stress, Pa; None for a model without one."""
        return next((p for p in self.parameters if p.name in {"tau_y", "tau_c"}), None)

    def stress(self, rates: "Array") -> "Array":
        """Return the stress (Pa) of the fitted model at `rates` (1/s, > 0).

        Raises:
            ArgumentError: rates that are not above 0 and finite.
        """
        import numpy as np

        return MODELS[self.model].stress(np.array([p.value for p in self.parameters]), positive_series("rates", rates))


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

    flow_model = known_model(model)
    g, tau = series_of("rates", rates), series_of("stresses", stresses)
    if g.shape != tau.shape:
        raise ArgumentError(f"{g.size} rates and {tau.size} stresses", key="stresses")
    for name, x in (("rates", g), ("stresses", tau)):
        if np.any((np.abs(x) > RANGE[1]) | ((np.abs(x) < RANGE[0]) & (x != 0.0))):
            raise ArgumentError(f"must be from {RANGE[0]:g} to {RANGE[1]:g}", key=name)
    scale = positive_series("sigma", sigma)
    as_many("sigma", scale, "stresses", tau)
    if start is not None:
        as_many("start", positive_series("start", start), "the parameters", np.ones(flow_model.size))
    reason = _not_supported(flow_model, g, tau)
    if reason is not None and not (unsupported and reason.code in COMPARABLE and g.size > flow_model.size):
        return Refusal(model, reason)
    data = _Data(g, tau, scale)
    solution = _solve(flow_model, data, start)
    reason = _not_determined(flow_model, solution, data)
    if reason is not None and (not unsupported or solution.covariance is None):
        return Refusal(model, reason)
    return _statistics(flow_model, solution, data)


def known_model(model: str) -> FlowModel:
    """Return a model by its name.

    Raises:
        ArgumentError: there is no such model.
    """
    found = MODELS.get(model) if isinstance(model, str) else None
    if found is None:
        raise ArgumentError(f"unknown model {model!r}; known: {', '.join(MODELS)}", key="model")
    return found


def not_determined(parameter: str, value: float, interval: float) -> Remark:
    """Return the remark on a parameter whose 95 % interval (half width `interval`) reaches 0; finite numbers."""
    require_kind("parameter", parameter, str)
    require_finite("value", value)
    require_finite("interval", interval)
    return remark("parameter_not_determined", parameter=parameter, value=value, interval=interval)


def casson_line(rates: "Sequence[float] | Array", stresses: "Sequence[float] | Array") -> tuple[float, float]:
    """Return (τ_c, η_c) by ordinary least squares of sqrt(stress) on sqrt(rate); values >= 0, 2 rates or more."""
    import numpy as np

    g, tau = positive_series("rates", rates), positive_series("stresses", stresses)
    as_many("stresses", tau, "rates", g)
    if np.ptp(np.sqrt(g)) <= 1e-6 * float(np.sqrt(g.max())):
        raise ArgumentError("needs at least 2 different rates", key="rates")
    slope, intercept = np.polyfit(np.sqrt(g), np.sqrt(tau), 1)
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
    # Where the fit is perfect, a parameter that changes the curve by less than rounding has an error of nearly 0 too.
    effect = np.linalg.norm(model.jacobian(p, g) / data.sigma[:, None], axis=0) * p
    if errors is None or np.any(effect < ROUNDING * np.linalg.norm(data.stresses / data.sigma)):
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
