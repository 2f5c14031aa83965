"""Signals: planted patterns are found with their points, and chance makes no more of them than stated."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.quality.charts import individuals_chart
from daq.quality.chartsignals import RULES, false_alarm, find_signals

#: A calm series that completes no rule.
CALM = [0.2, -0.5, 0.7, 0.1, -0.3, 0.4, -0.6, 0.3, -0.1, 0.5, -0.4, 0.2, -0.7, 0.6, -0.2]


def found(z, rule, centre=0.0, sigma=1.0):
    return [(s.side, s.points) for s in find_signals(z, centre, sigma) if s.rule == rule]


def test_a_calm_series_has_no_signal():
    assert find_signals(CALM, 0.0, 1.0) == ()
    assert find_signals([], 0.0, 1.0) == ()
    assert find_signals([0.4], 0.0, 1.0) == ()


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("at", [0, 3, 15])
@pytest.mark.parametrize(
    ("rule", "pattern", "points"),
    [
        ("one_beyond_3s", [3.2], (0,)),
        ("nine_one_side", [0.3, 0.5, 0.2, 0.6, 0.1, 0.4, 0.7, 0.3, 0.2], range(9)),
        ("six_trend", [-0.9, -0.5, -0.1, 0.2, 0.6, 0.9], range(6)),
        ("two_of_three_2s", [2.1, 0.3, 2.4], (0, 2)),
        ("four_of_five_1s", [1.2, 1.4, 0.5, 1.1, 1.3], (0, 1, 3, 4)),
    ],
)
def test_a_planted_pattern_is_found_with_its_points(rule, pattern, points, at, side):
    z = [side * v for v in [*CALM[:at], *pattern]]
    hits = [s for s in found(z, rule) if set(s[1]) >= {at + i for i in points}]
    # A calm point before the pattern may belong to it: the point before a trend can be lower than its first.
    assert hits, (z, find_signals(z, 0.0, 1.0))
    assert hits[0][0] == side
    assert set(hits[0][1]) <= set(range(max(0, at - 1), len(z)))
    scaled = [500.0 + 20.0 * v for v in z]
    assert found(scaled, rule, 500.0, 20.0) == found(z, rule)


@pytest.mark.parametrize("shift", [-1.5, 1.5, 2.0, 3.0])
def test_a_planted_shift_of_the_mean_is_found_on_its_side(shift):
    rng = np.random.default_rng(round(10 * shift) + 50)
    for _ in range(20):
        z = [*rng.standard_normal(30), *(rng.standard_normal(40) + shift)]
        late = [s for s in find_signals(z, 0.0, 1.0) if s.points[-1] >= 30 and s.side * shift > 0]
        assert late
        assert {s.rule for s in late} & {"nine_one_side", "ewma"}


def test_a_step_between_two_points_is_a_signal_of_the_moving_range():
    assert found([-1.9, 1.9, 0.1], "moving_range") == [(0, (0, 1))]  # limit D4 d2 = 3.686, ISO 7870-2
    assert found([-1.8, 1.8, 0.1], "moving_range") == []


def test_the_average_signals_a_drift_that_no_single_point_shows():
    z = [1.8, 1.5, 1.9, 1.6, 1.7, 1.9, 1.8]
    assert found(z, "one_beyond_3s") == []
    assert [side for side, _ in found(z, "ewma")] == [1]


def test_completions_that_follow_each_other_are_one_signal():
    assert found([0.3] * 14, "nine_one_side") == [(1, tuple(range(14)))]
    assert found([3.5, 3.6, -3.4], "one_beyond_3s") == [(1, (0, 1)), (-1, (2,))]


#: Points of a signal, less the points that complete its rule.
EXTRA = {"one_beyond_3s": 0, "nine_one_side": 8, "six_trend": 5, "ewma": 0}


@pytest.mark.slow
@pytest.mark.parametrize("rule", RULES)
def test_chance_makes_no_more_signals_than_stated(rule):
    # Counted on 20 long series with a fixed seed: 5 standard deviations of a Poisson count, times 3 for runs of hits.
    rng = np.random.default_rng(7870)
    series, length = 20, 2000
    count = 0
    for _ in range(series):
        for s in find_signals(list(rng.standard_normal(length)), 0.0, 1.0):
            if s.rule == rule:
                count += len(s.points) - EXTRA[rule] if rule in EXTRA else 1
    expected = series * length * false_alarm(rule)
    if rule in EXTRA:
        assert count == pytest.approx(expected, abs=15.0 * expected**0.5)
    else:
        # Completions that follow each other are one signal, so that there are fewer signals than completions.
        assert 0.2 * expected < count < expected + 5.0 * expected**0.5


@given(st.lists(st.floats(-6, 6), max_size=40))
def test_signals_are_mirrored_with_the_values(z):
    mirrored = {(s.rule, -s.side, s.points) for s in find_signals([-v for v in z], 0.0, 1.0)}
    assert mirrored == {(s.rule, s.side, s.points) for s in find_signals(z, 0.0, 1.0)}


def test_flow_rates_of_the_handbook_are_in_control():
    # NIST/SEMATECH e-Handbook 6.3.2.2: the individuals chart of ten batches has no point beyond a limit.
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = individuals_chart(values)
    assert not [
        s for s in find_signals(values, chart.centre, chart.sigma) if s.rule in ("one_beyond_3s", "moving_range")
    ]


def test_the_last_averages_of_the_handbook_are_in_control():
    # NIST/SEMATECH e-Handbook 6.3.2.4: "the process is in control", target 50, sigma 2.0539, weight 0.3.
    values = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ]  # fmt: skip
    assert [s for s in find_signals(values, 50.0, 2.0539) if s.rule == "ewma"] == []
