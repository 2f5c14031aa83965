"""Fit flow models to a measured series: wall rates solved for each model, uncertainty of the instrument propagated.

The wall rates of each model come from the model itself (`gapflow`), so that neither a wide gap nor a vessel biases its
parameters.  The interval of a parameter contains the scatter about the curve and the errors common to all points: zero
and gain of the torque, geometry, speed, temperature.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from daq.core.arguments import require_finite, require_probability, require_ratio
from daq.core.remarks import Remark, remark
from daq.rheology.cylinders import krieger_elrod_rate, local_slopes
from daq.rheology.elementary import ArgumentError
from daq.rheology.fitarguments import as_many, positive_series, require_all, require_kind, series_of
from daq.rheology.flowcurves.flowcurve import Fit, Parameter, Refusal, fit_model, known_model, not_determined
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.flowcurves.gapflow import wall_rates
from daq.rheology.uncertainty import coverage_factor

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ROUNDS: Final = 30
"""Greatest number of iterations of fit and wall rates."""
AGREED: Final = 1e-9
"""Greatest relative change of the wall rates between two iterations that have converged."""
SLOPES: Final = (0.2, 30.0)
"""Local slopes (1 / flow behaviour index) for which the rates of Krieger and Elrod are used; others are noise."""
STEP: Final = 1e-3
"""Relative step of numerical derivatives: its error is about 1e-6, and it is far above the error of the grid."""
NEUTRAL: Final = {"tau_y": 0.0, "tau_c": 0.0, "n": 1.0, "eta_inf": 0.0}
"""Value of a parameter at which the model reduces to a simpler one."""


RESOLVED: Final = 0.98
"""Coverage of the interval that must exclude the neutral value.  Several models are tried on a Newtonian fluid; at 0.95
each, more than 5 % of such fluids would be called non-Newtonian (measured by the campaign of the tests)."""


@dataclass(frozen=True, slots=True)
class Series:
    """Measured points of one branch: angular speeds (rad/s, all different) and stresses (Pa) at the turning wall.

    `radius_ratio` is outer over inner radius of cylinders (`math.inf`: unbounded).  It is None where the rate is
    uniform or known (cone and plate, rim of plates); `rates` (1/s) are given instead.  `sigma` (Pa) are the standard
    deviations of the stresses up to a common factor, by which the points are weighted.  `scatter` (Pa) are those of the
    scatter alone up to a common factor, where the weights allow for more, as for the error of a zero.
    """

    omegas: "Array"
    stresses: "Array"
    sigma: "Array"
    radius_ratio: float | None = None
    rates: "Array | None" = None
    scatter: "Array | None" = None

    def __post_init__(self) -> None:
        omegas = positive_series("omegas", self.omegas)
        stresses = series_of("stresses", self.stresses)
        as_many("stresses", stresses, "omegas", omegas)
        for name, given in (("sigma", self.sigma), ("rates", self.rates), ("scatter", self.scatter)):
            if given is not None or name == "sigma":
                as_many(name, positive_series(name, given), "omegas", omegas)
        if self.radius_ratio is not None:
            require_ratio("radius_ratio", self.radius_ratio)
            if getattr(self.radius_ratio, "ndim", 0):
                raise ArgumentError("must be one number", key="radius_ratio")
        if (self.radius_ratio is None) == (self.rates is None):
            raise ArgumentError("give either the ratio of the radii or the rates", key="rates")


@dataclass(frozen=True, slots=True)
class Shift:
    """Standard uncertainty common to all points, as the change of each stress (Pa) or of all speeds."""

    name: str
    stresses: "Array | None" = None
    speed: float = 0.0
    """Relative standard uncertainty of the speed."""

    def __post_init__(self) -> None:
        require_kind("name", self.name, str)
        if self.stresses is not None:
            series_of("stresses", self.stresses)
        require_finite("speed", self.speed)
        if getattr(self.speed, "ndim", 0):
            raise ArgumentError("must be one number", key="speed")


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A fitted model with its wall rates and the uncertainty of its parameters."""

    fit: Fit
    """`fit.covariance` contains only the scatter about the curve."""
    rates: tuple[float, ...]
    """Rate at the wall at each point, 1/s, in the order of the series."""
    instrument: "tuple[tuple[float, ...], ...]" = field(repr=False)
    """Covariance of the parameters from the shifts."""
    freedom: float
    """Effective degrees of freedom of the scatter."""

    def expanded(self, name: str, coverage: float = 0.95) -> tuple[float, float]:
        """Return the expanded uncertainty of a parameter, in its unit, and its coverage factor (JCGM 100 annex G).

        The scatter has the degrees of freedom `freedom`, the instrument's share has infinite ones.
        """
        require_probability("coverage", coverage)
        i = self.fit.parameters.index(self.fit.parameter(name))
        return self._expanded(self.fit.covariance[i][i], self.instrument[i][i], coverage)

    def _expanded(self, scatter: float, instrument: float, coverage: float) -> tuple[float, float]:
        u = math.sqrt(scatter + instrument)
        freedom = math.inf if scatter <= 0.0 else self.freedom * ((scatter + instrument) / scatter) ** 2
        # 1e-9: rounding must not truncate a whole number of degrees of freedom to the next smaller one.
        k = coverage_factor(freedom * (1.0 + 1e-9), coverage)
        return k * u, k

    def band(self, rates: "Array", coverage: float = 0.95) -> "tuple[Array, Array]":
        """Return the lower and upper limit (Pa) of the curve at `rates` (1/s): linear propagation of both shares."""
        import numpy as np

        require_probability("coverage", coverage)
        rates = positive_series("rates", rates)
        model, p = MODELS[self.fit.model], np.array([q.value for q in self.fit.parameters])
        jacobian = model.jacobian(p, rates)
        scatter, instrument = (
            np.einsum("ij,jk,ik->i", jacobian, np.asarray(c), jacobian) for c in (self.fit.covariance, self.instrument)
        )
        half = np.array(
            [
                self._expanded(max(float(a), 0.0), max(float(b), 0.0), coverage)[0]
                for a, b in zip(scatter, instrument, strict=True)
            ]
        )
        middle = model.stress(p, rates)
        return middle - half, middle + half

    def rates_at(self, omegas: "Array", radius_ratio: float) -> "Array":
        """Return the rates (1/s) at the inner wall under this model at any angular speeds (rad/s)."""
        import numpy as np

        require_ratio("radius_ratio", radius_ratio)
        omegas = positive_series("omegas", omegas)
        p = np.array([q.value for q in self.fit.parameters])
        return wall_rates(_stress(MODELS[self.fit.model].stress, p), omegas, radius_ratio)

    @property
    def unresolved(self) -> Remark | None:
        """Remark on a parameter that does not differ from its neutral value (a simpler model is as good), or None."""
        for p in self.fit.parameters:
            neutral = NEUTRAL.get(p.name)
            if neutral is None:
                continue
            half, _ = self.expanded(p.name, RESOLVED)
            if abs(p.value - neutral) <= half:
                return remark("parameter_not_resolved", parameter=p.name, value=p.value, interval=half, neutral=neutral)
        return None


def fit_series(
    model: str, series: Series, shifts: Sequence[Shift] = (), *, unsupported: bool = False
) -> CurveFit | Refusal:
    """Fit one model to a series; return a `Refusal` with the reason where it is not supported by the data.

    The wall rates of cylinders are computed from the fitted model, and the fit is repeated until they converge.  The
    first rates are those of Krieger and Elrod.  `unsupported` as in `flowcurve.fit_model`.

    Raises:
        ArgumentError: as in `flowcurve.fit_model`.
    """
    import numpy as np

    require_kind("series", series, Series)
    require_all("shifts", shifts, Shift)
    for shift in shifts:
        if shift.stresses is not None:
            as_many("shifts", shift.stresses, "points", series.stresses)
    flow_model, start = known_model(model), None
    rates = _first_rates(series)
    for _ in range(ROUNDS):
        fit = fit_model(model, rates, series.stresses, series.sigma, start=start, unsupported=unsupported)
        if isinstance(fit, Refusal) or series.radius_ratio is None:
            break
        start = [p.value for p in fit.parameters]
        law = _stress(flow_model.stress, np.array(start))
        before, rates = rates, wall_rates(law, series.omegas, series.radius_ratio)
        if float(np.max(np.abs(rates / before - 1.0))) < AGREED:
            break
    if isinstance(fit, Refusal):
        return fit
    found = _with_uncertainty(fit, series, rates, shifts)
    t = coverage_factor(found.freedom)
    for p in found.fit.parameters:
        if not unsupported and not t * p.stderr < p.value:
            return Refusal(model, not_determined(p.name, p.value, t * p.stderr))
    return found


@dataclass(frozen=True, slots=True)
class Chosen:
    """Models fitted to one series (best AICc first), the refused ones, and the one to use."""

    fits: tuple[CurveFit, ...]
    refusals: tuple[Refusal, ...]
    best: CurveFit | None
    """The simplest of the resolved models whose AICc is less than 2 above the smallest of them."""


def choose(series: Series, models: Sequence[str], shifts: Sequence[Shift] = ()) -> Chosen:
    """Fit several models and choose among those whose parameters the instrument can resolve.

    Models whose AICc differ by less than 2 are equivalent (Burnham and Anderson 2002, p. 131); the one with fewer
    parameters is taken.  Where there are too few points for the AICc of a model, the scatter per degree of freedom
    decides instead, and a factor below 2 is no difference (our choice).
    """
    require_all("models", models, str)
    if not set(models) <= set(MODELS):
        raise ArgumentError(f"unknown: {', '.join(set(models) - set(MODELS))}", key="models")
    outcomes = [fit_or_reason(m, series, shifts) for m in models]
    fits = sorted(
        (x for x in outcomes if isinstance(x, CurveFit)), key=lambda f: math.inf if f.fit.aicc is None else f.fit.aicc
    )
    resolved = [f for f in fits if f.unresolved is None]
    return Chosen(tuple(fits), tuple(x for x in outcomes if isinstance(x, Refusal)), _simplest(resolved))


def fit_or_reason(
    model: str, series: Series, shifts: Sequence[Shift] = (), *, unsupported: bool = False
) -> CurveFit | Refusal:
    """Fit as `fit_series`; a fit whose numbers overflow is a `Refusal` too."""
    try:
        return fit_series(model, series, shifts, unsupported=unsupported)
    except ArgumentError:
        raise
    except (ValueError, ArithmeticError) as error:  # linear algebra overflowed
        return Refusal(model, remark("fit_broke_down", detail=str(error)))


def _simplest(fits: Sequence[CurveFit]) -> CurveFit | None:
    if not fits:
        return None
    by_aicc = all(f.fit.aicc is not None for f in fits)
    scores = [(f.fit.aicc or 0.0) if by_aicc else 2.0 * math.log2(max(f.fit.residual_sd, 1e-12)) for f in fits]
    near = [
        (len(f.fit.parameters), s, i)
        for i, (f, s) in enumerate(zip(fits, scores, strict=True))
        if s - min(scores) < 2.0
    ]
    return fits[min(near)[2]]


def _stress(function: "Callable[[Array, Array], Array]", p: "Array") -> "Callable[[Array], Array]":
    return lambda rates: function(p, rates)


def _first_rates(series: Series) -> "Array":
    if series.rates is not None or series.radius_ratio is None:
        return series.rates  # type: ignore[return-value]  # one of the two is given
    import numpy as np

    ratio = series.radius_ratio
    try:
        slopes = local_slopes(series.stresses, series.omegas)
    except ArgumentError:  # too few points, or one stress twice
        slopes = np.zeros(1)
    if np.all((slopes > SLOPES[0]) & (slopes < SLOPES[1])):
        return krieger_elrod_rate(series.omegas, slopes, ratio)
    return krieger_elrod_rate(series.omegas, np.ones_like(series.omegas), ratio)


def _with_uncertainty(fit: Fit, series: Series, rates: "Array", shifts: Sequence[Shift]) -> CurveFit:
    """Add both covariances, from the derivatives of the stress at the measured speed (not at a fixed rate)."""
    import numpy as np

    model, p = MODELS[fit.model], np.array([q.value for q in fit.parameters])

    def at_speed(parameters: "Array", speed_factor: float = 1.0) -> "Array":
        if series.radius_ratio is None:
            return model.stress(parameters, rates * speed_factor)
        law = _stress(model.stress, parameters)
        return law(wall_rates(law, series.omegas * speed_factor, series.radius_ratio))

    columns = [(at_speed(p + h) - at_speed(p - h)) / (2.0 * STEP * p[i]) for i, h in enumerate(np.diag(STEP * p))]
    weighted = np.column_stack(columns) / series.sigma[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    pseudo = np.linalg.pinv(weighted / scale) / scale[:, None]
    covariance, freedom = _of_scatter(fit, weighted @ pseudo, pseudo, series)
    instrument = np.zeros_like(covariance)
    for shift in shifts:
        change = np.zeros_like(series.stresses) if shift.stresses is None else shift.stresses
        if shift.speed:
            slope = (at_speed(p, 1.0 + STEP) - at_speed(p, 1.0 - STEP)) / (2.0 * STEP)
            change = change + slope * shift.speed
        moved = pseudo @ (change / series.sigma)
        instrument += np.outer(moved, moved)
    errors = np.sqrt(np.diag(covariance))
    parameters = tuple(
        Parameter(q.name, q.value, float(e), q.unit) for q, e in zip(fit.parameters, errors, strict=True)
    )
    fit = replace(fit, parameters=parameters, covariance=_rows(covariance))
    return CurveFit(fit, tuple(float(r) for r in rates), _rows(instrument), freedom)


def _of_scatter(fit: Fit, hat: "Array", pseudo: "Array", series: Series) -> "tuple[Array, float]":
    """Return the covariance of the parameters by the scatter alone, and its effective degrees of freedom.

    The weights are not those of the scatter: its factor s^2 follows from E[SS] = s^2 tr(M D), with M the projection on
    the residuals and D the scatter's variances over the weights' (F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110).
    """
    import numpy as np

    scatter = series.sigma if series.scatter is None else series.scatter
    ratio = (scatter / series.sigma) ** 2
    spread = (np.eye(ratio.size) - hat) * ratio
    mean = float(np.trace(spread))
    freedom = mean**2 / float(np.trace(spread @ spread))
    return fit.sum_of_squares / mean * (pseudo * ratio) @ pseudo.T, freedom * (1.0 + 1e-9)


def _rows(matrix: "Array") -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(c) for c in row) for row in matrix)
