"""Rates in any gap against closed forms and two independent solutions; fits of torque and speed against another library."""

import math

import lmfit
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from daq.core.errors import SettingError
from daq.rheology.flowcurves.curvefit import CurveFit, Series, Shift, choose, fit_series
from daq.rheology.flowcurves.flowcurve import Refusal
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.flowcurves.gapflow import omegas_of_wall_rates, wall_rates
from simulators.rotational.flow import torque_at_omega
from simulators.rotational.geometry import CoaxialCylinders, SingleCylinder, wall_stress
from simulators.rotational.laws import Casson, HerschelBulkley, PowerLaw
from tests.support.reference.tables import flow_curve

OMEGAS = np.array([0.1, 0.3, 0.6, 1.2, 2.5, 4.0, 6.0, 9.0])
CYLINDER, CUP = SingleCylinder(0.009, 0.060, 0.0425, 1.05), CoaxialCylinders(0.012, 0.015, 0.040, 1.10)


def power_law_rate(omegas, index, ratio):
    """Rate at the inner wall: 2 omega/(n (1 - delta^(-2/n))), Krieger and Maron 1952."""
    return 2.0 * omegas / (index * (1.0 - ratio ** (-2.0 / index)))


@pytest.mark.parametrize("ratio", [1.01, 1.0847, 1.25, 4.7, math.inf])
@pytest.mark.parametrize("index", [0.2, 0.45, 0.8, 1.0, 1.4])
def test_wall_rates_of_a_power_law_are_the_closed_form(index, ratio):
    expected = power_law_rate(OMEGAS, index, ratio)
    assert wall_rates(lambda g: 2.0 * g**index, OMEGAS, ratio) == pytest.approx(expected, rel=2e-5)


@pytest.mark.parametrize("geometry", [CYLINDER, CUP])
@pytest.mark.parametrize(
    ("law", "stress"),
    [
        (HerschelBulkley(8.0, 3.2, 0.55), lambda g: 8.0 + 3.2 * g**0.55),
        (Casson(5.0, 0.12), lambda g: (math.sqrt(5.0) + np.sqrt(0.12 * g)) ** 2),
    ],
)
def test_a_yield_stress_in_a_gap_agrees_with_the_simulators_own_solution(law, stress, geometry):
    # That one integrates the rate over the radius by Gauss and Legendre and halves an interval for the torque.
    torques = torque_at_omega(geometry, law, OMEGAS)
    expected = np.array([wall_stress(geometry, t) for t in torques])
    ratio = geometry.outer_radius_m / geometry.inner_radius_m
    assert stress(wall_rates(stress, OMEGAS, ratio)) == pytest.approx(expected, rel=3e-6)


def test_a_cross_fluid_in_a_gap_agrees_with_adaptive_integration():
    def stress(g):
        return g * (0.25 + 0.9 / (1.0 + 0.075 * g))

    wall, ratio = 30.0, 1.25
    rate = lambda tau: brentq(lambda g: stress(g) - tau, 1e-9, 1e4, xtol=1e-13)  # noqa: E731
    low = math.log(stress(wall) / ratio**2)
    omega = 0.5 * quad(lambda s: rate(math.exp(s)), low, math.log(stress(wall)), epsrel=1e-10)[0]
    assert wall_rates(stress, np.array([omega / 3.0, omega]), ratio)[1] == pytest.approx(wall, rel=1e-5)


def test_what_cannot_be_solved_is_refused():
    with pytest.raises(SettingError, match="radius_ratio"):
        omegas_of_wall_rates(lambda g: g, np.array([1.0, 2.0]), 1.0)
    with pytest.raises(SettingError, match="rates"):
        omegas_of_wall_rates(lambda g: g, np.array([2.0, 1.0]), 2.0)
    with pytest.raises(SettingError, match="either the ratio"):
        Series(OMEGAS, OMEGAS, OMEGAS)


def noisy(law, geometry, seed=4, noise=0.003):
    rng = np.random.default_rng(seed)
    torques = torque_at_omega(geometry, law, OMEGAS)
    stresses = np.array([wall_stress(geometry, t) for t in torques]) * (1 + noise * rng.standard_normal(OMEGAS.size))
    return Series(OMEGAS, stresses, 0.005 * stresses, geometry.outer_radius_m / geometry.inner_radius_m)


def test_a_fit_in_a_gap_agrees_with_lmfit_on_the_whole_problem():
    """lmfit varies the parameters of a power law with the closed form of torque against speed."""
    series = noisy(PowerLaw(6.5, 0.45), CUP)

    def model(w, K, n):  # noqa: N803 - the parameter's name
        return K * power_law_rate(w, n, 1.25) ** n

    theirs = lmfit.Model(model).fit(series.stresses, w=OMEGAS, K=5.0, n=0.6, weights=1 / series.sigma)
    ours = fit_series("power_law", series)
    assert isinstance(ours, CurveFit)
    for p in ours.fit.parameters:
        assert p.value == pytest.approx(theirs.params[p.name].value, rel=1e-5)
        assert p.stderr == pytest.approx(theirs.params[p.name].stderr, rel=0.01)


def test_the_share_of_the_instrument_is_the_shift_of_a_repeated_fit():
    series = noisy(HerschelBulkley(8.0, 3.2, 0.55), CYLINDER)
    zero = np.full_like(OMEGAS, 0.05)
    shifts = [Shift("zero", zero), Shift("speed", speed=0.002)]
    ours = fit_series("herschel_bulkley", series, shifts)
    moved = [
        fit_series("herschel_bulkley", Series(OMEGAS, series.stresses + zero, series.sigma, series.radius_ratio)),
        fit_series("herschel_bulkley", Series(OMEGAS * 1.002, series.stresses, series.sigma, series.radius_ratio)),
    ]
    for i, p in enumerate(ours.fit.parameters):
        by_refit = math.hypot(*(m.fit.parameter(p.name).value - p.value for m in moved))
        assert math.sqrt(ours.instrument[i][i]) == pytest.approx(by_refit, rel=0.03)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    """400 instruments: zero and gain drawn once each, scatter at each point; 95 % intervals hold 92 to 98 %."""
    law, rng = PowerLaw(6.5, 0.45), np.random.default_rng(11)
    clean = np.array([wall_stress(CUP, t) for t in torque_at_omega(CUP, law, OMEGAS)])
    held = dict.fromkeys(("K", "n"), 0)
    for _ in range(400):
        stresses = (
            clean * (1 + 0.004 * rng.standard_normal() + 0.003 * rng.standard_normal(8)) + 0.03 * rng.standard_normal()
        )
        fit = fit_series(
            "power_law",
            Series(OMEGAS, stresses, np.hypot(0.003 * stresses, 0.03), 1.25),
            [Shift("zero", np.full(8, 0.03)), Shift("gain", 0.004 * stresses)],
        )
        for name, true in (("K", 6.5), ("n", 0.45)):
            held[name] += abs(fit.fit.parameter(name).value - true) <= fit.expanded(name)[0]
    assert all(0.92 <= h / 400 <= 0.98 for h in held.values()), held


def test_a_zero_error_does_not_make_a_fluid_shear_thinning():
    """A Newtonian fluid and a torque zero of 0.3 % of the greatest: by scatter alone another model is certain."""
    rng = np.random.default_rng(2)
    stresses = 2.0 * 2.0 * OMEGAS * (1 + 2e-4 * rng.standard_normal(8))
    stresses = stresses + 0.003 * stresses.max()
    series = Series(OMEGAS, stresses, 0.005 * stresses, math.inf)
    blind = choose(series, tuple(MODELS))
    assert blind.best.fit.model != "newtonian"
    assert blind.fits[-1].fit.model == "newtonian"
    with_shifts = choose(series, tuple(MODELS), [Shift("zero", np.full(8, 0.0025 * stresses.max()))])
    assert with_shifts.best.fit.model == "newtonian"
    unresolved = next(f for f in with_shifts.fits if f.fit.model == "power_law").unresolved
    assert (unresolved.code, unresolved.parameters["neutral"]) == ("parameter_not_resolved", 1.0)


@pytest.mark.slow
def test_no_curve_however_odd_breaks_a_fit():
    """Stresses that no model describes: flat, falling, jumping, and a Newtonian fluid, whose Casson yield stress is 0."""
    rng = np.random.default_rng(100)
    curves = [4.0 * OMEGAS * (1 + 2e-4 * rng.standard_normal(8)) for _ in range(6)]
    curves += [np.full(8, 3.0) * (1 + 1e-3 * rng.standard_normal(8)), 5.0 / OMEGAS, rng.uniform(0.1, 50.0, 8)]
    curves += [1e-6 * OMEGAS**0.1, 1e6 * OMEGAS**2.5, np.where(OMEGAS < 2.0, 1.0, 30.0)]
    for stresses in curves:
        for ratio in (1.05, 4.7, math.inf):
            with np.errstate(over="raise", divide="raise", invalid="raise"):
                chosen = choose(Series(OMEGAS, stresses, 0.01 * stresses, ratio), tuple(MODELS))
            assert len(chosen.fits) + len(chosen.refusals) == len(MODELS)
            for r in chosen.refusals:
                assert r.reason.code != "fit_broke_down", (stresses, ratio, r)


@pytest.mark.parametrize("model", MODELS)
def test_the_right_model_is_chosen_or_is_not_told_from_a_simpler_one(model):
    rates, stresses = (np.array(x) for x in flow_curve(model, "noisy"))
    chosen = choose(Series(rates, stresses, 0.02 * stresses, rates=rates), tuple(MODELS))
    assert chosen.best.fit.model == model
    assert len(chosen.fits) + len(chosen.refusals) == len(MODELS)


@pytest.mark.slow
def test_parameters_and_curve_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(11)
    g = np.geomspace(1, 100, 12)
    true = {"tau_y": 8.0, "K": 3.2, "n": 0.55}
    tau = true["tau_y"] + true["K"] * g ** true["n"]
    held = dict.fromkeys(true, 0)
    curve_held = runs = 0
    for _ in range(300):
        stresses = tau * (1 + 0.01 * rng.standard_normal(g.size))
        found = fit_series("herschel_bulkley", Series(g, stresses, stresses, rates=g))
        if isinstance(found, Refusal):
            continue
        runs += 1
        for name, value in true.items():
            held[name] += abs(found.fit.parameter(name).value - value) <= found.expanded(name)[0]
        low, high = found.band(np.array([10.0]))
        curve_held += low[0] <= 8.0 + 3.2 * 10**0.55 <= high[0]
    assert runs >= 299
    for count in (*held.values(), curve_held):
        assert 0.91 <= count / runs <= 0.985


def test_too_few_points_for_aicc_are_chosen_by_their_scatter():
    series = noisy(PowerLaw(6.5, 0.45), CYLINDER, noise=0.0005)
    few = Series(OMEGAS[1::2], series.stresses[1::2], series.sigma[1::2], series.radius_ratio)
    chosen = choose(few, ("newtonian", "power_law", "herschel_bulkley"))
    assert chosen.best.fit.model == "power_law"
    assert "herschel_bulkley" in [r.model for r in chosen.refusals]
    assert isinstance(fit_series("power_law", Series(OMEGAS[:3], series.stresses[:3], series.sigma[:3], 4.7)), Refusal)


def test_the_band_holds_the_scatter_and_the_instrument():
    series = noisy(PowerLaw(6.5, 0.45), CUP)
    plain, with_shifts = (
        fit_series("power_law", series),
        fit_series("power_law", series, [Shift("gain", 0.02 * series.stresses)]),
    )
    at = np.array([5.0, 20.0])
    widths = [np.diff(np.column_stack(f.band(at))).ravel() / f.fit.stress(at) for f in (plain, with_shifts)]
    assert np.all(widths[0] < 0.02)
    # 2 % of gain alone make 2 * 1.96 * 2 % = 7.8 %.
    assert np.all(widths[1] > 0.0784) and np.all(widths[1] < 0.09)  # noqa: PT018


def test_weights_that_are_not_the_scatters_give_its_covariance_all_the_same():
    """Bingham is linear: the covariance is P V P' with P of the weighted fit; here from 4000 repeated fits of numpy."""
    rng, g = np.random.default_rng(8), np.geomspace(1.0, 40.0, 8)
    true = 10.0 + 0.5 * g
    scatter, weight = 0.004 * true, np.hypot(0.004 * true, 0.2)
    design = np.column_stack([np.ones_like(g), g]) / weight[:, None]
    solutions, ratios, held = [], [], 0
    for i in range(4000):
        stresses = true + scatter * rng.standard_normal(g.size)
        solutions.append(np.linalg.lstsq(design, stresses / weight, rcond=None)[0])
        if i < 400:
            found = fit_series("bingham", Series(g, stresses, weight, rates=g, scatter=scatter))
            assert found.fit.parameter("tau_y").value == pytest.approx(solutions[-1][0], rel=1e-9)
            ratios.append(np.sqrt(np.diag(np.array(found.fit.covariance))))
            held += abs(found.fit.parameter("tau_y").value - 10.0) <= found.expanded("tau_y")[0]
    spread = np.std(solutions, axis=0)
    assert np.sqrt(np.mean(np.square(ratios), axis=0)) == pytest.approx(spread, rel=0.06)
    assert 4.0 < found.freedom < 6.0
    # Of 400 that hold with 95 %, fewer than 365 or more than 394 do so once in 400 (binomial).
    assert 365 <= held <= 394


def test_weights_of_the_scatter_itself_give_the_usual_covariance():
    series = noisy(PowerLaw(6.5, 0.45), CUP)
    plain = fit_series("power_law", series)
    same = fit_series(
        "power_law", Series(series.omegas, series.stresses, series.sigma, 1.25, scatter=3.0 * series.sigma)
    )
    assert plain.freedom == pytest.approx(plain.fit.dof)
    assert np.array(same.fit.covariance) == pytest.approx(np.array(plain.fit.covariance), rel=1e-9)
    assert same.freedom == pytest.approx(plain.freedom)
