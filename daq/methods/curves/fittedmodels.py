"""Fits of `daq.rheology` as parts of a flow curve."""

from daq.methods.curves.curvedata import FittedModel, FittedParameter
from daq.methods.parts.statement import statement_of
from daq.rheology.flowcurves.curvefit import CurveFit
from daq.rheology.flowcurves.flowmodels import CONSISTENCY_UNIT, MODELS


def parameter_of(f: CurveFit, name: str) -> FittedParameter:
    """Return a parameter of a fit with its expanded uncertainty."""
    p = f.fit.parameter(name)
    expanded, k = f.expanded(name)
    return FittedParameter(
        name=p.name,
        value=p.value,
        unit=p.unit,
        unit_text="" if p.unit is not None else CONSISTENCY_UNIT,
        standard_error=p.stderr,
        expanded=expanded,
        k=k,
    )


def fitted_model(f: CurveFit, least: float | None) -> FittedModel:
    """Return a fit with its statistics; `least` is the smallest AICc of all fits."""
    fit = f.fit
    return FittedModel(
        model=fit.model,
        equation=MODELS[fit.model].equation,
        parameters=[parameter_of(f, p.name) for p in fit.parameters],
        n=fit.n,
        rate_low=min(f.rates),
        rate_high=max(f.rates),
        scatter=fit.residual_sd,
        r_squared=fit.r_squared,
        aicc=fit.aicc,
        behind=None if fit.aicc is None or least is None else fit.aicc - least,
        unresolved=None if f.unresolved is None else statement_of(f.unresolved),
    )
