"""Honest runs in which a sign of a lying instrument could be suspected, and is not: drawn and swept."""

import math

import pytest

from daq.core.driver import FULL_SCALE_FACT, Identity
from daq.core.linkeffects import ExpectedInstrument
from daq.core.replay import replay
from daq.methods.concluding.conclude import conclude
from simulators.rotational import Fluid, HerschelBulkley
from simulators.rotational.catalogue import FLUIDS
from tests.support.instruments.described import RotationalDriver
from tests.support.runs.lying import method_of, run

TRUE = 150.0
"""mPa.s of the instrument's oil."""
EVERY = '{{ at = "every", every = "{0} s", span = "{0} s" }}'
EVENT = '{{ at = "event", span = "10 s", event = {{ signal = "torque", above = "40 %", hold = "{hold} s" }} }}'


def of_turning(torque_at):
    return lambda _t, torque, speed, turned: (round(torque_at(turned), 2) if turned else torque, speed)


# ---- peak


def peak_method(every):
    method = method_of(30, claim="peak", seconds=20, keep=EVERY.format(every))
    return method.replace('settle = "1 s"', 'settle = "0 s"')


PEAK = of_turning(lambda turned: max(15.0, 70.0 - 4.0 * abs(turned - 8.0)))


PAIRS = [(1, 100), (1, 250), (1, 300), (1, 400), (1, 600), (1, 700), (1, 800), (1, 1000), (2, 600), (2, 700), (2, 800),
         (2, 1200), (2, 1500), (5, 700), (5, 1200), (5, 1500)]  # fmt: skip
"""Intervals of the keep (s) and of the readings (ms), most of which do not divide it; each holds a reading."""


@pytest.mark.parametrize(("every", "interval"), PAIRS)
def test_a_peak_is_valid_at_any_interval_of_the_readings(tmp_path, every, interval):
    c, _ = run(tmp_path, PEAK, method=peak_method(every), interval_ms=interval)
    assert (c.validity, c.faults) == ("valid", ())


@pytest.mark.parametrize("silent", [(13.2, 15.1), (16.0, 18.5)])
def test_readings_that_are_missing_far_from_the_peak_hide_nothing(tmp_path, silent):
    c, _ = run(tmp_path, PEAK, method=peak_method(1), silent=silent)
    assert (c.validity, c.faults) == ("valid", ())


# ---- torque at rest


YIELDING = {
    "engobe": (FLUIDS["engobe"], 20),
    "gelled-slip": (FLUIDS["gelled-slip"], 5),
    "casson-glaze": (FLUIDS["casson-glaze"], 30),
    "plateau": (Fluid("plateau", HerschelBulkley(25.0, 0.4, 0.5)), 2),
}


@pytest.mark.parametrize("wait", [0, 60, 300])
@pytest.mark.parametrize("name", YIELDING)
def test_a_second_run_on_a_fill_that_holds_a_torque_is_valid(tmp_path, name, wait):
    fluid, speed = YIELDING[name]
    _, first = run(tmp_path, fluid=fluid, method=method_of(speed), full_scale=8000.0)
    simulator = first.simulators["bench-1"]
    simulator.advance(wait)
    c, bench = run(tmp_path, method=method_of(speed), simulator=simulator, full_scale=8000.0)
    assert (c.validity, c.faults) == ("valid", ())
    if bench.facts.at_rest.mean >= 10.0:
        assert "torque_at_rest_unexplained" in [s.code for s in c.cautions]


@pytest.mark.parametrize("limits", ["", ', zero = "0.5 %"', ', includes = ["zero"]'])
@pytest.mark.parametrize("off", [-30, -12, -3, 1.5, 7, 12, 20, 35, 50])
def test_the_interval_of_a_value_contains_a_zero_that_is_off(tmp_path, off, limits):
    """A sample may hold such a torque, so that it gives a caution; against the rotation none does."""
    c, _ = run(tmp_path, lambda _t, torque, speed, _turned: (torque + off, speed), limits=limits)
    cautions = [s.code for s in c.cautions]
    assert ("torque_at_rest_unexplained" in cautions) is (off >= 10)
    assert ("zero_off" in c.faults) is (off <= -10)
    if c.value is not None and c.row.torque_percent >= 10.0:
        assert abs(c.value - TRUE) < c.uncertainty.expanded
        low, high = c.uncertainty.low, c.uncertainty.high
        assert low < TRUE < high


@pytest.mark.parametrize("speeds", [(1, 2, 4), (0.2, 1, 5), (2, 1)])
@pytest.mark.parametrize("step", [0.5, 1.0])
def test_a_plateau_on_a_coarse_display_is_no_stuck_sensor(tmp_path, speeds, step):
    """The torque is the same at each speed, and the display too coarse for its noise."""
    lie = lambda _t, torque, speed, turned: ((0.0 if not turned else round(38.2 / step) * step), speed)  # noqa: E731
    c, _ = run(tmp_path, lie, method=method_of(*speeds, seconds=8))
    assert "torque_stuck" not in c.faults


# ---- time to an event


@pytest.mark.parametrize("statistic", ["", ', statistic = "last"'])
@pytest.mark.parametrize("hold", [0, 3])
@pytest.mark.parametrize("tau", [0.3, 1.0, 4.0])
def test_the_time_to_a_sharp_gel_is_valid(tmp_path, tau, hold, statistic):
    keep = EVENT.format(hold=hold).replace("span", f"{statistic[2:]}, span" if statistic else "span")
    gel = of_turning(lambda turned: min(90.0, 20.0 + 20.0 * math.exp((turned - 20.0) / tau)))
    c, _ = run(tmp_path, gel, method=method_of(30, claim="time_to", seconds=28, keep=keep))
    assert (c.validity, c.faults) == ("valid", ())


@pytest.mark.parametrize("interval", [100, 500, 1000])
def test_the_time_to_an_event_replays_with_the_interval_that_its_run_had(tmp_path, interval):
    """No journal holds the interval: it is computed from the recorded options of the driver and the recorded times."""
    gel = of_turning(lambda turned: min(90.0, 20.0 + 20.0 * math.exp((turned - 20.0) / 4.0)))
    method = method_of(30, claim="time_to", seconds=28, keep=EVENT.format(hold=0))
    c, bench = run(tmp_path, gel, method=method, interval_ms=interval)
    done = replay(bench.journal(), made_again)
    assert done.same
    (kept,) = [k for k in done.kept if k.at == "event"]
    assert kept.event_interval_ns == pytest.approx(interval * 1e6, rel=0.2)
    assert conclude(bench.plan, done.facts) == c


def made_again(_kind, options, state):
    driver = RotationalDriver(options)
    driver.restore(state)
    return driver


# ---- identity


def identity(full_scale):
    return Identity("rotational", "R-1", facts={} if full_scale is None else {FULL_SCALE_FACT: full_scale})


@pytest.mark.parametrize(
    ("before", "now", "is_other"),
    [
        (1000.0, 1000.0, False), (1000.0, 1000.4, False), (1000.0, "1000", False), ("1000", 1000, False),
        (None, None, False), (None, 500.0, False), ("unknown", "unknown", False),
        (1000.0, 2000.0, True), (1000.0, "2000", True), ("1000", "2000", True), (1000.0, None, True),
        (1000.0, "unknown", True), (1000.0, "", True), (1000.0, float("nan"), True), (1000.0, 0.0, True),
    ],
)  # fmt: skip
def test_a_full_scale_that_changes_or_is_stated_no_more_is_another_instrument(before, now, is_other):
    found = ExpectedInstrument.like(identity(before)).difference(identity(now))
    assert ("full-scale" in found) is is_other
