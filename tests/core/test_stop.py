"""Stop rules end a step at the first reading or tick that meets them, and record the rule and its value."""

import pytest

from daq.core.extent import Extent
from daq.core.plan import Keep, Rule
from tests.support.runs.scripts import NONE, Script, after, elapsed, plan_of, seconds, step, turns


def script(stop: Rule, *keep: Keep, speed=None, **more) -> Script:
    made = Script(plan_of(step(stop, *keep, speed=speed), **more))
    return made.begin() if speed is None else made.to_measuring(speed=speed)


def ended(run: Script) -> tuple[str, float, float | None]:
    (found,) = run.ended
    return found.rule, after(found.t), found.value


def above(signal, low, **more):
    return Rule("above", more.pop("name", f"{signal} above"), signal, low=low, **more)


def below(signal, high, **more):
    return Rule("below", more.pop("name", f"{signal} below"), signal, high=high, **more)


# ---- each leaf


@pytest.mark.parametrize(
    ("rule", "values", "met_at", "value"),
    [
        (above("torque", 60.0), [50, 59.99, 60.0, 70], 0.3, 60.0),
        (below("torque", 40.0), [50, 40.01, 40.0, 30], 0.3, 40.0),
        (Rule("between", "in", "torque", low=40.0, high=45.0), [50, 39.9, 45.1, 45.0], 0.4, 45.0),
        (above("stress", 120.0), [50, 59, 60], 0.3, 120.0),
        (above("readings", 3), [50, 50, 50, 50], 0.3, 3.0),
        (above("viscosity", 20000.0), [50, 70], None, None),  # 1000 * 2 * 50 / (0.5 * 12) = 16667; 23333 at 70
    ],
)
def test_a_leaf_fires_at_the_first_reading_that_meets_it(rule, values, met_at, value):
    run = script(rule)
    for i, v in enumerate(values):
        run.reading((i + 1) / 10, float(v))
    if met_at is None:
        assert ended(run)[:2] == (rule.name, 0.2)
        assert ended(run)[2] == pytest.approx(1000 * 2 * 70 / 6)
    else:
        assert ended(run) == (rule.name, met_at, value)


def test_temperature_of_the_lead_and_of_a_companion():
    run = script(above("temperature", 26.0))
    run.reading(0.1, temperature=25.9)
    run.reading(0.2, temperature=26.0)
    assert ended(run) == ("temperature above", 0.2, 26.0)
    other = script(below("probe.temperature", 20.0), companions=("probe",))
    other.reading(0.1, temperature=10.0)
    other.probe(0.3, b"20.1")
    assert other.state == "measuring"
    other.probe(1.3, b"20.0")
    assert ended(other) == ("probe.temperature below", 1.3, 20.0)


# ---- elapsed: by time alone, independent of the readings


@pytest.mark.parametrize("limit", [0.5, 1.0, 17.4, 17.400000000000002, 2.3 * 60, 60.0000000004, 1 / 3])
def test_elapsed_fires_on_the_nanosecond_between_readings(limit):
    run = script(elapsed(limit))
    t = 0.0
    while run.state == "measuring":
        t += 0.77
        run.reading(t)
    assert run.ended[0].t == run.ns(0) + round(limit * 1e9)


def test_elapsed_fires_though_a_reading_comes_at_its_very_nanosecond():
    run = script(elapsed(1.0))
    run.reading(0.5)
    run.reading(1.0)
    assert run.state == "measuring"  # readings of that instant may still come
    run.reading(1.0)
    run.tick()
    assert ended(run) == ("elapsed 1", 1.0, 1.0)
    assert run.ended[0].readings == 3


def test_elapsed_fires_though_a_companion_reads_at_its_very_nanosecond():
    run = script(elapsed(1.0), companions=("probe",))
    run.probe(1.0)
    run.tick()
    assert ended(run)[1] == 1.0


def test_a_late_tick_or_reading_changes_nothing():
    for late in ("tick", "reading", "probe"):
        run = script(elapsed(1.0), companions=("probe",))
        getattr(run, late)(1.7)
        assert ended(run) == ("elapsed 1", 1.0, 1.0)


def test_a_step_as_long_as_its_longest_is_complete_when_its_rule_is_met_then():
    run = Script(plan_of(step(elapsed(2.0), longest=2.0), companions=("probe",))).begin()
    run.probe(2.0)
    run.tick()
    assert run.facts.outcome == "complete"


def test_a_step_that_no_rule_ends_fails_at_its_longest():
    run = Script(plan_of(step(above("torque", 99.0), longest=2.0))).begin()
    run.readings(0, 1.9)
    run.tick()
    assert (run.facts.outcome, after(run.facts.now)) == ("failed", 2.0)
    assert run.ended == []


# ---- after


def test_after_in_seconds_keeps_start_up_from_firing():
    run = script(above("torque", 60.0, after=seconds(1.0)))
    for i in range(1, 20):
        run.reading(i / 10, 80.0 if i < 5 or i >= 12 else 50.0)
    assert ended(run) == ("torque above", 1.2, 80.0)
    edge = script(above("torque", 60.0, after=seconds(1.0)))
    edge.reading(0.999999999, 80.0)
    assert edge.state == "measuring"
    edge.reading(1.0, 80.0)
    assert ended(edge)[1] == 1.0


def test_after_in_revolutions():
    # 30 /min is half a revolution a second.
    run = script(above("torque", 60.0, after=turns(1.0)), speed=30.0)
    run.readings(0, 3, 0.5, torque=80.0, speed=30.0)
    assert ended(run)[1] == 2.0


def test_elapsed_with_after_in_seconds_and_in_revolutions():
    run = script(elapsed(1.0, after=seconds(2.5)))
    run.tick()
    assert ended(run) == ("elapsed 1", 2.5, 2.5)
    by_turns = script(elapsed(1.0, after=turns(1.0)), speed=30.0)
    by_turns.readings(0, 3, 0.5, speed=30.0)
    assert ended(by_turns)[1] == 2.0
    between = script(elapsed(1.0, after=turns(1.0)), speed=30.0)
    between.readings(0, 3.2, 0.4, speed=30.0)  # due at 1.0 s, but not met before the turn is over
    assert ended(between)[1] == 2.0


# ---- hold


def test_hold_needs_the_condition_without_a_break():
    run = script(above("torque", 60.0, hold=seconds(0.3)))
    for i, v in enumerate([70, 70, 50, 70, 70, 70, 70, 70]):
        run.reading((i + 1) / 10, float(v))
    # From 0.4 s on; 0.3 s later is 0.7 s.
    assert ended(run) == ("torque above", 0.7, 70.0)


@pytest.mark.parametrize(
    "null",
    [
        lambda run, t: run.reading(t, None, 12.0, 25.0, "torque=saturated"),
        lambda run, t: run.reading(t, float("nan")),
        lambda run, t: run.reading(t, 111.0),
        lambda run, t: run.line(t, b"r - 12.0 25.0"),
    ],
    ids=["flagged", "nan", "beyond the stop", "missing"],
)
def test_a_null_resets_a_hold(null):
    run = script(above("torque", 60.0, hold=seconds(0.3)))
    run.reading(0.1, 70.0)
    run.reading(0.2, 70.0)
    null(run, 0.3)
    for i in range(4, 8):
        run.reading(i / 10, 70.0)
    assert ended(run)[1] == 0.7


def test_silence_resets_a_hold():
    run = script(above("torque", 60.0, hold=seconds(5.0)))
    run.reading(0.1, 70.0)
    run.tick()  # silent after 3 s
    assert "silent" in run.notes
    run.readings(4.0, 9.0, 0.5, torque=70.0)
    assert run.state == "measuring"
    run.reading(9.5, 70.0)
    assert ended(run)[1] == 9.5


def test_silence_of_a_companion_resets_its_hold():
    run = script(above("probe.temperature", 24.0, hold=seconds(8.0)), companions=("probe",))
    for t in (1.0, 2.0):
        run.reading(t)
        run.probe(t)
    for t in (4.0, 6.0, 7.5):  # the probe is silent from 7 s on
        run.reading(t)
    run.probe(8.0)
    run.reading(10.0)
    run.probe(12.0)
    assert run.state == "measuring"
    run.reading(12.5)
    run.probe(16.0)
    assert ended(run)[1] == 16.0


def test_hold_in_revolutions():
    run = script(above("torque", 60.0, hold=turns(1.0)), speed=30.0)
    run.reading(0.5, 50.0, 30.0)
    run.readings(0.5, 4.0, 0.5, torque=70.0, speed=30.0)
    assert ended(run)[1] == 3.0


def test_elapsed_with_hold_is_met_by_time_alone():
    run = script(elapsed(1.0, hold=seconds(0.5)))
    run.tick()
    run.tick()
    assert ended(run) == ("elapsed 1", 1.5, 1.5)


def test_hold_on_a_reading_that_comes_at_the_held_time_exactly():
    run = script(above("torque", 60.0, hold=seconds(1.0)))
    run.reading(0.5, 70.0)
    run.reading(1.499999999, 70.0)
    assert run.state == "measuring"
    run.reading(1.5, 70.0)
    assert ended(run)[1] == 1.5


# ---- revolutions


def test_revolutions_are_the_trapezium_of_the_confirmed_speed():
    # From 30 to 60 /min in 2 s: 1.5 revolutions; then 60 /min: one a second.
    run = script(above("revolutions", 2.4), speed=30.0)
    run.reading(2.0, 50.0, 60.0)
    run.reading(2.8, 50.0, 60.0)
    assert run.state == "measuring"
    run.reading(3.0, 50.0, 60.0)
    name, t, value = ended(run)
    assert (name, t) == ("revolutions above", 3.0)
    assert value == pytest.approx(2.5, rel=1e-15)
    assert run.ended[0].revolutions == value


def test_a_stall_an_unknown_speed_and_silence_count_no_turns():
    run = script(above("revolutions", 99.0), speed=30.0)
    run.reading(2.0, 50.0, 30.0)
    assert run.pipeline.life.meter.clock.revolutions == 1.0
    run.reading(2.5, None, None, 25.0, "torque=blocked", "speed=blocked")
    run.reading(3.0, 50.0, 30.0)
    assert run.pipeline.life.meter.clock.revolutions == 1.0
    run.reading(4.0, 50.0, float("nan"))
    run.reading(5.0, 50.0, 30.0)
    assert run.pipeline.life.meter.clock.revolutions == 1.0
    run.reading(8.0, 50.0, 30.0)  # 3 s without a reading is silence
    assert run.pipeline.life.meter.clock.revolutions == 1.0
    run.reading(10.0, 50.0, -30.0)  # backwards is turning too
    assert run.pipeline.life.meter.clock.revolutions == 2.0


# ---- any, all, ties


def any_of(*rules):
    return Rule("any", "any of them", rules=rules)


def all_of(*rules):
    return Rule("all", "all of them", rules=rules)


def test_any_is_met_by_the_first_and_ties_break_in_the_methods_order():
    first, second = above("torque", 60.0, name="a"), above("stress", 120.0, name="b")
    for rules in ((first, second), (second, first)):
        run = script(any_of(*rules))
        run.reading(0.1, 59.0)
        run.reading(0.2, 61.0)
        assert ended(run)[:2] == (rules[0].name, 0.2)


def test_any_of_time_and_a_reading_at_the_same_instant_is_the_reading():
    # An action due at the time of a reading comes after the reading.
    run = script(any_of(elapsed(1.0), above("torque", 60.0)))
    run.reading(1.0, 70.0)
    assert ended(run)[:2] == ("torque above", 1.0)


def test_all_names_the_leaf_that_came_last():
    run = script(all_of(elapsed(1.0), below("torque", 40.0)))
    run.reading(0.5, 30.0)
    run.tick()
    assert ended(run) == ("elapsed 1", 1.0, 1.0)
    run = script(all_of(elapsed(1.0), below("torque", 40.0)))
    run.tick()
    assert run.state == "measuring"
    run.reading(1.5, 39.0)
    assert ended(run) == ("torque below", 1.5, 39.0)


def test_all_needs_them_at_the_same_time():
    run = script(all_of(above("torque", 60.0), below("temperature", 20.0)))
    run.reading(0.1, 70.0, temperature=25.0)
    run.reading(0.2, 50.0, temperature=15.0)
    assert run.state == "measuring"
    run.reading(0.3, 70.0, temperature=15.0)
    assert ended(run)[:2] == ("torque above", 0.3)


def test_nested_rules():
    rule = any_of(
        all_of(above("torque", 60.0, name="a"), above("temperature", 30.0, name="b")), above("readings", 5, name="c")
    )
    run = script(rule)
    run.readings(0, 0.4, torque=70.0)
    assert run.state == "measuring"
    run.reading(0.5, 70.0, temperature=31.0)
    assert ended(run)[0] == "b"


def test_a_rule_met_by_the_first_reading_of_a_chunk_ends_the_step_before_the_second():
    run = script(above("torque", 60.0), Keep("end", "mean", seconds(5)))
    run.line(0.1, b"r 61.0 12.0 25.0\nr 99.0 12.0 25.0")
    assert ended(run) == ("torque above", 0.1, 61.0)
    assert run.ended[0].readings == 1
    assert run.kept[0].summaries["torque"].maximum == 61.0


def test_a_rule_on_a_signal_that_never_changes_never_ends_the_step():
    run = script(above("revolutions", 1.0), speed=30.0)
    run.readings(0, 5, 1.0, speed=0.0)
    assert run.state == "measuring"
    assert run.pipeline.life.meter.clock.revolutions == pytest.approx(0.25)  # the ramp down from 30 in the first second


def test_the_default_extent_is_none():
    assert Extent(0, 0.0) == NONE


def test_a_limit_of_no_time_at_all_is_met_at_once():
    run = script(elapsed(0.0))
    run.tick()
    assert ended(run) == ("elapsed 0", 0.0, 0.0)


def test_how_near_a_rule_is_for_a_screen():
    run = script(any_of(elapsed(10.0), above("torque", 80.0), below("temperature", 20.0)))
    run.reading(4.0, 40.0, temperature=25.0)
    near = {r.signal: round(r.near, 3) for r in run.pipeline.progress(run.ns(5.0))}
    assert near == {"elapsed": 0.5, "torque": 0.5, "temperature": 0.8}
