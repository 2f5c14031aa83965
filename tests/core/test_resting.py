"""The torque at rest before the motor turns: the readings that count, and its replay from the journal alone."""

import pytest

from daq.core.resting import LEAST_READINGS, LONGEST_REST_NS, REST_NS, REST_OF_SLOW_LEADS, RestTorqueReadings
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.support.runs.examples import driver_for, example, load_changed, plan_of

S = 1_000_000_000


def filled(values, *, every=S // 10, **more):
    resting = RestTorqueReadings(every, **more)
    for i, value in enumerate(values):
        resting.see(i * every, value)
    return resting


def test_mean_and_scatter():
    found = filled([0.1, 0.2, 0.3, 0.2, 0.2]).summary(S // 2)
    assert (found.n, found.mean) == (5, pytest.approx(0.2))
    assert found.sd == pytest.approx(0.0707107, abs=1e-6)  # sqrt((0.01 + 0.01)/4)


def test_only_the_last_ten_seconds_count():
    found = filled([5.0] * 50 + [0.1] * 100).summary(149 * S // 10)
    assert (found.n, found.mean) == (REST_NS * 10 // S, pytest.approx(0.1))


def test_few_readings_and_none_say_nothing():
    assert filled([0.1] * (LEAST_READINGS - 1)).summary(S) is None
    assert filled([None] * 20).summary(S) is None
    assert filled([0.1] * LEAST_READINGS).summary(S).n == LEAST_READINGS


@pytest.mark.parametrize("every", [2 * S, 21 * S // 10, 5 * S // 2, 5 * S, 10 * S])
def test_an_instrument_that_is_read_seldom_has_its_last_readings(every):
    values, end = [9.0, *[15.0] * LEAST_READINGS], LEAST_READINGS * every
    found = filled(values, every=every).summary(end + every - 1)
    assert (found.n, found.mean) == (LEAST_READINGS, 15.0)
    # A run that an older daq recorded has none, as its daq found.
    older = filled(values, every=every, checks=REST_OF_SLOW_LEADS - 1).summary(end + every - 1)
    assert (older is None) is (every > 2 * S)


def test_a_reading_of_an_instrument_of_two_seconds_may_be_late():
    resting = RestTorqueReadings(2 * S)
    for t in (0, 2, 4, 6, 8):
        resting.see(t * S, 15.0)
    assert resting.summary(10 * S + 1).mean == 15.0


def test_readings_of_a_fast_instrument_before_missing_ones_say_nothing_of_the_zero():
    resting = filled([12.0] * 50)
    for t in (40, 41, 42, 43):
        resting.see(t * S, 0.0)
    assert resting.summary(45 * S) is None
    resting.see(44 * S, 0.0)
    assert resting.summary(45 * S).mean == 0.0


FITTED = [
    [20.0, 9.0, 3.0, 0.4, 0.1],
    [20.0, 20.0, 0.1, 0.0, 0.0],
    [-20.0, -20.0, 0.0, 0.1, 0.1],
    [0.0, 0.0, 0.0, 5.0, 15.0],
]
"""Readings while a rotor is fitted, or a sample relaxes."""


@pytest.mark.parametrize("values", FITTED)
def test_seldom_readings_with_a_trend_say_nothing_of_the_zero(values):
    assert filled(values, every=5 * S).summary(20 * S) is None
    # The fast ones are those of the last ten seconds, and their number shows the level.
    assert filled(values * 10, every=S // 10).summary(5 * S) is not None


@pytest.mark.parametrize("values", [[15.0, 15.1, 15.2, 15.2, 15.3], [0.0] * 5, [0.1, -0.1, 0.0, 0.2, 0.1], [15.0] * 5])
def test_seldom_readings_of_a_level_are_a_zero_although_they_drift(values):
    assert filled(values, every=5 * S).summary(20 * S).n == LEAST_READINGS


def test_readings_of_a_minute_ago_say_nothing_of_the_zero():
    assert filled([0.1] * 20, every=20 * S).summary(19 * 20 * S) is None
    resting = filled([0.1] * LEAST_READINGS, every=2 * S)
    assert resting.summary(LONGEST_REST_NS - 1) is not None
    assert resting.summary(LONGEST_REST_NS + 1) is None


def bench_of(plan, instrument, seed=3):
    simulator = RotationalInstrument(
        geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], seed=seed, serial="R-1042"
    )
    bench = Bench(plan, {"bench-1": driver_for(instrument)}, {"bench-1": simulator})
    bench.begin()
    bench.run(600.0)
    return bench, simulator


def test_a_run_knows_the_zero_error_of_its_instrument():
    instrument = example("instruments/bench-1.toml")
    bench, simulator = bench_of(plan_of("clear-glaze-qc", instrument), instrument)
    found = bench.facts.at_rest
    assert found.n == 100
    # The simulated zero error, within the noise of 0.03 % over 100 readings and the last digit sent.
    assert found.mean == pytest.approx(simulator.errors.zero_percent, abs=0.015)


def test_a_motor_that_turns_at_once_leaves_nothing_to_see(tmp_path):
    instrument = example("instruments/bench-1.toml")
    gate = '[conditioning.temperature]\ntarget = 25.0                         # Cel\nband = 0.2                            # K\nhold = "30 s"\nlongest = "30 min"\n'
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", (gate, ""))
    bench, _ = bench_of(plan_of(method, instrument), instrument)
    assert bench.facts.outcome == "complete"
    assert bench.facts.at_rest is None
