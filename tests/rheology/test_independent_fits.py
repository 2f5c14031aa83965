"""Flow models with drawn weights against another route: scipy's Levenberg-Marquardt over the logarithms of the parameters.

The covariance is s^2 (J'J)^-1 by a singular value decomposition of the derivatives of that search.
"""

import numpy as np
import pytest
from scipy.optimize import least_squares

from daq.rheology.flowcurves.flowcurve import Refusal, fit_model

STRESS = {
    "newtonian": lambda p, g: p[0] * g,
    "bingham": lambda p, g: p[0] + p[1] * g,
    "power_law": lambda p, g: p[0] * g ** p[1],
    "herschel_bulkley": lambda p, g: p[0] + p[1] * g ** p[2],
    "casson": lambda p, g: (np.sqrt(p[0]) + np.sqrt(p[1] * g)) ** 2,
}
TRUE = {
    "newtonian": [0.85], "bingham": [12.0, 0.4], "power_law": [6.0, 0.45], "herschel_bulkley": [15.0, 5.0, 0.5],
    "casson": [20.0, 0.3],
}  # fmt: skip
WEIGHTS = ("equal", "drawn", "one of a thousand", "repeated points")


def drawn(rng, model, weights):
    """Return rates, stresses and standard deviations of a curve with scatter."""
    g = np.geomspace(1.0, 10.0 ** rng.uniform(1.4, 2.6), int(rng.integers(8, 14)))
    g = np.repeat(g, 2) if weights == "repeated points" else g
    stress = STRESS[model](TRUE[model], g)
    sigma = np.full(g.size, 0.005 * stress.mean())
    if weights == "drawn":
        sigma = 0.005 * stress * 10.0 ** rng.uniform(-1.0, 1.0, g.size)
    elif weights == "one of a thousand":
        sigma[rng.integers(g.size)] /= np.sqrt(1000.0)
    return g, stress + sigma * rng.standard_normal(g.size), sigma


@pytest.mark.parametrize("weights", WEIGHTS)
@pytest.mark.parametrize("model", STRESS)
def test_a_weighted_fit_has_the_parameters_and_errors_of_another_route(model, weights):
    rng = np.random.default_rng([WEIGHTS.index(weights), *model.encode()])
    compared = 0
    for _ in range(2):
        g, y, sigma = drawn(rng, model, weights)
        other = least_squares(
            lambda q: (STRESS[model](np.exp(q), g) - y) / sigma,  # noqa: B023 - used at once
            np.log(TRUE[model]), method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=20000,
        )  # fmt: skip
        p = np.exp(other.x)
        jacobian = other.jac / p
        size = np.linalg.norm(jacobian, axis=0)
        _, d, v = np.linalg.svd(jacobian / size, full_matrices=False)
        covariance = (v.T / d**2) @ v / np.outer(size, size) * (2.0 * other.cost / (g.size - p.size))
        found = fit_model(model, g, y, sigma)
        if isinstance(found, Refusal):
            # Only where the data do not determine a parameter.
            assert found.reason.code in ("parameter_not_determined", "parameter_goes_to_zero")
            continue
        errors = np.sqrt(np.diag(covariance))
        assert np.array([x.value for x in found.parameters]) == pytest.approx(p, abs=1e-3 * errors.min(), rel=1e-6)
        assert np.array([x.stderr for x in found.parameters]) == pytest.approx(errors, rel=1e-4)
        compared += 1
    assert compared


@pytest.mark.parametrize("model", STRESS)
@pytest.mark.parametrize(("rates", "stresses", "code"), [
    ([1.0, 2.0], [3.0, 4.0], "too_few_rates"),
    ([5.0] * 9, [3.0] * 9, "too_few_rates"),
    ([1.0, 2.0] * 5, [3.0, 4.0] * 5, "too_few_rates"),
    ([0.0, 2.0, 4.0, 8.0, 16.0, 32.0], [1.0, 2.0, 3.0, 4.0, 5.0, 6.0], "points_not_positive"),
    ([1.0, 2.0, 4.0, 8.0, 16.0, 32.0], [1.0, 2.0, -3.0, 4.0, 5.0, 6.0], "points_not_positive"),
    ([1.0, 2.0, 4.0, 8.0, 16.0, 32.0], [0.0, 2.0, 3.0, 4.0, 5.0, 6.0], "points_not_positive"),
])  # fmt: skip
def test_points_that_make_no_curve_are_refused(model, rates, stresses, code):
    found = fit_model(model, rates, stresses, [1.0] * len(rates))
    assert isinstance(found, Refusal)
    assert found.reason.code == code
