"""How the values of models.csv come out of the public functions."""

import numpy as np

from daq.rheology.flowcurve import Fit, casson_line, fit_model, power_law_line
from daq.rheology.structure import (
    StructureKinetics,
    flow_index,
    power_law_through_two,
    recovery_fraction,
    shear_thinning_index,
)
from tests.reference.tables import flow_curve


def _fitted(model, column, weights="relative"):
    fit = fit_model(model, *flow_curve(model, column), weights=weights)
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
            out["eta_fit_ols_origin"] = _fitted(model, "noisy", "uniform").value("eta")
        elif model == "bingham":
            out |= {f"{p.name}_fit_ols": p.value for p in _fitted(model, "noisy", "uniform").parameters}
        elif model == "power_law":
            out["K_fit_loglog"], out["n_fit_loglog"] = power_law_line(rates, stresses)
        elif model == "casson":
            out["tau_c_fit_sqrt_line"], out["eta_c_fit_sqrt_line"] = casson_line(rates, stresses)
        return out

    return evaluate


def bingham_by_hand(i):
    fit = fit_model("bingham", i["gdot"], i["tau"], weights="uniform")
    assert isinstance(fit, Fit), fit
    return {"eta_p": fit.value("eta_p"), "tau_y": fit.value("tau_y"), "R2": fit.r_squared}


def two_points(i):
    n, k = power_law_through_two(i["gdot1"], i["eta1"], i["gdot2"], i["eta2"])
    index = shear_thinning_index(i["eta1"], i["eta2"])
    assert abs(flow_index(index) - n) < 1e-12
    return {"n": n, "K": k, "STI": index}


def structure(i):
    s = StructureKinetics(i["k1_per_s"], i["k2"], i["eta_inf"], i["d_eta"])
    segments = [(rate, seconds) for _, rate, seconds in i["segments_start_gdot_duration"]]
    ends = s.through(i["lambda0"], segments)
    out = {}
    for time, level in zip((60, 90, 180), ends, strict=True):
        out |= {f"lambda_end_t{time}": level, f"eta_end_t{time}": s.viscosity(level)}
    before, broken = s.viscosity(ends[0]), s.viscosity(ends[1])
    after = s.viscosity(s.after(ends[1], segments[2][0], np.array([10.0, 30.0, 60.0])))
    for seconds, fraction in zip((10, 30, 60), recovery_fraction(after, before, broken), strict=True):
        out[f"recovery_fraction_{seconds}s_after_break"] = fraction
    return out | {
        "half_time_of_rebuild_at_rest": s.half_time_at_rest,
        "lambda_steady_200": s.equilibrium(200.0),
        "eta_steady_200": s.viscosity(s.equilibrium(200.0)),
    }


FLOW_MODELS = ("newtonian", "bingham", "power_law", "herschel_bulkley", "casson", "cross")

EVALUATE = {f"MOD-{m.upper().replace('_', '-')}": flow_model(m) for m in FLOW_MODELS} | {
    "MOD-BINGHAM-HAND": bingham_by_hand,
    "MOD-PL-TWO": two_points,
    "MOD-THIX-01": structure,
}
