"""Temperature curves and platinum thermometers."""

import functools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from daq.core.errors import SettingError
from daq.rheology import pt100, temperature
from daq.rheology.temperature import (
    Vft,
    correct_to_reference,
    fit_andrade,
    fit_vft,
    vft_through_three,
)
from tests.support.reference.fluids import water_viscosity

TEMPERATURES = [10.0, 18.0, 25.0, 33.0, 41.0, 50.0, 62.0]
TRUE = Vft(-3.0, 900.0, 165.0, 0.0, 100.0)


def noisy(seed=4, relative=0.005):
    rng = np.random.default_rng(seed)
    return [TRUE.viscosity(t) * (1 + relative * float(rng.standard_normal())) for t in TEMPERATURES]


def test_andrade_is_the_line_of_numpy():
    eta = noisy()
    slope, intercept = np.polyfit([1 / (t + 273.15) for t in TEMPERATURES], np.log(eta), 1)
    curve = fit_andrade(TEMPERATURES, eta)
    assert (curve.b_kelvin, curve.a) == pytest.approx((slope, intercept), rel=1e-9)


def test_vft_fit_is_that_of_another_minimiser():
    eta = noisy()
    found, _ = curve_fit(
        lambda t, a, b, t0: a + b / (t - t0), np.array(TEMPERATURES) + 273.15, np.log(eta), p0=(-2.0, 700.0, 180.0)
    )
    curve = fit_vft(TEMPERATURES, eta)
    assert (curve.a, curve.b_kelvin, curve.t0_kelvin) == pytest.approx(tuple(found), rel=1e-4)
    assert curve.relative_sd == pytest.approx(0.005, rel=0.7)


def test_vft_fit_returns_the_truth_from_exact_points_in_any_order():
    order = [3, 0, 6, 2, 5, 1, 4]
    ts = [TEMPERATURES[i] for i in order]
    for curve in (fit_vft(ts, [TRUE.viscosity(t) for t in ts]), fit_vft(ts[:3], [TRUE.viscosity(t) for t in ts[:3]])):
        assert (curve.a, curve.b_kelvin, curve.t0_kelvin) == pytest.approx((-3.0, 900.0, 165.0), rel=1e-6)
    assert (curve.low_celsius, curve.high_celsius) == (10.0, 62.0)


@pytest.mark.parametrize("evaluations", [1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 40, 1000])
@pytest.mark.parametrize("seed", range(4))
def test_a_search_that_did_not_end_at_the_minimum_gives_no_curve(monkeypatch, evaluations, seed):
    """The search is cut short.  The minimum is that of a scan of t0, with a straight line for each."""
    eta = noisy(seed, 0.01)
    short = functools.partial(temperature.fit_curve, max_evaluations=evaluations)
    monkeypatch.setattr(temperature, "fit_curve", short)
    x, y = np.array(TEMPERATURES) + 273.15, np.log(eta)

    def squares(t0):
        columns = np.column_stack([np.ones_like(x), 1.0 / (x - t0)])
        return float(np.sum((columns @ np.linalg.lstsq(columns, y, rcond=None)[0] - y) ** 2))

    least = min(squares(float(x[0] - d)) for d in np.geomspace(0.2, 2e3, 2000))
    try:
        curve = fit_vft(TEMPERATURES, eta)
    except SettingError as error:
        assert evaluations < 1000
        assert "did not end at a minimum" in str(error)  # noqa: PT017
    else:
        rest = np.log([curve.viscosity(t) for t in TEMPERATURES]) - y
        assert float(rest @ rest) == pytest.approx(least, rel=1e-4)


def test_vft_is_refused_where_no_such_curve_passes():
    with pytest.raises(SettingError, match="no Vogel curve"):
        vft_through_three([10.0, 20.0, 30.0], [1.0, 0.9, 0.1])
    with pytest.raises(SettingError, match="exactly 3"):
        vft_through_three([10.0, 20.0], [1.0, 0.9])


@pytest.mark.parametrize("make", [fit_andrade, fit_vft])
def test_coefficient_is_the_slope_of_the_logarithm(make):
    curve = make(TEMPERATURES, [TRUE.viscosity(t) for t in TEMPERATURES])
    h = 1e-4
    slope = -(math.log(curve.viscosity(25.0 + h)) - math.log(curve.viscosity(25.0 - h))) / (2 * h)
    assert curve.coefficient(25.0) == pytest.approx(slope, rel=1e-6)
    array = np.array([20.0, 25.0])
    assert curve.coefficient(array)[1] == pytest.approx(curve.coefficient(25.0))
    assert curve.viscosity(array)[1] == pytest.approx(curve.viscosity(25.0))


def test_correction_of_water_to_20_degrees():
    ts = [15.0, 18.0, 20.0, 22.0, 25.0, 30.0]
    curve = fit_vft(ts, [water_viscosity(t) for t in ts])
    c = correct_to_reference(water_viscosity(23.3), 23.3, 20.0, curve)
    assert c.corrected == pytest.approx(water_viscosity(20.0), rel=1e-4)
    assert c.corrected == water_viscosity(23.3) * c.factor


def test_no_correction_outside_the_curve():
    curve = fit_andrade([20.0, 40.0], [1.0, 0.3])
    assert correct_to_reference(0.5, 40.0, 20.0, curve).corrected > 0.5
    for t, ref in ((19.9, 25.0), (25.0, 40.1)):
        with pytest.raises(SettingError, match="outside the range"):
            correct_to_reference(0.5, t, ref, curve)
    with pytest.raises(SettingError, match="celsius: must be above absolute zero.*is nan"):
        correct_to_reference(0.5, math.nan, 25.0, curve)


@pytest.mark.parametrize(
    ("celsius", "viscosity"),
    [
        ([20.0, 20.0], [1.0, 0.9]),
        ([20.0, 30.0], [1.0, 0.0]),
        ([20.0], [1.0]),
        ([20.0, math.nan], [1.0, 0.5]),
        ([20.0, 30.0], [1.0]),
    ],
)
def test_points_that_make_no_curve_are_refused(celsius, viscosity):
    for fit in (fit_andrade, fit_vft):
        with pytest.raises(SettingError):
            fit(celsius, viscosity)


@given(st.floats(-200.0, 850.0))
def test_resistance_and_temperature_are_inverse(celsius):
    assert pt100.temperature(pt100.resistance(celsius)) == pytest.approx(celsius, abs=1e-9)


def test_cold_end_of_the_table():
    # IEC 60751, table of resistances in two decimals (from memory).
    assert pt100.resistance(-200.0) == pytest.approx(18.52, abs=0.006)
    assert pt100.resistance(-100.0) == pytest.approx(60.26, abs=0.006)


def test_platinum_arrays_and_other_sensors():
    t = np.array([-80.0, 0.0, 37.0])
    assert pt100.temperature(pt100.resistance(t)) == pytest.approx(t, abs=1e-9)
    assert pt100.resistance(25.0, 1000.0) == pytest.approx(10 * pt100.resistance(25.0))
    for c in (-120.0, -1.0, 1.0, 400.0):
        h = 1e-3
        numeric = (pt100.resistance(c + h) - pt100.resistance(c - h)) / (2 * h)
        assert pt100.sensitivity(c) == pytest.approx(numeric, rel=1e-8)


def test_impossible_resistances_are_refused():
    for ohm in (0.0, 10.0, 500.0, math.nan):
        with pytest.raises(SettingError, match="ohm"):
            pt100.temperature(ohm)
