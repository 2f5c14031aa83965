"""The zero in the budget, which interval is published, and that a run gives the same one again."""

import math
from dataclasses import replace

import pytest

from daq.core.effects import AtRest
from daq.core.encoding import decode, encode
from daq.core.plan import Plan
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.intervals import JCGM_100, JCGM_101, TRIALS, stated_interval
from daq.methods.planning.compile import InstrumentHistory
from daq.rheology.uncertainty import Component, Distribution, from_limit
from tests.support.reference.rectangular_sums import half_width
from tests.support.runs.examples import S, example, facts, flat, kept, load_changed, plan_of
from tests.support.statements import codes, parameters

SUMMARIES = {"torque": flat(50.0), "speed": flat(30.0), "temperature": flat(25.0), "viscosity": flat(800.0, sd=0.001)}


def bench(tmp_path, *edits):
    return load_changed(tmp_path, "instruments/bench-1.toml", *edits)


def concluded(plan, *, zero=None, summaries=None, **more):
    made = facts([kept(summaries or SUMMARIES)], **more)
    if zero is not None:
        made = replace(made, at_rest=AtRest(S, 100, zero, 0.03))
    return conclude(plan, made)


def contribution(c, name):
    return next((x.contribution for x in c.uncertainty.components if x.name == name), None)


def test_a_zero_contained_in_the_torque_is_not_counted_twice():
    c = concluded(plan_of("clear-glaze-qc", "bench-1"), zero=0.2)
    assert contribution(c, "zero") is None
    assert parameters(c.uncertainty.left_out[-1:], "contained_in_torque") == {"component": "zero_and_its_drift"}
    assert c.conditions.torque_at_rest_percent == 0.2


@pytest.mark.parametrize("zero", [-4.9, -1.2, -1.0, -0.3, 0.0, 0.4, 1.0, 1.0001, 1.2, 4.9])
def test_a_zero_beyond_the_error_limit_counts_besides(zero):
    """The limit, 1 % of full scale, cannot contain it; an uncorrected known error counts as in the test below."""
    c = concluded(plan_of("clear-glaze-qc", "bench-1"), zero=zero)
    found = c.uncertainty.left_out[-1:]
    if abs(zero) <= 1.0:
        assert (contribution(c, "zero"), codes(found)) == (None, ["contained_in_torque"])
    else:
        assert contribution(c, "zero") == pytest.approx(abs(zero) / 50.0 * 800.0)
        assert parameters(found, "zero_beyond_torque_error") == {"zero": zero, "limit": 1.0}
        assert c.uncertainty.expanded > abs(zero) / 50.0 * 800.0


def test_a_zero_stated_for_itself_is_rectangular_up_to_its_limit(tmp_path):
    # 0.3 % of full scale at 50 % torque: 0.6 % of 800 = 4.8 mPa.s, /sqrt(3).
    limits = bench(tmp_path, ('# zero = "0.3 %"', 'zero = "0.3 %"'), ('includes = ["zero"]', "includes = []"))
    plan = plan_of("clear-glaze-qc", limits)
    assert contribution(concluded(plan, zero=0.1), "zero") == pytest.approx(4.8 / math.sqrt(3.0))
    assert contribution(concluded(plan), "zero") == pytest.approx(4.8 / math.sqrt(3.0))
    # The torque at rest is larger than the stated limit: it is used instead, and a caution says so.
    c = concluded(plan, zero=-0.5)
    assert contribution(c, "zero") == pytest.approx(8.0)
    assert parameters(c.uncertainty.left_out[-1:], "zero_beyond_limit") == {"zero": -0.5, "limit": 0.3}


def test_a_zero_nobody_states_is_taken_as_it_was_seen(tmp_path):
    """An uncorrected known error beside the others: u = |error| (Phillips, Eberhardt and Parry 1997)."""
    plan = plan_of("clear-glaze-qc", bench(tmp_path, ('includes = ["zero"]', "includes = []")))
    assert contribution(concluded(plan, zero=-0.2), "zero") == pytest.approx(0.2 / 50.0 * 800.0)
    c = concluded(plan)
    assert contribution(c, "zero") is None
    assert "zero_not_seen" in codes(c.uncertainty.left_out)


def test_the_drift_of_the_zero_since_the_run_before(tmp_path):
    # 0.05 % of full scale from run to run: 0.1 % of 800 = 0.8 mPa.s as a limit.
    instrument = bench(tmp_path, ('includes = ["zero"]', "includes = []"))
    plan = plan_of("clear-glaze-qc", instrument, history=InstrumentHistory(last_torque_at_rest=0.15))
    assert contribution(concluded(plan, zero=0.1), "zero drift") == pytest.approx(0.8 / math.sqrt(3.0))
    assert contribution(concluded(plan), "zero drift") is None


def test_the_drift_of_the_zero_to_a_rest_after_the_reading(tmp_path):
    """The method lets the motor rest at its end: that torque less the one before counts, not the run before."""
    rest = '\n[[steps]]\nname = "rest"\nsettle = "5 s"\nstop = "10 s"\nlongest = "1 min"\nkeep = [{ at = "end", span = "5 s" }]\n'
    method = load_changed(
        tmp_path, "methods/clear-glaze-qc.toml", ('claim = "at_time"\n\n', 'claim = "at_time"\nresult_step = "reading"\n\n'),
        ('span = "30 s"\nstatistic = "mean"\n', 'span = "30 s"\nstatistic = "mean"\n' + rest),
    )  # fmt: skip
    instrument = bench(tmp_path, ('includes = ["zero"]', "includes = []"))
    plan = plan_of(method, instrument, history=InstrumentHistory(last_torque_at_rest=0.9))
    at_rest = kept({"torque": flat(0.25), "speed": flat(0.0), "temperature": flat(25.0)}, step=1, t=80.0, span=5.0)
    made = facts([kept(SUMMARIES), at_rest], ended={0: (0.0, 60.0, "elapsed"), 1: (65.0, 80.0, "elapsed")})
    c = conclude(plan, replace(made, at_rest=AtRest(S, 100, 0.1, 0.03)))
    assert contribution(c, "zero drift") == pytest.approx(0.15 / 50.0 * 800.0 / math.sqrt(3.0))


def test_the_probe_that_is_looked_at_gives_the_limit_of_the_temperature(tmp_path):
    thermometer = load_changed(
        tmp_path, "instruments/thermo-1.toml", ('temperature = "0.05 K"', 'temperature = "0.2 K"')
    )
    gate = ("[conditioning.temperature]\n", '[conditioning.temperature]\nsignal = "external.temperature"\n')
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", gate)
    from tests.support.runs.examples import driver_for

    plan = plan_of(method, "bench-1", product="clear-glaze", companions=[(thermometer, driver_for(thermometer))])
    summaries = SUMMARIES | {"thermo-1.temperature": flat(25.0)}
    # 0.2 K times 4.3 % per K of 800 mPa.s, /sqrt(3).
    assert contribution(concluded(plan, summaries=summaries), "temperature") == pytest.approx(
        800.0 * 0.043 * 0.2 / math.sqrt(3.0)
    )


def test_where_limits_prevail_the_interval_is_that_of_the_distributions():
    """Exact distribution of the sum of the five rectangular terms (Irwin and Hall), without Monte Carlo."""
    c = concluded(plan_of("clear-glaze-qc", "bench-1", product="clear-glaze"))
    u = c.uncertainty
    half = [math.sqrt(3.0) * x.contribution for x in u.components if x.distribution == "rectangular"]
    exact = half_width(half)
    assert (u.method, u.trials) == (JCGM_101, TRIALS)
    assert u.expanded == pytest.approx(exact, rel=0.01)
    assert (u.low, u.high) == (800.0 - u.expanded, 800.0 + u.expanded)
    # The interval by JCGM 100 is in the budget, by name, and wider.
    u_c = math.sqrt(math.fsum(x.contribution**2 for x in u.components))
    assert u.k == pytest.approx(u.expanded / u_c)
    assert (u.compared.method, u.compared.expanded) == (JCGM_100, pytest.approx(1.959964 * u_c, rel=1e-4))
    assert exact < 0.95 * u.compared.expanded


def test_where_readings_prevail_it_is_the_value_and_k_times_its_uncertainty():
    u = concluded(
        plan_of("clear-glaze-qc", "bench-1"), summaries=SUMMARIES | {"viscosity": flat(800.0, n=20, sd=90.0)}
    ).uncertainty
    assert (u.method, u.trials, u.seed) == (JCGM_100, None, None)
    assert (u.low, u.high) == (800.0 - u.expanded, 800.0 + u.expanded)


@pytest.mark.parametrize("few", [flat(800.0, n=1), flat(800.0, n=4, sd=2.0), flat(800.0, n=300, sd=2.0, lag1=0.99)])
def test_too_few_independent_readings_give_no_interval_and_say_why(few):
    u = concluded(plan_of("clear-glaze-qc", "bench-1"), summaries=SUMMARIES | {"viscosity": few}).uncertainty
    assert (u.expanded, u.low, u.high, u.k, u.method, u.compared) == (None, None, None, None, "", None)
    assert codes(u.reasons) == ["too_few_effective_readings"]
    assert {x.name for x in u.components} == {"torque", "resolution", "geometry", "speed"}


def test_a_value_of_which_nothing_is_known_has_no_interval():
    for parts in ([], [from_limit("torque", 0.0), Component("scatter", 0.0)]):
        u = stated_interval(5.0, parts, (), unit="mPa.s")
        assert (u.expanded, u.low, u.high, codes(u.reasons)) == (None, None, None, ["no_contribution_known"])


@pytest.mark.parametrize("sd", [0.0, 0.1, 4.0])
def test_without_the_error_of_the_torque_there_is_no_interval(tmp_path, sd):
    """The scatter alone, or the geometry alone, would give an interval that does not hold the instrument's error."""
    bare = bench(tmp_path, ('torque = "1 %"', ""), ('includes = ["zero"]', "includes = []"))
    c = concluded(plan_of("clear-glaze-qc", bare), summaries=SUMMARIES | {"viscosity": flat(800.0, sd=sd)})
    assert (c.value, c.uncertainty.expanded, codes(c.uncertainty.reasons)) == (800.0, None, ["not_specified"])
    assert parameters(c.uncertainty.reasons, "not_specified") == {"component": "torque"}


def test_a_t_without_a_standard_deviation_is_not_propagated():
    # 11 readings worth 5.7: 2.26 degrees of freedom; 10 worth 5.2: 2.06; below 2 the t would have none (JCGM 101 6.4.9).
    parts = [from_limit("torque", 10.0), Component("scatter", 0.5, Distribution.STUDENT, 2.0)]
    assert stated_interval(5.0, parts, (), unit="mPa.s", seed=1).method == JCGM_100
    assert stated_interval(5.0, [parts[0], replace(parts[1], dof=2.1)], (), unit="mPa.s", seed=1).method == JCGM_101


def test_a_run_that_goes_on_is_not_propagated():
    assert concluded(plan_of("clear-glaze-qc", "bench-1"), outcome="").uncertainty.method == JCGM_100


def test_the_same_run_gives_the_same_interval_and_another_run_another():
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    first = concluded(plan).uncertainty
    again = concluded(decode(Plan, encode(plan, exact=True), exact=True)).uncertainty
    assert (again.low, again.high, again.seed) == (first.low, first.high, first.seed)
    other = conclude(plan, replace(facts([kept(SUMMARIES)]), began=5)).uncertainty
    assert other.seed != first.seed
    assert other.low != first.low
    assert other.low == pytest.approx(first.low, rel=1e-3)


def test_a_thermometer_with_a_stated_error_limit():
    # 0.05 K rectangular alone: 95 % of it, not 1.96/sqrt(3) = 113 %.
    summaries = {"temperature": flat(25.0, sd=1e-6)}
    c = conclude(plan_of("thermometer-log", "thermo-1"), facts([kept(summaries)]))
    u = c.uncertainty
    assert u.compared.expanded == pytest.approx(0.05 * 1.959964 / math.sqrt(3.0), rel=1e-4)
    assert u.expanded == pytest.approx(0.0475, rel=0.005)
    assert example("instruments/thermo-1.toml").specification.temperature == 0.05
