"""The fitting routine itself; certified problems are in tests/reference."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from daq.core.errors import SettingError
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.leastsquares import fit_curve, linear_fit


def straight(p, x):
    return p[0] + p[1] * x


X = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
Y = np.array([2.1, 3.9, 6.2, 7.8, 10.1])


def test_linear_and_nonlinear_fit_agree_with_numpy():
    sigma = np.array([1.0, 2.0, 1.0, 0.5, 1.0])
    found = fit_curve(straight, X, Y, [1.0, 1.0], sigma=sigma)
    exact = linear_fit(np.column_stack([np.ones_like(X), X]), Y, sigma)
    (slope, intercept), covariance = np.polyfit(X, Y, 1, w=1 / sigma, cov=True)
    # Differences have an error of the spacing of doubles at y over the step, 2e-9 here; derivatives have none.
    assert found.parameters == pytest.approx([intercept, slope], rel=1e-8)
    derived = fit_curve(
        straight, X, Y, [1.0, 1.0], sigma=sigma, jacobian=lambda p, x: np.column_stack([np.ones_like(x), x])
    )
    assert derived.parameters == pytest.approx([intercept, slope], rel=1e-12)
    assert exact.parameters == pytest.approx([intercept, slope], rel=1e-12)
    assert exact.standard_errors == pytest.approx(np.sqrt(np.diag(covariance))[::-1], rel=1e-9)
    assert found.standard_errors == pytest.approx(exact.standard_errors, rel=1e-6)
    assert found.residual_sd == pytest.approx(exact.residual_sd)


@pytest.mark.parametrize("evaluations", [1, 2, 3, 5, 8, 13, 21])
@pytest.mark.parametrize("seed", range(6))
def test_the_result_is_never_worse_than_the_search(evaluations, seed):
    """A search that ends early returns its best point; scipy gives the sum of squares of the search alone."""
    rng = np.random.default_rng(seed)
    rates = np.geomspace(0.1, 100.0, 7)
    cross = MODELS["cross"]
    stresses = cross.stress(np.array([2.0, 0.1, 0.5, 0.9]), rates) * (1.0 + 0.1 * rng.standard_normal(7))
    start = np.array([1.0, 0.5, 0.1, 0.5]) * 10.0 ** rng.uniform(-1.0, 1.0, 4)
    found = fit_curve(
        cross.stress, rates, stresses, start, sigma=0.1 * stresses, jacobian=cross.jacobian, lower=[1e-9] * 4,
        max_evaluations=evaluations,
    )  # fmt: skip
    alone = least_squares(
        lambda p: (cross.stress(p, rates) - stresses) / (0.1 * stresses), start, bounds=(1e-9, np.inf),
        jac=lambda p: cross.jacobian(p, rates) / (0.1 * stresses)[:, None], x_scale=start, xtol=1e-15, ftol=1e-15,
        gtol=1e-15, max_nfev=evaluations,
    )  # fmt: skip
    assert found.sum_of_squares <= 2.0 * alone.cost * (1.0 + 1e-6)


def test_bounds_hold():
    found = fit_curve(straight, X, Y, [1.0, 1.0], lower=[0.5, 0.0], upper=[2.0, 5.0])
    assert found.parameters[0] == pytest.approx(0.5, abs=1e-6)
    with pytest.raises(SettingError, match="within the bounds"):
        fit_curve(straight, X, Y, [0.0, 1.0], lower=[0.5, 0.0])


def test_parameters_that_cannot_be_told_apart_have_no_errors():
    assert fit_curve(lambda p, x: (p[0] + p[1]) * x, X, Y, [1.0, 1.0]).covariance is None
    assert linear_fit(np.column_stack([X, 2 * X]), Y).standard_errors is None


def test_too_few_points_and_bad_values_are_refused():
    with pytest.raises(SettingError, match="2 points cannot give 2"):
        fit_curve(straight, X[:2], Y[:2], [1.0, 1.0])
    with pytest.raises(SettingError, match="2 points cannot give 2"):
        linear_fit(np.ones((2, 2)), Y[:2])
    with pytest.raises(SettingError, match="finite"):
        fit_curve(straight, X, [*Y[:4], np.nan], [1.0, 1.0])
