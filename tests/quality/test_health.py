"""Once-per-revolution ripple of simulated torque."""

import math

import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.quality.health import once_per_revolution, trend


def test_ripple_is_found_beside_drift_and_noise():
    rng = np.random.default_rng(12)
    turns = np.linspace(0, 6.3, 200)
    torque = 40 + 0.5 * turns + 0.8 * np.sin(2 * np.pi * turns + 0.7) + 0.1 * rng.standard_normal(200)
    ripple = once_per_revolution(list(turns), list(torque))
    assert ripple == pytest.approx(0.8, abs=0.03)


def test_a_straight_rotor_has_none():
    rng = np.random.default_rng(13)
    turns = np.linspace(0, 5, 200)
    ripple = once_per_revolution(list(turns), list(40 + 0.1 * rng.standard_normal(200)))
    assert ripple < 0.03
    assert once_per_revolution(list(turns), [1.0] * 200) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("turns", "values"),
    [
        (np.linspace(0, 1.5, 50), np.ones(50)),
        (np.linspace(0, 3, 6), np.ones(6)),
        (np.linspace(0, 30, 50), np.ones(50)),
        (np.linspace(0, 3, 50), np.ones(49)),
        (np.linspace(0, 3, 50), np.full(50, math.nan)),
        ([], []),
    ],
)
def test_too_little_to_see_a_ripple_is_refused(turns, values):
    with pytest.raises(SettingError):
        once_per_revolution(list(turns), list(values))


def test_a_trend_is_the_middle_of_the_last_three_against_the_limit():
    found = trend([0.1, 0.1, 0.1, 9.0, 0.2], 0.3)
    # One odd run among them raises no alarm; two do.
    assert (found.n, found.latest, found.beyond) == (5, 0.2, False)
    assert trend([0.1, 0.4, 0.5], 0.3).beyond
    assert trend([-0.4], 0.3).beyond
    assert not trend([0.3], 0.3).beyond


def test_the_change_of_a_trend_is_that_of_a_line_odd_runs_cannot_turn():
    # Theil and Sen: the median slope is 0.1 a run, over nine intervals 0.9, whatever the fifth run shows.
    values = [0.1 * i for i in range(10)]
    values[4] = 50.0
    assert trend(values, 1.0).change == pytest.approx(0.9)
    assert trend([0.1, 0.2], 1.0).change == 0.0


def test_no_trend_without_values_and_none_without_sense():
    assert trend([], 0.3) is None
    with pytest.raises(SettingError):
        trend([1.0], 0.0)
    with pytest.raises(SettingError):
        trend([math.inf], 1.0)
