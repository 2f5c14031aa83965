"""Another kind of processor gives the same fits within 1e-9: a run is computed again years later, on another machine."""

import numpy as np
import pytest

from daq.rheology.flowcurves.flowcurve import Fit, fit_model
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.temperature import fit_andrade, fit_vft
from tests.support.processes.other_processor import computed_elsewhere

RATES = np.geomspace(0.1, 300.0, 14)
TRUE = {
    "newtonian": [0.8],
    "bingham": [8.0, 0.5],
    "power_law": [6.5, 0.45],
    "herschel_bulkley": [8.0, 3.2, 0.55],
    "casson": [5.0, 0.12],
    "cross": [1.15, 0.25, 0.075, 1.0],
    "carreau": [1.15, 0.25, 0.075, 0.5],
}
SEEDS = range(1)
SCATTER = 0.01
"""Relative standard deviation of the stresses."""


def all_fits():
    """Fit every model to scattered points of its own fluid and of a Cross fluid; return parameters and errors, or the code of the refusal."""
    assert TRUE.keys() == MODELS.keys()
    out = {}
    for true, parameters in TRUE.items():
        exact = MODELS[true].stress(np.array(parameters), RATES)
        for seed in SEEDS:
            rng = np.random.default_rng(seed)
            stresses = exact * (1.0 + SCATTER * rng.standard_normal(RATES.size))
            for model in MODELS if true == "cross" else [true]:
                found = fit_model(model, RATES, stresses, SCATTER * stresses)
                out[f"{model} on {true}, seed {seed}"] = (
                    [v for p in found.parameters for v in (p.value, p.stderr)] + [found.sum_of_squares, found.aicc]
                    if isinstance(found, Fit)
                    else found.reason.code
                )
    celsius = np.linspace(15.0, 45.0, 9)
    for seed in SEEDS:
        scatter = np.random.default_rng(seed).normal(0.0, 1e-4, celsius.size)
        values = np.exp(-3.0 + 700.0 / (celsius + 95.0) + scatter)
        vft, andrade = fit_vft(celsius.tolist(), values.tolist()), fit_andrade(celsius.tolist(), values.tolist())
        out[f"Vogel-Fulcher-Tammann, seed {seed}"] = [vft.viscosity(t) for t in celsius]
        out[f"Andrade, seed {seed}"] = [andrade.viscosity(t) for t in celsius]
    return out


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_every_fit_is_the_same_on_another_processor():
    here, there = all_fits(), computed_elsewhere("tests.rheology.test_processors:all_fits")
    assert here.keys() == there.keys()
    fitted = 0
    for name, found in here.items():
        if isinstance(found, str):
            assert there[name] == found, name
        else:
            fitted += 1
            assert there[name] == pytest.approx(found, rel=1e-9), name
    assert fitted > len(here) / 2


@pytest.mark.parametrize("model", ["cross", "carreau"])
@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e3])
def test_a_perfect_fit_does_not_give_parameters_that_change_nothing(model, scale):
    """A Newtonian fluid without scatter: both plateaus are equal, so its time constant and exponent change nothing."""
    found = fit_model(model, RATES, scale * RATES, 0.01 * scale * RATES)
    assert not isinstance(found, Fit), found
    assert found.reason.code in {"parameters_not_separable", "parameter_goes_to_zero", "parameter_at_bound"}
