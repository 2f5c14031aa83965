"""Budgets against published examples, an error-propagation library, and simulated measurements."""

import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values_norm, ufloat, umath

from daq.core.errors import SettingError
from daq.rheology.montecarlo import propagate, propagate_budget
from daq.rheology.uncertainty import (
    Component,
    Distribution,
    combine,
    coverage_factor,
    from_expanded,
    from_limit,
    from_readings,
    rectangular_sum_half_width,
    report,
    sensitivities,
    span_mean_uncertainty,
)
from daq.rheology.viscosity_budget import Specification, viscosity_components

# JCGM 100:2008 H.2: simultaneous resistance and reactance; means, standard uncertainties of the means and correlation
# coefficients as printed in its tables H.2 (from memory).
H2 = {"V": 4.9990, "I": 19.6610e-3, "phi": 1.04446}
H2_U = {"V": 0.0032, "I": 0.0095e-3, "phi": 0.00075}
H2_R = {("V", "I"): -0.36, ("V", "phi"): 0.86, ("I", "phi"): -0.65}
H2_MODELS = {
    "R": (lambda x: x["V"] / x["I"] * math.cos(x["phi"]), 127.732, 0.071),
    "X": (lambda x: x["V"] / x["I"] * math.sin(x["phi"]), 219.847, 0.295),
    "Z": (lambda x: x["V"] / x["I"], 254.260, 0.236),
}


@pytest.mark.parametrize("name", H2_MODELS)
def test_correlated_inputs_of_the_guide(name):
    model, value, u = H2_MODELS[name]
    c = sensitivities(model, H2, H2_U)
    budget = combine([Component(k, H2_U[k], sensitivity=c[k]) for k in H2], correlations=H2_R)
    assert model(H2) == pytest.approx(value, abs=0.01)
    assert budget.u_c == pytest.approx(u, abs=0.0025)


@pytest.mark.parametrize("name", H2_MODELS)
def test_correlated_inputs_as_an_error_propagation_library_has_them(name):
    matrix = np.eye(3)
    order = list(H2)
    for (a, b), r in H2_R.items():
        i, j = order.index(a), order.index(b)
        matrix[i, j] = matrix[j, i] = r
    v, current, phi = correlated_values_norm([(H2[k], H2_U[k]) for k in order], matrix)
    theirs = {"R": v / current * umath.cos(phi), "X": v / current * umath.sin(phi), "Z": v / current}[name]
    c = sensitivities(H2_MODELS[name][0], H2, H2_U)
    ours = combine([Component(k, H2_U[k], sensitivity=c[k]) for k in H2], correlations=H2_R)
    assert ours.u_c == pytest.approx(theirs.std_dev, rel=1e-5)


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
    }


def test_coverage_factor():
    assert coverage_factor(math.inf) == pytest.approx(1.959963984540054, rel=1e-12)
    assert coverage_factor(5.99) == coverage_factor(5)
    assert coverage_factor(5.999999999999) == coverage_factor(6)
    assert coverage_factor(5.5, truncate=False) < coverage_factor(5)
    assert coverage_factor(0.3) == coverage_factor(1)


@pytest.mark.parametrize(
    ("digits", "value", "expanded", "shown"),
    [
        (2, 1023.4567, 34.449, ("1023", "34")),
        (2, 1.2345, 0.0996, ("1.23", "0.10")),
        (2, -0.001, 3.2, ("0.0", "3.2")),
        (2, 123456.0, 9960.0, ("123000", "10000")),
        (1, 2.5, 1.0, ("2", "1")),
        (2, 0.125, 0.0105, ("0.125", "0.010")),
        (2, 1e22, 1e20, ("10000000000000000000000", "100000000000000000000")),
    ],
)
def test_reporting(digits, value, expanded, shown):
    r = report(value, expanded, digits)
    assert (str(r.value), str(r.expanded)) == shown


def test_reporting_upwards():
    assert report(10.0, 1.21, upward=True).expanded == Decimal("1.3")
    assert report(10.0, 9.91, upward=True).expanded == Decimal(10)


@given(value=st.floats(-1e9, 1e9), expanded=st.floats(1e-6, 1e6))
def test_reported_value_is_within_half_a_place(value, expanded):
    r = report(value, expanded)
    place = Decimal(1).scaleb(r.expanded.adjusted() - 1)
    assert abs(r.value - Decimal(repr(value))) <= place / 2
    assert abs(r.expanded - Decimal(repr(expanded))) <= place / 2


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
    assert np.mean(estimates) == pytest.approx(x.mean(axis=1).std(ddof=1), rel=0.06)
    naive = x.std(axis=1, ddof=1).mean() / math.sqrt(n)
    assert naive < 0.6 * np.mean(estimates)


def test_few_or_negatively_correlated_readings_are_not_flattered():
    assert span_mean_uncertainty(1.0, 4, -0.9) == (0.5, 3.0)
    u, dof = span_mean_uncertainty(1.0, 3, 0.99)
    assert (u, dof) == (1.0, 1.0)
    with pytest.raises(SettingError, match="at least 2"):
        span_mean_uncertainty(1.0, 1)
    assert from_readings("x", 2.0, 16).u == 0.5


def test_monte_carlo_is_the_same_for_the_same_seed_and_not_for_another():
    parts = [from_limit("a", 1.0), Component("b", 0.2)]
    assert propagate_budget(5.0, parts, seed=3, trials=5000) == propagate_budget(5.0, parts, seed=3, trials=5000)
    assert propagate_budget(5.0, parts, seed=3, trials=5000) != propagate_budget(5.0, parts, seed=4, trials=5000)


def test_one_rectangular_term_is_over_covered_by_k_times_u():
    part = [from_limit("torque", 10.0)]
    exact = rectangular_sum_half_width([10.0])
    assert exact == pytest.approx(9.5, rel=1e-12)
    assert combine(part).expanded == pytest.approx(1.96 * 10 / math.sqrt(3), rel=1e-4)
    assert propagate_budget(0.0, part, seed=1).half_width == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize("widths", [[1.0, 3.0], [0.2, 1.0, 5.0], [1.0, 1.0, 1.0, 0.5, 2.0]])
def test_exact_sum_of_rectangular_terms_against_monte_carlo(widths):
    drawn = propagate_budget(0.0, [from_limit(f"x{i}", a) for i, a in enumerate(widths)], seed=9)
    assert drawn.half_width == pytest.approx(rectangular_sum_half_width(widths), rel=0.005)
    assert drawn.shortest_high - drawn.shortest_low <= drawn.high - drawn.low


@pytest.mark.parametrize("kind", ["rectangular", "triangular", "arcsine"])
def test_distributions_have_the_standard_uncertainty_and_limits_they_say(kind):
    part = from_limit("x", 2.0, distribution=Distribution(kind))
    drawn = propagate_budget(0.0, [part], seed=5, coverage=0.999)
    assert drawn.u == pytest.approx(part.u, rel=0.01)
    assert drawn.high <= 2.0
    assert drawn.high > 1.85


def test_student_component_is_wider_than_a_normal_one():
    drawn = propagate_budget(0.0, [from_readings("x", 2.0, 5)], seed=6)
    assert drawn.half_width == pytest.approx(coverage_factor(4) * 2.0 / math.sqrt(5), rel=0.02)


def test_monte_carlo_of_a_curved_model():
    """y = x^2 about 0 has mean u^2 and standard deviation sqrt(2) u^2 (chi-squared), where a linear budget gives 0."""
    found = propagate(lambda x: x["x"] ** 2, [(0.0, Component("x", 1.0))], seed=2)
    assert found.mean == pytest.approx(1.0, rel=0.02)
    assert found.u == pytest.approx(math.sqrt(2.0), rel=0.03)
    assert found.low >= 0.0


def test_jcgm_intervals_hold_simulated_truths():
    """Systematic errors drawn once per instrument: the Monte Carlo interval covers 95 %, the k = 2 one more."""
    rng = np.random.default_rng(77)
    spec = Specification(1.0, speed_percent=0.5)
    true, percent, n, noise = 1000.0, 20.0, 60, 2.0
    reference = viscosity_components(true, percent, spec, repeatability=(noise, n, 0.0))
    half = propagate_budget(0.0, reference, seed=1).half_width
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
        lambda: combine([Component("a", 1.0), Component("b", 1.0)], correlations={("a", "c"): 0.5}),
        lambda: combine([Component("a", 1.0), Component("b", 1.0)], correlations={("a", "b"): 1.5}),
        lambda: combine([Component("a", 1.0), Component("b", 1.0)], correlations={("a", "b"): 0.1, ("b", "a"): 0.1}),
        lambda: coverage_factor(5, 1.0),
        lambda: report(1.0, 0.0),
        lambda: report(math.nan, 1.0),
        lambda: from_expanded("x", 1.0, 0.0),
        lambda: from_limit("x", 1.0, distribution=Distribution.NORMAL),
        lambda: propagate(lambda x: x["a"], [(0.0, Component("a", 1.0))], seed=1, trials=10),
        lambda: propagate(lambda x: x["a"] * np.nan, [(0.0, Component("a", 1.0))], seed=1, trials=1000),
        lambda: rectangular_sum_half_width([]),
        lambda: rectangular_sum_half_width([1.0, 0.0]),
        lambda: viscosity_components(1.0, 0.0, Specification()),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
