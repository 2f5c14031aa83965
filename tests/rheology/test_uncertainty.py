"""Budgets against published examples, an error-propagation library, and simulated measurements."""

import math
import subprocess
import sys

import numpy as np
import pytest
from uncertainties import ufloat, umath

from daq.core.errors import SettingError
from daq.core.student import student_quantile
from daq.rheology.montecarlo import propagate_budget
from daq.rheology.uncertainty import (
    Component,
    Distribution,
    bounded_share,
    combine,
    coverage_factor,
    from_expanded,
    from_limit,
    from_readings,
    span_mean_uncertainty,
)
from daq.rheology.viscosity_budget import Specification, viscosity_components
from tests.support.reference.rectangular_sums import half_width


def half_of(propagated):
    return (propagated.high - propagated.low) / 2.0


def test_budget_of_a_viscosity_as_an_error_propagation_library_has_it():
    spec = Specification(1.0, 0.2, 0.1, speed_percent=0.5, geometry_percent=0.8, temperature_kelvin=0.1)
    eta, percent, coefficient = 1234.0, 37.0, 0.06
    ours = combine(
        viscosity_components(eta, percent, spec, temperature_coefficient=coefficient, zero_drift_percent=0.05)
    )

    def rectangular(half):
        return ufloat(0.0, half / math.sqrt(3.0))

    torque = percent + rectangular(1.0 + 0.002 * percent) + rectangular(0.05) + rectangular(0.05)
    theirs = (
        eta
        * (torque / percent)
        * (1 + rectangular(0.008))
        / (1 + rectangular(0.005))
        * umath.exp(-coefficient * rectangular(0.1))
    )
    assert ours.u_c == pytest.approx(theirs.std_dev, rel=1e-12)


def test_what_a_specification_includes_is_not_counted_twice():
    spec = Specification(1.0, geometry_percent=1.0, speed_percent=0.5, resolution_percent_full_scale=0.1)
    both = Specification(
        1.0,
        geometry_percent=1.0,
        speed_percent=0.5,
        resolution_percent_full_scale=0.1,
        includes=frozenset({"geometry", "speed"}),
    )
    assert [c.name for c in viscosity_components(1.0, 50.0, spec)] == ["torque", "resolution", "geometry", "speed"]
    assert [c.name for c in viscosity_components(1.0, 50.0, both)] == ["torque", "resolution"]


def test_names_must_differ():
    with pytest.raises(SettingError, match="one name"):
        viscosity_components(1.0, 50.0, Specification(1.0), others=[Component("torque", 1.0)])


def test_shares_add_up_and_rows_can_be_stored():
    budget = combine([Component("a", 3.0, dof=7), Component("b", 2.0, sensitivity=-2.0)])
    assert sum(budget.shares()) == pytest.approx(1.0)
    assert budget.u_c == pytest.approx(5.0)
    assert budget.rows()[1] == {
        "name": "b",
        "u": 2.0,
        "distribution": "normal",
        "dof": None,
        "sensitivity": -2.0,
        "contribution": 4.0,
        "share": pytest.approx(16 / 25),
        "unit": None,
    }


def test_coverage_factor():
    assert coverage_factor(math.inf) == pytest.approx(1.959963984540054, rel=1e-12)
    assert coverage_factor(5.99) == coverage_factor(5)
    assert coverage_factor(5.999999999999) == coverage_factor(6)
    assert coverage_factor(0.3) == coverage_factor(1)


def test_autocorrelated_readings_scatter_as_predicted():
    """Means of simulated first-order autoregressive spans: their scatter against the span's own estimate."""
    rng = np.random.default_rng(20240229)
    r, n, spans = 0.6, 400, 1500
    x = np.empty((spans, n))
    x[:, 0] = rng.standard_normal(spans)
    for i in range(1, n):
        x[:, i] = r * x[:, i - 1] + math.sqrt(1 - r * r) * rng.standard_normal(spans)
    estimates = []
    for row in x:
        d = row - row.mean()
        lag1 = float(d[1:] @ d[:-1] / (d @ d))
        estimates.append(span_mean_uncertainty(float(row.std(ddof=1)), n, lag1)[0])
    # One standard error of the autocorrelation on the safe side: 6 % at 0.6 and 400 readings.
    assert np.mean(estimates) == pytest.approx(1.06 * x.mean(axis=1).std(ddof=1), rel=0.04)
    naive = x.std(axis=1, ddof=1).mean() / math.sqrt(n)
    assert naive < 0.6 * np.mean(estimates)


def test_few_or_negatively_correlated_readings_are_not_flattered():
    # r = (20 * -0.9 + 1)/17 is below 0 and counts as 0; one standard error is 1/sqrt(20): n_eff = 20 * 0.7764/1.2236.
    worth = 20 * (1 - 20**-0.5) / (1 + 20**-0.5)
    u, dof = span_mean_uncertainty(1.0, 20, -0.9)
    assert (u, dof) == (pytest.approx(math.sqrt(0.95 / (worth - 1))), pytest.approx(1 / (0.05 + 2 / worth)))
    assert u > 1.0 / math.sqrt(20)
    for few in (1, 3, 5):
        with pytest.raises(SettingError, match="at least 5"):
            span_mean_uncertainty(1.0, few)


def test_monte_carlo_is_the_same_for_the_same_seed_and_not_for_another():
    parts = [from_limit("a", 1.0), Component("b", 0.2)]
    assert propagate_budget(5.0, parts, seed=3, trials=5000) == propagate_budget(5.0, parts, seed=3, trials=5000)
    assert propagate_budget(5.0, parts, seed=3, trials=5000) != propagate_budget(5.0, parts, seed=4, trials=5000)


def test_one_rectangular_term_is_over_covered_by_k_times_u():
    part = [from_limit("torque", 10.0)]
    exact = half_width([10.0])
    assert exact == pytest.approx(9.5, rel=1e-12)
    assert combine(part).expanded == pytest.approx(1.96 * 10 / math.sqrt(3), rel=1e-4)
    assert half_of(propagate_budget(0.0, part, seed=1)) == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize("widths", [[1.0, 3.0], [0.2, 1.0, 5.0], [1.0, 1.0, 1.0, 0.5, 2.0]])
def test_exact_sum_of_rectangular_terms_against_monte_carlo(widths):
    drawn = propagate_budget(0.0, [from_limit(f"x{i}", a) for i, a in enumerate(widths)], seed=9)
    assert half_of(drawn) == pytest.approx(half_width(widths), rel=0.005)


@pytest.mark.parametrize("kind", ["rectangular", "triangular", "arcsine"])
def test_distributions_have_the_standard_uncertainty_and_limits_they_say(kind):
    part = from_limit("x", 2.0, distribution=Distribution(kind))
    drawn = propagate_budget(0.0, [part], seed=5, coverage=0.999)
    assert drawn.u == pytest.approx(part.u, rel=0.01)
    assert drawn.high <= 2.0
    assert drawn.high > 1.85


def test_student_component_is_wider_than_a_normal_one():
    drawn = propagate_budget(0.0, [Component("x", 2.0, Distribution.STUDENT, 4.0)], seed=6)
    assert half_of(drawn) == pytest.approx(coverage_factor(4) * 2.0, rel=0.02)


def test_jcgm_intervals_hold_simulated_truths():
    """Systematic errors drawn once per instrument: the Monte Carlo interval covers 95 %, the k = 2 one more."""
    rng = np.random.default_rng(77)
    spec = Specification(1.0, speed_percent=0.5)
    true, percent, n, noise = 1000.0, 20.0, 60, 2.0
    reference = viscosity_components(true, percent, spec, scatter=(noise, n, 0.0))
    half = half_of(propagate_budget(0.0, reference, seed=1))
    expanded = combine(reference).expanded
    shown = true * (1 + rng.uniform(-0.05, 0.05, 4000)) / (1 + rng.uniform(-0.005, 0.005, 4000))
    shown += rng.standard_normal(4000) * noise / math.sqrt(n)
    inside = np.mean(np.abs(shown - true) <= half)
    assert 0.94 <= inside <= 0.96
    assert np.mean(np.abs(shown - true) <= expanded) > 0.99


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Component("x", -1.0),
        lambda: Component("x", math.nan),
        lambda: Component("x", 1.0, dof=0.0),
        lambda: Component("x", 1.0, sensitivity=math.inf),
        lambda: combine([]),
        lambda: coverage_factor(5, 1.0),
        lambda: from_expanded("x", 1.0, 0.0),
        lambda: from_limit("x", 1.0, distribution=Distribution.NORMAL),
        lambda: propagate_budget(0.0, [Component("a", 1.0)], seed=1, trials=10),
        lambda: propagate_budget(0.0, [Component("a", 1.0)], seed=1, coverage=1.0),
        lambda: propagate_budget(0.0, [Component("a", 1.0), Component("a", 1.0)], seed=1),
        lambda: viscosity_components(1.0, 0.0, Specification()),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()


def test_a_budget_needs_neither_numpy_nor_scipy():
    code = (
        "import sys; from daq.rheology.uncertainty import *\n"
        "combine([from_limit('a', 1.0), from_readings('b', 1.0, 100, 0.5)])\n"
        "assert not {'numpy', 'scipy'} & set(sys.modules), 'loaded'"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_truncation_of_the_degrees_of_freedom():
    # JCGM 100 G.4.1 note 1: 6.25 counts as 6.
    assert coverage_factor(6.25) == student_quantile(0.975, 6)
    assert coverage_factor(0.4) == student_quantile(0.975, 1)
    assert coverage_factor(math.inf) == pytest.approx(1.959963984540054, rel=1e-15)


def test_share_of_the_terms_known_by_limits():
    # u: 3/sqrt(3) = 1.7321 (squared 3) and 1 (squared 1): three quarters.
    budget = combine([from_limit("a", 3.0), Component("b", 1.0, Distribution.STUDENT, 3.0)])
    assert bounded_share(budget.components) == pytest.approx(0.75)
    assert bounded_share([from_readings("b", 0.0, 40)]) == 0.0


@pytest.mark.parametrize("lag1", [1.01, -1.01, 2.0, math.inf, -math.inf, math.nan])
def test_a_correlation_that_cannot_be_is_refused_and_never_makes_the_uncertainty_smaller(lag1):
    with pytest.raises(SettingError, match=r"lag1: must be from -1 to 1, is"):
        span_mean_uncertainty(1.0, 40, lag1)
