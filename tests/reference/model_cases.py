"""The values of models.csv, computed with the public functions."""

import numpy as np

from daq.rheology.flowcurves.flowcurve import Fit, casson_line, fit_model
from daq.rheology.flowcurves.structure import shear_thinning_index
from daq.rheology.leastsquares import linear_fit
from tests.support.reference.tables import flow_curve


def _fitted(model, column, *, relative=True):
    rates, stresses = flow_curve(model, column)
    fit = fit_model(model, rates, stresses, stresses if relative else np.ones_like(stresses))
    assert isinstance(fit, Fit), fit
    return fit


def flow_model(model):
    def evaluate(_i):
        noisy = _fitted(model, "noisy")
        out = {f"{p.name}_true": p.value for p in _fitted(model, "true").parameters}
        out |= {f"{p.name}_fit_relative_weights": p.value for p in noisy.parameters}
        out |= {f"{p.name}_stderr": p.stderr for p in noisy.parameters}
        out["sum_sq_relative_residuals"] = noisy.sum_of_squares
        rates, stresses = flow_curve(model, "noisy")
        if model == "newtonian":
            out["eta_fit_ols_origin"] = _fitted(model, "noisy", relative=False).parameter("eta").value
        elif model == "bingham":
            out |= {f"{p.name}_fit_ols": p.value for p in _fitted(model, "noisy", relative=False).parameters}
        elif model == "power_law":
            columns = np.column_stack([np.ones_like(rates), np.log(rates)])
            intercept, out["n_fit_loglog"] = linear_fit(columns, np.log(stresses)).parameters
            out["K_fit_loglog"] = np.exp(intercept)
        elif model == "casson":
            out["tau_c_fit_sqrt_line"], out["eta_c_fit_sqrt_line"] = casson_line(rates, stresses)
        return out

    return evaluate


def bingham_by_hand(i):
    fit = fit_model("bingham", i["gdot"], i["tau"], np.ones_like(i["tau"]))
    assert isinstance(fit, Fit), fit
    return {p.name: p.value for p in fit.parameters} | {"R2": fit.r_squared}


def two_points(i):
    return {"STI": shear_thinning_index(i["eta1"], i["eta2"])}


FLOW_MODELS = ("newtonian", "bingham", "power_law", "herschel_bulkley", "casson", "cross")

EVALUATE = {f"MOD-{m.upper().replace('_', '-')}": flow_model(m) for m in FLOW_MODELS} | {
    "MOD-BINGHAM-HAND": bingham_by_hand,
    "MOD-PL-TWO": two_points,
}
