"""Torque range and advice: following the advice on a fluid of known law must give what it promised."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.core.errors import SettingError
from daq.rheology import cylinders, torque
from daq.rheology.geometry import SingleCylinder
from daq.rheology.torque import Advice, BandClass, advise

GEOMETRY = SingleCylinder(0.009, 0.06)
FULL_SCALE = 1e-3


def shown(consistency, n, speed):
    """Torque (percent) that a power-law fluid shows, from the flow around the cylinder."""
    stress = consistency * cylinders.unbounded_rate(cylinders.angular_speed(speed), n) ** n
    return torque.torque_to_percent(stress / GEOMETRY.stress_per_torque, FULL_SCALE)


@given(k=st.floats(0.1, 100), n=st.floats(0.3, 1.2), speed=st.floats(1, 50), target=st.floats(15, 90))
def test_executed_advice_reaches_the_target(k, n, speed, target):
    now = shown(k, n, speed)
    advice = advise(now, speed, target_percent=target, flow_behaviour_index=n)
    assert shown(k, n, advice.speed_per_min) == pytest.approx(target, rel=1e-6)


@given(k=st.floats(1, 1000), n=st.floats(0.3, 1.2), speed=st.floats(1, 50))
def test_advice_from_saturation_is_a_bound(k, n, speed):
    true = shown(k, n, speed)
    if true < 100.0:
        return
    advice = advise(
        97.0,
        speed,
        saturated_at_percent=100.0,
        flow_behaviour_index=n,
        full_scale=FULL_SCALE,
        viscosity_constant=GEOMETRY.viscosity_constant,
    )
    # At the speed given the torque is at least the target, so the right speed is not above it.
    assert shown(k, n, advice.speed_per_min) >= 50.0 * (1 - 1e-9)
    apparent = torque.viscosity_at(true, FULL_SCALE, GEOMETRY.viscosity_constant, speed)
    assert apparent >= advice.viscosity * (1 - 1e-9)


@pytest.mark.parametrize("percent", [-0.2, 0.0, None])
def test_a_torque_that_is_not_above_zero_gives_no_number(percent):
    assert advise(percent, 10.0, full_scale=FULL_SCALE, viscosity_constant=2.0) == Advice(None, None)


def test_viscosity_only_with_both_constants():
    assert advise(50.0, 10.0, full_scale=FULL_SCALE).viscosity is None
    both = advise(50.0, 10.0, full_scale=FULL_SCALE, viscosity_constant=2.0)
    assert both.viscosity == pytest.approx(2.0 * 0.5e-3 / (10 * 2 * math.pi / 60))


def test_viscosity_and_torque_are_inverse_and_take_arrays():
    percents = np.array([10.0, 50.0, 100.0])
    etas = torque.viscosity_at(percents, FULL_SCALE, 3.0, 20.0)
    assert torque.torque_percent_at(etas, FULL_SCALE, 3.0, 20.0) == pytest.approx(percents)
    assert torque.viscosity_range(FULL_SCALE, 3.0, 20.0) == pytest.approx((etas[0], etas[2]))
    assert torque.percent_to_torque(percents, FULL_SCALE) == pytest.approx(percents * 1e-5)


@pytest.mark.parametrize(("percent", "expected"), [(10.0, "valid"), (math.nextafter(10, 0), "low"), (-50.0, "low")])
def test_edges_of_the_band(percent, expected):
    assert torque.classify_torque(percent) == BandClass(expected)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: torque.speed_for_torque(0.0, 10.0, 50.0),
        lambda: torque.speed_for_torque(10.0, -1.0, 50.0),
        lambda: torque.speed_for_torque(10.0, 10.0, math.nan),
        lambda: torque.speed_for_torque(10.0, 10.0, 50.0, 0.0),
        lambda: torque.viscosity_at(10.0, FULL_SCALE, 1.0, 0.0),
        lambda: advise(5.0, 10.0, saturated_at_percent=0.0),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError, match="greater than 0"):
        wrong()
