"""The example methods on simulated instruments in memory: the numbers come out as the fluid's law says."""

import pytest

from tests.support.runs.examples import example, load_changed
from tests.support.runs.whole_runs import run
from tests.support.statements import parameters


def test_clear_glaze_is_valid_within_and_right():
    # Newtonian, 0.8 Pa.s at 25 Cel; the stated limits at 37 % torque add up to 3.4 % at most.
    c, bench = run("clear-glaze-qc", "bench-1", "clear-glaze", product="clear-glaze")
    assert (c.outcome, c.validity, c.verdict.verdict, bench.motor) == ("complete", "valid", "within", "still")
    assert abs(c.value - 800.0) < 800.0 * 0.034
    assert abs(c.value - 800.0) < c.uncertainty.expanded
    assert (c.row.n, c.row.seconds) == (300, pytest.approx(60.0, abs=0.01))


def test_off_range_and_repeated_with_the_advice_given():
    c, bench = run("clear-glaze-qc", "bench-1", "clear-glaze", product="clear-glaze", choices={"speed": 100})
    assert (c.value, c.validity, c.faults) == (None, "not_valid", ("torque_limit",))
    assert (c.outcome, bench.motor) == ("failed", "still")
    found = parameters([c.span.stop_reason], "torque_at_stop")
    assert (found["limit"], found["unit"], found["speed"]) == (110.0, "%", found["speed"])
    # The torque passes its limit while the rotor still gains speed: 110 % at 59.4 /min, behind by the sensor's lag.
    assert 59.0 < found["speed"] <= 101.0
    assert (c.row.set_speed, c.row.value) == (100.0, None)
    advised = c.advice[0]
    assert (advised.code, advised.comparable) == ("other_speed", True)
    # The bound must be true: the sample is 0.8 Pa.s, less 2 % for torque, geometry and speed of this instrument.
    assert advised.value_at_least < 800.0 * 1.02
    again, _ = run("clear-glaze-qc", "bench-1", "clear-glaze", product="clear-glaze", choices={"speed": advised.speed})
    assert (again.validity, again.verdict.verdict) == ("valid", "within")
    assert again.row.torque_percent >= advised.torque_percent * 0.98


def test_a_torque_too_low_is_doubtful_and_the_advice_brings_it_into_the_band():
    # 0.4832 Pa.s on coaxial-12 at 5 /min: 0.4832 * 0.523599/4521.45 = 5.60e-5 N.m, 5.6 %.
    c, _ = run("reference-check", "bench-1", "reference-b", choices={"speed": 5})
    assert (c.validity, c.faults, c.row.torque_percent) == ("doubtful", ("below_band",), pytest.approx(5.60, abs=1.0))
    again, _ = run("reference-check", "bench-1", "reference-b", choices={"speed": c.advice[0].speed})
    assert again.validity == "valid"
    assert again.row.torque_percent == pytest.approx(c.advice[0].torque_percent, rel=0.15)


def test_casting_slip_at_equilibrium():
    """First-order structure kinetics: level = build/(build + break * rate), rate 2.09440 * 4.5556 = 9.5412 /s.

    0.02/(0.02 + 0.0015 * 9.5412) = 0.58291; viscosity 0.25 + 0.9 * 0.58291 = 0.77462 Pa.s.
    """
    c, bench = run("casting-slip-equilibrium", "bench-1", "casting-slip", product="casting-slip")
    assert (c.outcome, c.steady, c.validity) == ("complete", True, "valid")
    assert c.value == pytest.approx(774.62, rel=0.03)
    found = parameters([c.span.stop_reason], "rule_steady")
    assert found == {"signal": "viscosity", "limit": 1.0, "unit": "%", "span": 20.0}
    states = [target for _, _, target in bench.moves]
    assert states[:3] == ["identifying", "equilibrating", "soaking"]
    assert states[3:8] == ["starting_preshear", "preshearing", "ending_preshear", "resting", "starting"]


def test_white_glaze_curve_thins():
    """Power law K 6.5, n 0.45 on a cylinder of 9 mm in 42.5 mm: rate 2 omega/n/(1 - (R/Rv)^(2/n)) = 4.6589 /s at
    10 /min, stress 6.5 * 4.6589^0.45 = 12.991 Pa; over the Newtonian rate 2.1928 /s that is 5925 mPa.s."""
    c, _ = run("white-glaze-flow-curve", "bench-2", "white-glaze", product="white-glaze")
    assert (c.outcome, c.validity, c.verdict.verdict) == ("complete", "valid", "within")
    assert c.value == pytest.approx(5925.0, rel=0.035)
    assert len(c.steps) == 9
    up = [r.value for r in c.steps[:5]]
    assert up == sorted(up, reverse=True)
    # Apparent viscosity of a power law: proportional to speed^(n-1), so from 2 to 50 /min it falls by 25^-0.55.
    assert up[4] / up[0] == pytest.approx(25.0**-0.55, rel=0.05)
    assert not c.advice


def test_engobe_after_a_minute_or_ten_turns():
    c, _ = run("engobe-qc", "bench-2", "engobe", product="engobe", temperature=23.0)
    assert (c.outcome, c.validity, c.unit) == ("complete", "valid", "Pa.s")
    # 10 /min: ten turns take 60 s, as long as the minute.
    assert parameters([c.span.stop_reason], "rule_above") == {"signal": "elapsed", "limit": 60.0, "unit": "s"}
    assert c.row.seconds == pytest.approx(60.0, abs=0.2)
    assert c.row.span_seconds == pytest.approx(12.0, rel=0.02)


@pytest.mark.parametrize(("instrument", "fitted"), [("bench-1", "coaxial-12"), ("bench-2", "cylinder-9")])
def test_the_reference_fluid_reads_its_certificate(instrument, fitted):
    fluid = example("fluids/reference-b.toml")
    c, _ = run("reference-check", instrument, "reference-b", fitted=fitted, fluid=fluid)
    certified = next(v for v in fluid.values if v.temperature == 25.0)
    assert c.validity == "valid"
    assert abs(c.value - certified.value_mpa_s) < c.uncertainty.expanded + certified.uncertainty_mpa_s


def test_a_temperature_that_does_not_come_fails_the_run(tmp_path):
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ('longest = "30 min"', 'longest = "2 min"'))
    c, bench = run(method, "bench-1", "clear-glaze", temperature=20.0)
    assert (c.outcome, c.value, c.faults, bench.motor) == ("failed", None, ("incomplete",), "not_moved")
    found = parameters(c.reasons, "temperature_not_in_band")
    assert (found["low"], found["high"], found["longest"]) == (24.8, 25.2, 120.0)


def test_a_thermometer_alone():
    c, bench = run("thermometer-log", "thermo-1")
    assert (c.outcome, c.validity, c.unit, bench.motor) == ("complete", "valid", "Cel", "not_moved")
    assert c.value == pytest.approx(25.0, abs=0.06)
    assert [r.at for r in c.steps] == ["every"] * 4 + ["end"]
