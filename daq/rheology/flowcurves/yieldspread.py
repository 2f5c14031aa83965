"""Dependence of an extrapolated yield stress on the model: the values by every model that describes the points as well.

A yield stress is read from the curve below its slowest point, where only the model knows how it goes on (Barnes and
Walters, Rheol. Acta 24 (1985) 323; Nguyen and Boger, Annu. Rev. Fluid Mech. 24 (1992) 47; both from memory).  Fluids
that have none, but a zero-shear plateau below that point (`plateaus`), are among these models.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.rheology.fitarguments import require_all, require_kind
from daq.rheology.flowcurves.curvefit import Chosen, CurveFit, Series, Shift, fit_or_reason
from daq.rheology.flowcurves.flowcurve import COMPARABLE, Refusal
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.flowcurves.plateaus import plateau_fits

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

YIELDING: Final = ("bingham", "casson", "herschel_bulkley")
"""Models with a yield stress."""
SIGNIFICANCE: Final = 0.01
"""A model is ruled out where its misfit has a smaller probability than this (our choice)."""

LEAST_RATES: Final = 6
"""With fewer rates than this a yield stress always depends on the model.  Herschel-Bulkley has three parameters; with
two degrees of freedom a scatter that is small by chance rules out the other models and narrows its interval as well, so
that too many of the intervals without the mark were wrong (measured; README of `daq/methods`)."""

LEAST_FOR_PLATEAU: Final = MODELS["cross"].size
"""With no more points than this a plateau below the measured rates is never excluded."""

LEAST_SCATTER: Final = 1e-4
"""Smallest scatter over sigma: points without noise would make the covariance of common errors singular."""


@dataclass(frozen=True, slots=True)
class Rival:
    """One model that describes the points as well as the chosen one, and its yield stress (Pa)."""

    model: str
    value: float
    """0 for a model without a yield stress."""
    low: float
    high: float
    """Ends of its 95 % interval; the lower one is at least 0."""
    fit: CurveFit


@dataclass(frozen=True, slots=True)
class YieldSpread:
    """The yield stresses of the models that cannot be distinguished; the chosen one is among them."""

    rivals: tuple[Rival, ...]
    refused: tuple[Refusal, ...]
    """Models with a yield stress that need a wider span of rates or more of them."""
    low: float
    high: float
    """Ends of the union of the intervals, Pa."""
    rates: int
    """Number of rates measured."""

    @property
    def few_rates(self) -> bool:
        """Return whether there are too few rates to rule out a model at all."""
        return self.rates < LEAST_RATES

    @property
    def disagree(self) -> bool:
        """Return whether a model gives a yield stress that the interval of the first, the chosen one, excludes."""
        first = self.rivals[0]
        return any(not first.low <= r.value <= first.high for r in self.rivals[1:])


def yield_spread(series: Series, shifts: Sequence[Shift], chosen: Chosen) -> YieldSpread | None:
    """Return the yield stresses by all models that describe the series as well as the chosen one.

    None where the chosen model has no yield stress.  All models are tried, also those that were not asked for: those
    with a yield stress whether or not the data support them, the others only where the data do.  Fluids of Cross
    and Carreau are compared with them even if no point shows their plateau; their yield stress is 0.
    """
    require_kind("chosen", chosen, Chosen)
    require_kind("series", series, Series)
    require_all("shifts", shifts, Shift)
    best = chosen.best
    if best is None or best.fit.yield_stress is None:
        return None
    fitted = {f.fit.model: f for f in chosen.fits}
    refused: list[Refusal] = []
    for model in MODELS:
        if model in fitted:
            continue
        found = fit_or_reason(model, series, shifts)
        if model in YIELDING and isinstance(found, Refusal):
            if found.reason.code in COMPARABLE:
                refused.append(found)
            found = fit_or_reason(model, series, shifts, unsupported=True)
        if isinstance(found, CurveFit):
            fitted[model] = found
    smallest = min(fitted.values(), key=lambda f: f.fit.residual_sd)
    rivals = [_rival(best)]
    rivals += [_rival(f) for f in fitted.values() if f is not best and _as_good(f, smallest, series, shifts)]
    rivals += _plateaus(best, smallest, series, shifts, {r.model for r in rivals})
    # As many points as a plateau has parameters exclude none.
    shown = series.omegas.size > LEAST_FOR_PLATEAU
    return YieldSpread(
        rivals=tuple(rivals),
        refused=tuple(refused),
        low=min(r.low for r in rivals) if shown else 0.0,
        high=max(r.high for r in rivals),
        rates=int(series.omegas.size),
    )


def _rival(f: CurveFit) -> Rival:
    found = f.fit.yield_stress
    if found is None:
        return Rival(f.fit.model, 0.0, 0.0, 0.0, f)
    half, _ = f.expanded(found.name)
    return Rival(f.fit.model, found.value, max(found.value - half, 0.0), found.value + half, f)


def _plateaus(
    best: CurveFit, smallest: CurveFit, series: Series, shifts: Sequence[Shift], known: set[str]
) -> list[Rival]:
    """Return the fluids without a yield stress, with a plateau below the slowest rate, that explain the points too."""
    import numpy as np

    fits = plateau_fits(series, np.array(best.rates), _factor(smallest, series, shifts))
    return [
        _rival(found.fit)
        for found in fits
        if found.fit.fit.model not in known and _explained(found.misfit, found.fit.fit.dof, smallest)
    ]


def _as_good(f: CurveFit, smallest: CurveFit, series: Series, shifts: Sequence[Shift]) -> bool:
    """Return whether scatter of the size of the best fit's and the errors of the instrument explain a model's misfit.

    The misfit is the generalised sum of squares, with the common errors in the covariance of the points, at its
    minimum in the parameters (linear).
    """
    import numpy as np

    model, p = MODELS[f.fit.model], np.array([q.value for q in f.fit.parameters])
    rates = np.array(f.rates)
    rest, jacobian = series.stresses - model.stress(p, rates), model.jacobian(p, rates)
    whitened = np.linalg.solve(_factor(smallest, series, shifts), np.column_stack([rest, jacobian]))
    columns = whitened[:, 1:] / np.linalg.norm(whitened[:, 1:], axis=0)
    q, _ = np.linalg.qr(columns)
    left = whitened[:, 0] - q @ (q.T @ whitened[:, 0])
    return _explained(float(left @ left), f.fit.dof, smallest)


def _factor(smallest: CurveFit, series: Series, shifts: Sequence[Shift]) -> "Array":
    """Return the Cholesky factor of the covariance of the points: scatter of the best fit, and common errors."""
    import numpy as np

    variance = max(smallest.fit.residual_sd, LEAST_SCATTER) ** 2
    covariance = variance * np.diag(series.sigma**2)
    for shift in shifts:
        if shift.stresses is not None:
            covariance += np.outer(shift.stresses, shift.stresses)
    return np.asarray(np.linalg.cholesky(covariance))


def _explained(misfit: float, dof: int, smallest: CurveFit) -> bool:
    """Return whether chance explains a misfit; over the variance of the best fit it has the distribution F."""
    from scipy.special import fdtrc

    return bool(fdtrc(dof, smallest.fit.dof, misfit / dof) > SIGNIFICANCE)
