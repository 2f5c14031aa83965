"""All nonlinear problems with one predictor of NIST's Statistical Reference Datasets, without derivatives given.

The data and certified values are in `tests/reference/data/nist_nonlinear.*`.
"""

import csv
import tomllib

import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.rheology.leastsquares import fit_curve
from tests.support.reference.tables import DATA

CERTIFIED = tomllib.loads((DATA / "nist_nonlinear.toml").read_text(encoding="utf-8"))
HARD = {("Bennett5", "start1")}
"""Needs more than the usual number of evaluations."""
ROUNDING = {"Lanczos1"}
"""The residuals are 1e-13 of the data, so the standard deviations are rounding."""


def wave(a, b, period, x):
    return a * np.cos(2 * np.pi * x / period) + b * np.sin(2 * np.pi * x / period)


def peaks(b, x):
    return (
        b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2)) + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2))
    )  # fmt: skip


def three_decays(b, x):
    return sum(b[i] * np.exp(-b[i + 1] * x) for i in (0, 2, 4))


def over_line(b, x):
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def cubic_over_cubic(b, x):
    return np.polyval(b[3::-1], x) / np.polyval([*b[:3:-1], 1.0], x)


MODELS = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut1": over_line,
    "Chwirut2": over_line,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": lambda b, x: b[0] + wave(b[1], b[2], 12, x) + wave(b[4], b[5], b[3], x) + wave(b[7], b[8], b[6], x),
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": peaks,
    "Gauss2": peaks,
    "Gauss3": peaks,
    "Hahn1": cubic_over_cubic,
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1 + b[3] * x + b[4] * x**2),
    "Lanczos1": three_decays,
    "Lanczos2": three_decays,
    "Lanczos3": three_decays,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2.0),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": cubic_over_cubic,
}


def data(name):
    with (DATA / "nist_nonlinear.csv").open(encoding="utf-8", newline="") as file:
        rows = [(float(r["x"]), float(r["y"])) for r in csv.DictReader(file) if r["dataset"] == name]
    return np.array(rows).T


def solve(name, start, **more):
    x, y = data(name)
    with np.errstate(all="ignore"):
        return fit_curve(MODELS[name], x, y, CERTIFIED[name][start], **more)


def test_every_problem_with_a_model_is_tried():
    assert set(MODELS) == set(CERTIFIED)


@pytest.mark.parametrize("start", ["start1", "start2"])
@pytest.mark.parametrize("name", MODELS)
def test_the_certified_values_are_found_from_both_starts(name, start):
    found = solve(name, start, max_evaluations=20_000 if (name, start) in HARD else 1000)
    known = CERTIFIED[name]
    assert found.status == "converged"
    assert found.parameters == pytest.approx(known["certified"], rel=2e-6)
    if name not in ROUNDING:
        assert found.sum_of_squares == pytest.approx(known["residual_sum_of_squares"], rel=1e-8)
        assert found.standard_errors == pytest.approx(known["standard_deviations"], rel=1e-5)


@pytest.mark.parametrize("step", [1e-4, 1e-5, 1e-6])
@pytest.mark.parametrize("factor", [1e-4, 1.0, 1e4])
def test_the_step_is_relative_to_each_parameter(factor, step):
    """The parameters of Hahn1 lie between 1 and 1e-7; in another unit of x they lie elsewhere, and the fit is the same."""
    x, y = data("Hahn1")
    known, units = CERTIFIED["Hahn1"], factor ** np.array([0.0, -1, -2, -3, -1, -2, -3])
    found = fit_curve(cubic_over_cubic, x * factor, y, known["start2"] * units, diff_step=step)
    assert found.status == "converged"
    assert found.parameters / units == pytest.approx(known["certified"], rel=1e-4)


def test_a_search_that_did_not_end_at_a_minimum_is_marked():
    assert solve("Bennett5", "start1").status == "out_of_evaluations"
    assert solve("Hahn1", "start1", max_evaluations=3).status == "out_of_evaluations"
    x, y = data("DanWood")
    # Derivatives of the wrong sign lead nowhere.
    model = MODELS["DanWood"]
    wrong = fit_curve(
        model, x, y, [1.0, 5.0], jacobian=lambda b, x: -np.column_stack([x ** b[1], b[0] * x ** b[1] * np.log(x)])
    )
    assert wrong.status == "stalled"


@pytest.mark.parametrize("step", [0.0, -1e-6, 1.0, float("nan")])
def test_a_step_that_is_none_is_refused(step):
    with pytest.raises(SettingError, match="diff_step"):
        solve("DanWood", "start1", diff_step=step)


@pytest.mark.parametrize("sigma", [-1.0, float("inf")])
def test_standard_deviations_are_above_0(sigma):
    x, y = data("DanWood")
    with pytest.raises(SettingError, match="sigma"):
        fit_curve(MODELS["DanWood"], x, y, CERTIFIED["DanWood"]["start2"], sigma=np.full(y.size, sigma))
