"""The interval of a mean of autocorrelated readings holds the true value as often as claimed, or there is none."""

import math

import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.core.statistics import Axis, summarise
from daq.core.steady import LEAST_EFFECTIVE, effective_count
from daq.methods.concluding.budget import FoundBudget, add_scatter
from daq.methods.concluding.intervals import stated_interval
from daq.rheology.uncertainty import from_drifting_readings, from_one_reading, from_readings, span_mean_uncertainty
from tests.campaigns.coverage.autocorrelation import cell
from tests.support.autoregressive import autoregressive

RUNS = 400


@pytest.mark.parametrize("n", [10, 20, 50, 100, 300])
@pytest.mark.parametrize("r", [0.0, 0.3, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995])
def test_an_interval_holds_or_there_is_none(r, n):
    found = cell(r, n, RUNS, seed=5)
    assert found.is_as_claimed, found
    # Where the readings are worth far more than five there is an interval, and where they are worth none there is none.
    if found.effective > 30.0:
        assert found.published > 0.95
    if found.effective < 1.0:
        assert found.published < 0.12


@pytest.mark.parametrize("r", [0.9, 0.95, 0.99])
def test_the_cases_that_once_covered_too_little(r):
    """n (1 - r)/(1 + r) with r of the readings as it is and at most 0.95 covered 89, 82 and 61 % of 1000 readings' means."""
    found = cell(r, 1000, 250, seed=9)
    assert found.misses <= 0.05 + 3.0 * found.standard_error
    assert found.published < 0.5 or found.holds > 0.91


def test_a_steady_change_belongs_to_the_value_and_not_to_its_scatter():
    """White noise of sd 1 on a line: the mean of 100 readings is uncertain by 0.1, not by the line's 5.8."""
    rng = np.random.default_rng(3)
    axis = Axis([i * 100_000_000 for i in range(100)])
    inside, us = 0, []
    for _ in range(300):
        values = 2.0 * np.array(axis.seconds) + rng.standard_normal(100)
        found = FoundBudget()
        add_scatter(summarise(values.tolist(), axis), "mean", 0.0, found)
        # By chance the batch means of white noise look like a drift in a few spans; these have no interval.
        us += [part.u for part in found.components]
        inside += bool(found.components) and abs(values.mean()) <= 2.1 * us[-1]
    assert len(us) >= 0.97 * 300
    assert inside >= 0.93 * 300
    assert min(us) > 0.09
    assert sorted(us)[int(0.95 * len(us))] < 0.22  # two standard errors of the autocorrelation on the safe side


def test_readings_that_follow_one_another_have_no_interval_and_say_why():
    (values,) = autoregressive(np.random.default_rng(2), 1, 100, 0.995)
    found = FoundBudget()
    add_scatter(summarise(values.tolist(), Axis(range(100))), "mean", 0.0, found)
    assert found.components == []
    (reason,) = found.reasons
    assert (reason.code, reason.parameters["readings"], reason.parameters["needed"]) == (
        "too_few_effective_readings",
        100,
        5.0,
    )
    assert reason.parameters["effective"] < 5.0


@pytest.mark.parametrize(("n", "has"), [(1, False), (4, False), (5, True), (30, True)])
def test_readings_within_one_step_of_the_resolution_are_limited_by_the_step(n, has):
    """Half low, half high: a lag-one autocorrelation near 1, but the value lies between two neighbouring steps."""
    values = [10.0] * (n // 2) + [10.1] * (n - n // 2)
    found = FoundBudget()
    add_scatter(summarise(values, Axis(range(n))), "mean", 0.1, found)
    assert bool(found.components) is has
    assert bool(found.reasons) is not has
    if has:
        assert found.components[0].u == pytest.approx(0.1 / math.sqrt(3.0))
        coarse = FoundBudget()
        add_scatter(summarise(values, Axis(range(n))), "mean", 0.05, coarse)
        assert coarse.components == []


def test_independent_readings_have_the_textbook_uncertainty():
    # JCGM 100 4.2.3: s/sqrt(n), here for a number of readings at which the margin of the autocorrelation is small.
    n = 1_000_000
    u, dof = span_mean_uncertainty(2.0, n, -0.01)
    assert u == pytest.approx(2.0 / 1000.0, rel=2e-3)
    assert dof == pytest.approx(n / 3.0, rel=0.01)
    assert from_one_reading("x", 2.0, n, -0.01).u == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: span_mean_uncertainty(1.0, 4, None),
        lambda: span_mean_uncertainty(1.0, 100, 0.99),
        lambda: span_mean_uncertainty(-1.0, 100, 0.0),
        lambda: span_mean_uncertainty(math.nan, 100, 0.0),
        lambda: from_readings("x", 1.0, 9, 0.0),
        lambda: from_one_reading("x", 1.0, 100, 0.99),
    ],
)
def test_too_few_effective_readings_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()


def test_a_change_that_is_not_certain_gives_no_component():
    assert from_drifting_readings("x", 1.0, 100, 0.0, slope=0.01, spread=100.0) is None
    assert from_drifting_readings("x", 1.0, 100, 0.0, slope=1.0, spread=100.0) is not None
    assert from_drifting_readings("x", 1.0, 100, 0.99, slope=1.0, spread=100.0) is None


def test_a_greater_autocorrelation_never_makes_more_readings():
    counts = [effective_count(200, r / 100.0, standard_errors=1.0) for r in range(-50, 101)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] <= 200
    assert counts[-1] == 0.0
    assert effective_count(5, None) == LEAST_EFFECTIVE


# ---- the ripple of a turning rotor


def rippling(rng, n, turns, amplitude, r, runs=200):
    """Published and missing shares of spans of `turns` turns: autoregressive noise of sd 1 on a ripple of any phase."""
    axis = Axis([i * 100_000_000 for i in range(n)], turns / (n * 0.1))
    angles = np.arange(n) / n * 2.0 * math.pi * turns
    published = missed = 0
    for noise in autoregressive(rng, runs, n, r):
        values = noise + amplitude * np.sin(angles + rng.uniform(0.0, 2.0 * math.pi))
        found = FoundBudget()
        summary = summarise(values.tolist(), axis)
        add_scatter(summary, "mean", 0.0, found)
        stated = stated_interval(summary.mean, found.components, found.left_out, found.reasons, unit="mPa.s")
        if stated.low is not None:
            published += 1
            missed += not stated.low <= 0.0 <= stated.high
    return published / runs, missed / runs


@pytest.mark.parametrize("turns", [1.0, 2.0, 2.4, 7.0, 20.0])
@pytest.mark.parametrize("amplitude", [2.0, 10.0])
@pytest.mark.parametrize("n", [60, 100, 300])
def test_a_ripple_does_not_take_the_interval_of_a_mean_over_turns(n, turns, amplitude):
    published, missed = rippling(np.random.default_rng([n, int(10 * turns), int(amplitude)]), n, turns, amplitude, 0.0)
    assert missed <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 200)
    if n / turns > 6.0:
        assert published > 0.9


@pytest.mark.parametrize("turns", [1.0, 3.0, 10.0, 20.0])
@pytest.mark.parametrize("amplitude", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("r", [0.5, 0.9, 0.95, 0.98, 0.995])
@pytest.mark.parametrize("n", [50, 100])
def test_a_ripple_does_not_hide_an_autocorrelation(n, r, amplitude, turns):
    rng = np.random.default_rng([n, int(1000 * r), int(amplitude), int(turns)])
    _, missed = rippling(rng, n, turns, amplitude, r)
    assert missed <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 200)


def test_the_mean_of_a_ripple_over_a_part_of_a_turn_is_in_the_budget():
    """A sine without noise over two and a quarter turns: its mean is known, and is not corrected."""
    n, turns = 90, 2.25
    values = [800.0 + 3.0 * math.sin(2.0 * math.pi * turns * i / n) for i in range(n)]
    summary = summarise(values, Axis([i * 100_000_000 for i in range(n)], turns / (n * 0.1)))
    found = FoundBudget()
    add_scatter(summary, "mean", 0.0, found)
    part = next(c for c in found.components if c.name == "ripple over a part of a turn")
    assert part.u == pytest.approx(abs(summary.mean - 800.0), rel=0.35)
    assert part.u > 0.1


def test_a_span_of_less_than_a_turn_and_a_motor_at_rest_have_no_ripple():
    values = [math.sin(i / 30.0) for i in range(100)]
    times = [i * 100_000_000 for i in range(100)]
    assert summarise(values, Axis(times, 0.05)).ripple is None  # half a turn in 10 s
    assert summarise(values, Axis(times)).ripple is None
    assert summarise(values, Axis(times, 5.0)).ripple is None  # 2 readings in a turn
    assert summarise(values, Axis(times, 0.2)).ripple is not None
