"""The yield stress of a flow curve: its value, its dependence on the model, and the speed that would show it."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.plan import Plan
from daq.methods.concluding.budget import percent_of_full_scale
from daq.methods.curves.curvedata import YieldStress
from daq.methods.curves.fittedmodels import parameter_of
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.ranging import SLOWEST
from daq.rheology.cylinders import angular_speed
from daq.rheology.flowcurves.curvefit import Chosen, CurveFit, Series, Shift
from daq.rheology.flowcurves.yieldspread import LEAST_RATES, YieldSpread, yield_spread
from daq.rheology.ranges import speeds_between

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

APART: Final = 1.2
"""A proposed speed differs from those of the run by at least this factor."""
ENOUGH: Final = 5.0
"""Difference between two models, over the standard deviation of a point, that a further point shows (our choice)."""


@dataclass(frozen=True, slots=True)
class FittedSeries:
    """The fitted points with the errors they share, and the models."""

    series: Series
    shifts: tuple[Shift, ...]
    full_scale: float
    """Stress (Pa) of the full-scale torque; 0 where it is not known."""
    chosen: Chosen


def yield_stress_of(plan: Plan, fitted: FittedSeries) -> YieldStress | None:
    """Return the yield stress by the chosen model, and whether other models that fit as well agree with it.

    None where the chosen model has none.
    """
    best = fitted.chosen.best
    spread = yield_spread(fitted.series, fitted.shifts, fitted.chosen)
    if best is None or best.fit.yield_stress is None or spread is None:
        return None
    reasons = _reasons(spread, speed_to_add(plan, fitted, spread))
    return YieldStress(
        **parameter_of(best, best.fit.yield_stress.name).model_dump(),
        model_dependent=bool(reasons),
        low=spread.low,
        high=spread.high,
        models=[r.model for r in spread.rivals],
        reasons=reasons,
    )


def _reasons(spread: YieldSpread, speed: float | None) -> list[Statement]:
    out: list[Statement] = []
    if spread.few_rates:
        out.append(state("yield_stress_needs_rates", rates=spread.rates, needed=LEAST_RATES))
    out += [
        state("yield_model_needs_span", model=refusal.model, **refusal.reason.parameters)
        for refusal in spread.refused
        if refusal.reason.code == "rates_too_narrow"
    ]
    if spread.disagree or out:
        names = tuple(r.model for r in spread.rivals)
        out.append(state("yield_stress_model_dependent", low=spread.low, high=spread.high, models=names))
        out.append(state("no_speed_to_add") if speed is None else state("speed_to_add", speed=speed))
    return out


def speed_to_add(plan: Plan, fitted: FittedSeries, spread: YieldSpread) -> float | None:
    """Return the speed (/min) nearest to those of the run at which the models of a spread differ enough to be shown.

    The torque by every one of them lies in the usable band, the speed is at most the instrument's limit, and the span
    of rates becomes as wide as the refused models need.  Where they differ too little at all such speeds, it is that
    of the greatest difference.  None where no speed does all this.
    """
    import numpy as np  # noqa: PLC0415 - loaded only where a curve is fitted

    series, band = fitted.series, plan.band
    if band is None or not fitted.full_scale:
        return None
    measured = series.omegas / angular_speed(1.0)
    speeds = np.array(_tried(plan, measured))
    if speeds.size == 0:
        return None
    omegas = speeds * angular_speed(1.0)
    predicted = np.array([r.fit.fit.stress(_rates(r.fit, series, omegas)) for r in spread.rivals])
    torques = 100.0 * predicted / fitted.full_scale
    ends = [percent_of_full_scale(plan, end) or 0.0 for end in (band.low, band.high)]
    usable = np.all((torques >= ends[0]) & (torques <= ends[1]), axis=0)
    best = spread.rivals[0].fit
    rates, have = _rates(best, series, omegas), np.array(best.rates)
    span = np.maximum(rates, have.max()) / np.minimum(rates, have.min())
    narrow = [r.reason.parameters["needed"] for r in spread.refused if r.reason.code == "rates_too_narrow"]
    usable &= span >= max((float(str(needed)) for needed in narrow), default=0.0)
    if not np.any(usable):
        return None
    order = np.argsort(series.stresses)
    sigma = np.interp(predicted[0], series.stresses[order], series.sigma[order])
    differ = np.where(usable, np.ptp(predicted, axis=0) / sigma, -1.0)
    away = np.array([min(abs(math.log(s / m)) for m in measured) for s in speeds])
    enough = differ >= min(ENOUGH, float(differ.max()))
    return float(speeds[enough][np.argmin(away[enough])])


def _tried(plan: Plan, measured: "Array") -> list[float]:
    """Return round speeds (/min) up to the instrument's limit that the run did not have."""
    slowest = float(measured.min())
    bottom = SLOWEST if slowest > SLOWEST else 10.0 ** math.floor(math.log10(slowest))
    top = plan.context.highest_speed or float(measured.max())
    return [
        s
        for s in speeds_between(min(bottom, top), top)
        if all(not 1.0 / APART < s / float(m) < APART for m in measured)
    ]


def _rates(fit: CurveFit, series: Series, omegas: "Array") -> "Array":
    if series.radius_ratio is not None:
        return fit.rates_at(omegas, series.radius_ratio)
    rates = series.rates
    assert rates is not None  # noqa: S101 - a series has either rates or a ratio of radii
    return omegas * float(rates[0] / series.omegas[0])
