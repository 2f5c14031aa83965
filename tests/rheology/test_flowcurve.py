"""Flow-curve fits against another fitting library, and on simulated curves with known truth."""

import dataclasses
import math

import lmfit
import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.rheology.flowcurves import flowcurve
from daq.rheology.flowcurves.flowcurve import Fit, Refusal, fit_model
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.leastsquares import fit_curve
from tests.support.reference.tables import flow_curve

# The equations once more, written for the other library.
LMFIT = {
    "newtonian": (lambda g, eta: eta * g, {"eta": 1.0}),
    "bingham": (lambda g, tau_y, eta_p: tau_y + eta_p * g, {"tau_y": 10.0, "eta_p": 0.3}),
    "power_law": (lambda g, K, n: K * g**n, {"K": 5.0, "n": 0.5}),  # noqa: N803 - the parameter's name
    "herschel_bulkley": (lambda g, tau_y, K, n: tau_y + K * g**n, {"tau_y": 7.0, "K": 3.0, "n": 0.6}),  # noqa: N803 - the parameter's name
    "casson": (lambda g, tau_c, eta_c: (np.sqrt(tau_c) + np.sqrt(eta_c * g)) ** 2, {"tau_c": 4.0, "eta_c": 0.1}),
    "cross": (
        lambda g, eta0, eta_inf, lam, m: g * (eta_inf + (eta0 - eta_inf) / (1 + (lam * g) ** m)),
        {"eta0": 20.0, "eta_inf": 0.1, "lam": 2.0, "m": 0.7},
    ),
    "carreau": (
        lambda g, eta0, eta_inf, lam, n: g * (eta_inf + (eta0 - eta_inf) * (1 + (lam * g) ** 2) ** ((n - 1) / 2)),
        {"eta0": 20.0, "eta_inf": 0.1, "lam": 2.0, "n": 0.4},
    ),
}


def fitted(model, rates, stresses):
    fit = fit_model(model, rates, stresses, stresses)
    assert isinstance(fit, Fit), fit
    return fit


@pytest.mark.parametrize("weights", ["relative", "uniform"])
@pytest.mark.parametrize("model", MODELS)
def test_fit_and_errors_are_those_of_another_library(model, weights):
    rates, stresses = (np.array(x) for x in flow_curve(model, "noisy"))
    sigma = stresses if weights == "relative" else np.ones_like(stresses)
    ours = fit_model(model, rates, stresses, sigma)
    function, start = LMFIT[model]
    w = 1 / sigma
    theirs = lmfit.Model(function).fit(stresses, g=rates, weights=w, **start)
    if isinstance(ours, Refusal):
        # Unweighted, the low stresses hardly count, and then eta_inf or eta0 is really not known.
        assert weights == "uniform"
        worst = max(abs(p.stderr / p.value) for p in theirs.params.values())
        assert worst > 0.4, ours
        return
    for p in ours.parameters:
        assert p.value == pytest.approx(theirs.params[p.name].value, rel=1e-4)
        assert p.stderr == pytest.approx(theirs.params[p.name].stderr, rel=5e-3)
    assert ours.sum_of_squares == pytest.approx(theirs.chisqr, rel=1e-7)
    assert ours.stress(rates) == pytest.approx(theirs.best_fit, rel=1e-4)


@pytest.mark.parametrize("model", MODELS)
def test_jacobians_are_the_derivatives(model):
    m = MODELS[model]
    p = np.array([LMFIT[model][1][name] for name in m.parameters])
    g = np.geomspace(0.01, 500, 9)
    for j in range(m.size):
        h = 1e-6 * p[j]
        step = np.eye(m.size)[j] * h
        numeric = (m.stress(p + step, g) - m.stress(p - step, g)) / (2 * h)
        assert m.jacobian(p, g)[:, j] == pytest.approx(numeric, rel=1e-5, abs=1e-9)


def test_yield_stress_is_named():
    fit = fitted("bingham", *flow_curve("bingham", "noisy"))
    assert fit.yield_stress.name == "tau_y"
    assert fitted("power_law", *flow_curve("power_law", "noisy")).yield_stress is None
    assert fit.parameter("eta_p").value > 0
    with pytest.raises(SettingError, match="has no parameter 'K'"):
        fit.parameter("K")
    assert fit.dof == fit.n - 2


def test_aicc_by_hand():
    fit = fit_model("bingham", [10.0, 20.0, 30.0, 40.0, 50.0], [7.0, 8.0, 10.0, 11.0, 14.0], [1.0] * 5)
    # SSE 1.1, n 5, k 3: n ln(SSE/n) + 2k + 2k(k+1)/(n-k-1)
    assert fit.aicc == pytest.approx(5 * math.log(1.1 / 5) + 6 + 24, rel=1e-9)


def test_data_that_carry_no_model_are_refused_with_the_reason():
    def reason(model, rates, stresses):
        out = fit_model(model, rates, stresses, np.ones(len(rates)))
        assert isinstance(out, Refusal)
        return out.reason.code, out.reason.parameters

    few = ("too_few_rates", {"rates": 3, "parameters": 2, "needed": 4})
    assert reason("bingham", [1, 2, 3], [1, 2, 3]) == few
    assert reason("bingham", [1, 1, 1, 1, 2, 2, 3], [1, 1, 1, 1, 2, 2, 3]) == few
    code, given = reason("power_law", [1, 1.2, 1.5, 1.8, 2], [1, 1.2, 1.5, 1.8, 2])
    assert (code, given["ratio"]) == ("rates_too_narrow", 2.0)
    assert reason("newtonian", [0, 1, 2, 3], [0, 1, 2, 3]) == ("points_not_positive", {"count": 1, "points": 4})
    g = np.geomspace(0.1, 100, 10)
    rng = np.random.default_rng(1)
    newtonian = g * (1 + 0.02 * rng.standard_normal(10))
    assert reason("bingham", g, newtonian)[1]["parameter"] == "tau_y"
    assert reason("cross", g, newtonian)
    # A power law has no plateaus: neither viscosity of a Cross fluid can be read from it.
    assert reason("cross", g, 5 * g**0.4 * (1 + 0.02 * rng.standard_normal(10)))


def test_wrong_calls_are_errors():
    with pytest.raises(SettingError, match="unknown model"):
        fit_model("ostwald", [1.0], [1.0], [1.0])
    with pytest.raises(SettingError, match="2 rates and 3 stresses"):
        fit_model("bingham", [1.0, 2.0], [1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    with pytest.raises(SettingError, match="finite"):
        fit_model("bingham", [1.0, math.nan], [1.0, 2.0], [1.0, 2.0])
    with pytest.raises(SettingError, match="sigma: must be above 0"):
        fit_model("newtonian", [1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [1.0, 2.0, 0.0])


@pytest.mark.parametrize("status", ["out_of_evaluations", "stalled"])
def test_a_fit_that_is_at_no_minimum_is_refused(status, monkeypatch):
    def ended(*given, **more):
        return dataclasses.replace(fit_curve(*given, **more), status=status)

    rates, stresses = (np.array(x) for x in flow_curve("casson", "noisy"))
    assert isinstance(fit_model("casson", rates, stresses, 0.02 * stresses), Fit)
    monkeypatch.setattr(flowcurve, "fit_curve", ended)
    refused = fit_model("casson", rates, stresses, 0.02 * stresses)
    assert refused.reason.code == "fit_not_converged"


@pytest.mark.parametrize(
    ("rates", "reason"),
    [(np.geomspace(2.0, 8.0, 7), "rates_too_narrow"), (np.geomspace(1.0, 40.0, 4), "too_few_rates")],
)
def test_an_unsupported_model_is_fitted_only_for_a_comparison(rates, reason):
    stresses = 8.0 + 3.0 * rates**0.5
    assert fit_model("herschel_bulkley", rates, stresses, stresses).reason.code == reason
    loose = fit_model("herschel_bulkley", rates, stresses, stresses, unsupported=True)
    assert [p.value for p in loose.parameters] == pytest.approx([8.0, 3.0, 0.5], rel=1e-5)
    # As many parameters as points give no errors at all.
    none = fit_model("herschel_bulkley", rates[:3], stresses[:3], stresses[:3], unsupported=True)
    assert none.reason.code == "too_few_rates"
