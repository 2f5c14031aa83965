"""The work at a bench as a state machine: random events, scans, the keys of a sample, and the shift's checks."""

import itertools
from typing import get_args

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from daq.laboratory.bench.bench_events import (
    Began,
    Begin,
    Ended,
    HandedOver,
    KeepAfter,
    NoteRun,
    Pressed,
    Refused,
    Stop,
    TakeOut,
    Text,
    Tick,
)
from daq.laboratory.bench.benchstate import BenchState, Stage
from daq.laboratory.bench.checklists import SHIFT_NS, Age, hindrance, items_before
from daq.laboratory.bench.flow import ASKS, LISTED, OFFERED, present_list, step
from tests.bench_flow.flows import FACTS, NAMED, SLOW, changing, in_stage, later, outcome, ready, texts, timed, walked

STAGES = get_args(Stage)


def codes(items):
    return {item.code for item in items}


@pytest.mark.parametrize("count", [8, pytest.param(500, marks=pytest.mark.slow)])
def test_no_run_starts_without_an_id_and_a_confirmed_checklist(count):
    started, states = [], [BenchState(id="bench-1"), *map(in_stage, STAGES)]

    @seed(20261129)
    @settings(max_examples=count, deadline=None, database=None)
    @given(st.sampled_from(states), st.lists(st.tuples(timed, changing), min_size=15, max_size=60))
    def random_shift(state, steps):
        started.append(starts_of(state, steps))

    random_shift()
    assert sum(started) > count / 20


def starts_of(state, steps):
    """Take events, hold every start against the events before it, and return the number of starts."""
    facts, started = FACTS, 0
    named = state.named
    confirmed = named if state.stage == "resting" else None
    for (event, seconds), changed in steps:
        facts = later(facts, seconds, **changed)
        before, done = state, step(state, event, facts)
        state = done.state
        if isinstance(event, Text) and before.stage in ("choosing", "zeroing") and state.stage == "checking":
            named, confirmed = event.named, None
        if isinstance(event, Pressed) and event.command == "confirm" and before.stage == "checking":
            confirmed = before.named
        for act in done.acts:
            if isinstance(act, Begin):
                started += 1
                assert isinstance(event, Pressed | Tick)
                assert named is not None
                assert act.named.sample == named.sample
                assert confirmed is not None
                assert confirmed.sample == act.named.sample
                assert set(items_before(act.named, facts)) <= codes(act.before)
                assert not hindrance(act.before)
                if act.named.resting_s and act.named.filling != "same":
                    assert "rested" in codes(act.before)
                assert codes(act.opening) >= {"zero", "geometry_fitted"}
            if isinstance(act, Stop):
                assert before.stage in ("running", "starting")
        if state.stage == "choosing":
            assert state.opened_utc_ns
            assert 0 <= facts.utc_ns - state.opened_utc_ns < SHIFT_NS
    return started


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_offers_commands_and_takes_no_others(stage):
    state = in_stage(stage)
    for command in {c for offered in OFFERED.values() for c in offered} - set(OFFERED[stage]):
        done = step(state, Pressed(command), FACTS)
        assert (done.state, done.acts) == (state, ())


@pytest.mark.parametrize("stage", LISTED)
def test_no_list_is_worked_through_while_a_run_that_was_started_elsewhere_turns_the_rotor(stage):
    """By any order of confirmations and skipped items, with any reading of the speed; afterwards the list goes on."""
    for still in (True, False, None):
        facts = later(FACTS, 1, active_run="run-9", motor_still=still)
        for presses in itertools.product(("confirm", "skip"), repeat=5):
            done = walked(*map(Pressed, presses), state=in_stage(stage), facts=facts)
            assert (done.state, done.acts, done.message.code) == (in_stage(stage), (), "run_elsewhere")
        assert step(in_stage(stage), Pressed("confirm"), later(FACTS, 1)).state.stage != stage


@pytest.mark.parametrize("count", [6, pytest.param(1000, marks=pytest.mark.slow)])
@pytest.mark.parametrize("stage", STAGES)
def test_a_thousand_scans_start_stop_and_confirm_nothing(stage, count):
    state = in_stage(stage)
    kept = {"draft", "stage", "named", "cups", "run", "outcome"}

    @seed(20261129)
    @settings(max_examples=count, deadline=None, database=None)
    @given(texts)
    def scanned(text):
        done = step(state, text, FACTS)
        assert done.acts == ()
        after, before = done.state.model_dump(exclude=kept), state.model_dump(exclude=kept)
        assert after == before
        if ASKS.get(stage) == "cup":
            assert (done.state.named, done.state.run) == (state.named, state.run)
            assert done.state.stage == ("choosing" if stage == "bathing" and done.state.cups != state.cups else stage)
        elif ASKS.get(stage) != "sample":
            assert (done.state.stage, done.state.named, done.state.cups) == (state.stage, state.named, state.cups)
        elif done.state.stage != stage:
            assert text.named is not None
            assert (stage, done.state.stage) == ("choosing", "checking")

    scanned()


def test_a_sample_needs_its_id_and_two_keys():
    state, keys = ready(), 0
    for number in range(50):
        texted = step(state, Text("G-1042", NAMED), FACTS)
        started = step(texted.state, Pressed("confirm"), FACTS)
        keys += 1
        assert [type(a) for a in started.acts] == [Begin]
        run = f"run-{number}"
        state = walked(Began(run), Ended(outcome(run)), state=started.state).state
        assert state.stage == "verdict"
        done = step(state, Pressed("next"), FACTS)
        keys += 1
        assert [type(a) for a in done.acts] == [KeepAfter]
        assert [item.how for item in done.acts[0].after] == ["together"] * 3
        state = done.state
        assert state.stage == "choosing"
    assert keys == 2 * 50


def test_the_daemon_confirms_what_it_measures_and_one_key_the_rest():
    done = walked(Text("G-1042", NAMED), Pressed("confirm"), state=ready())
    (begin,) = done.acts
    assert {i.code: i.how for i in begin.before} == {
        "clean": "together", "immersed": "together", "no_bubbles": "together", "probe": "together",
        "at_temperature": "measured", "cautions": "together", "motor_still": "measured",
    }  # fmt: skip
    assert {i.code: i.how for i in begin.opening} == {
        "level": "together", "motor_still": "measured", "zero": "measured", "geometry_fitted": "together",
    }  # fmt: skip


def test_a_zero_that_is_off_and_a_turning_motor_are_not_confirmed():
    state = BenchState(id="bench-1")
    for wrong, code in (({"torque": 0.6}, "zero"), ({"torque": -0.6}, "zero"), ({"motor_still": False}, "motor_still")):
        done = step(state, Pressed("confirm"), later(FACTS, 0, **wrong))
        assert (done.state.stage, done.message.code) == ("zeroing", f"not_met_{code}")
    checking = in_stage("checking")
    done = step(checking, Pressed("confirm"), later(FACTS, 0, motor_still=False))
    assert (done.acts, done.message.code) == ((), "not_met_motor_still")


@given(age=st.floats(0, 2000), list_s=st.floats(0, 2000), longest=st.sampled_from([5.0, 600.0]), is_keyed=st.booleans())
@settings(max_examples=100, deadline=None, database=None, derandomize=True)
def test_a_reading_that_is_too_old_or_of_the_sample_before_confirms_no_temperature(age, list_s, longest, is_keyed):
    state = step(ready(), Text("G-1042", NAMED), FACTS).state
    read = Age(age, longest, is_keyed=is_keyed)
    facts = later(FACTS, list_s, temperature_age=read, torque_age=read)
    (item,) = [i for i in present_list(state, facts) if i.code == "at_temperature"]
    counts = age <= longest and (not is_keyed or age <= (facts.mono_ns - FACTS.mono_ns) / 1e9)
    assert (item.how, item.met, item.value) == ("measured", counts, 25.0 if counts else None)
    assert (item.age_s, item.longest_s) == (int(age), longest)
    (begin,) = step(state, Pressed("confirm"), facts).acts  # the run itself waits for a reading of its own
    assert [i for i in begin.before if i.code == "at_temperature"] == [item]
    zero = [i for i in present_list(in_stage("zeroing"), facts) if i.code == "zero"]
    assert [(i.met, i.value) for i in zero] == [(age <= longest, 0.1 if age <= longest else None)]


def test_a_skipped_item_is_recorded_as_skipped_and_the_rest_together():
    state = in_stage("checking")
    for _ in range(2):
        state = step(state, Pressed("skip"), FACTS).state
    (begin,) = step(state, Pressed("confirm"), FACTS).acts
    assert [i.code for i in begin.before if i.how == "skipped"] == ["clean", "immersed"]
    assert all(i.how != "skipped" for i in begin.before[2:])


def test_stirring_and_rest_are_counted():
    state = walked(Text("G-1042", SLOW), state=ready()).state
    early = step(state, Pressed("confirm"), later(FACTS, 59.0))
    assert (early.state.stage, early.message.code) == ("checking", "not_met_stirred")
    rests = step(state, Pressed("confirm"), later(FACTS, 60.0))
    assert (rests.state.stage, rests.acts) == ("resting", ())
    assert step(rests.state, Tick(), later(FACTS, 359.0)).acts == ()
    (begin,) = step(rests.state, Tick(), later(FACTS, 360.0)).acts
    assert [i.how for i in begin.before if i.code in ("stirred", "rested")] == ["counted", "counted"]


def test_level_and_zero_are_due_once_a_shift_and_the_zero_after_another_geometry():
    state = ready()
    tomorrow = later(FACTS, SHIFT_NS / 1e9)
    assert step(state, Tick(), later(FACTS, SHIFT_NS / 1e9 - 1)).state.stage == "choosing"
    assert step(state, Tick(), later(FACTS, -30.0)).state.stage == "choosing"  # a clock that was set back
    assert step(state, Tick(), tomorrow).state.stage == "zeroing"
    assert step(state, Text("G-1042", NAMED), tomorrow).state.stage == "zeroing"
    refitted = later(FACTS, 60, fitted_revision=2)
    state = step(state, Tick(), refitted).state
    assert state.stage == "zeroing"
    done = step(state, Pressed("confirm"), refitted)
    assert codes(done.state.opened) == {"motor_still", "zero"}
    assert step(ready(), HandedOver(), FACTS).state.stage == "zeroing"


def test_the_next_fill_needs_rotor_and_cup_confirmed_clean():
    clean = later(FACTS, 1, newest_run="run-1")
    judged = in_stage("verdict")
    for command, how in (("next", "earlier"), ("skip", "together")):
        state = walked(Pressed(command), Text("G-7", NAMED), state=judged, facts=clean).state
        (begin,) = step(state, Pressed("confirm"), clean).acts
        assert next(i.how for i in begin.before if i.code == "clean") == how
    # A run without the flow has dirtied rotor and cup.
    other = later(FACTS, 1, newest_run="run-9")
    state = walked(Pressed("next"), Text("G-7", NAMED), state=judged, facts=other).state
    (begin,) = step(state, Pressed("confirm"), other).acts
    assert next(i.how for i in begin.before if i.code == "clean") == "together"


def test_a_repeat_after_a_valid_outside_waits_for_a_cause():
    waiting = in_stage("waiting")
    assert [(a.sample, a.run) for a in waiting.awaited] == [("G-1042", "run-1")]
    assert step(waiting, Pressed("confirm"), FACTS).state == waiting
    assert step(waiting, Tick(), FACTS).state == waiting
    assigned = later(FACTS, 1, cause="lump in the cup")
    state = step(waiting, Tick(), assigned).state
    assert (state.stage, state.draft) == ("repeating", "lump in the cup")
    done = walked(Pressed("confirm"), Pressed("confirm"), state=state, facts=assigned)
    (begin,) = done.acts
    assert begin.reopens
    assert (begin.named.repeat_of, begin.named.reason, begin.named.filling) == ("run-1", "lump in the cup", "fresh")
    assert done.state.awaited == ()


def test_a_repeat_needs_a_reason_and_a_replicate_of_the_product_none():
    judged = in_stage("verdict")
    state = step(judged, Pressed("same"), FACTS).state
    assert step(state, Pressed("confirm"), FACTS).message.code == "reason_needed"
    state = walked(Text("torque was unsteady"), Pressed("confirm"), state=state).state
    assert (state.stage, state.named.filling, state.named.reason) == ("checking", "same", "torque was unsteady")
    (begin,) = step(state, Pressed("confirm"), FACTS).acts
    assert begin.reopens
    assert {"fill_unchanged"} <= codes(begin.before)
    assert "clean" not in codes(begin.before)
    more = judged.model_copy(update={"outcome": outcome(repeat="replicate")})
    state = step(more, Pressed("fresh"), FACTS).state
    assert state.stage == "checking"
    (begin,) = step(state, Pressed("confirm"), FACTS).acts
    assert not begin.reopens
    assert step(more, Pressed("same"), FACTS).state.stage == "repeating"


def test_a_remark_is_stored_and_a_damage_ends_the_use_of_the_geometry():
    done = walked(Pressed("remark"), Text("a lump"), Pressed("confirm"), state=in_stage("verdict"))
    assert done.acts == (NoteRun("run-1", "a lump"),)
    done = walked(Pressed("damage"), Text("a dent"), Pressed("confirm"), state=in_stage("verdict"))
    assert done.acts == (TakeOut("coaxial-12", "S-12", "a dent"),)
    assert walked(Pressed("damage"), Pressed("confirm"), state=in_stage("verdict")).message.code == "damage_needed"
    damaged = later(FACTS, 0, out_of_service="coaxial-12 is damaged")
    done = step(in_stage("checking"), Pressed("confirm"), damaged)
    assert (done.acts, done.message.code) == ((), "out_of_service")


def test_a_stop_while_the_run_is_being_started_stops_it_at_its_start():
    state = step(in_stage("starting"), Pressed("stop"), FACTS).state
    assert step(state, Began("run-1"), FACTS).acts == (Stop(),)
    assert step(in_stage("running"), Pressed("stop"), FACTS).acts == (Stop(),)
    assert step(in_stage("resting"), Pressed("stop"), FACTS).state.stage == "checking"


def test_cups_enter_the_bath_by_a_scan_during_a_run():
    cup = NAMED.model_copy(update={"sample": "G-7"})
    state = walked(Text("G-7", cup), Text("G-1042", NAMED), state=in_stage("running")).state
    assert (state.stage, [c.sample for c in state.cups]) == ("running", ["G-7"])
    state = walked(Ended(outcome()), Pressed("next"), Text("G-7", cup), Pressed("confirm"), state=state).state
    assert state.cups == ()


def test_a_refused_start_keeps_the_sample():
    done = step(in_stage("starting"), Refused("bench-1 is in a run already"), FACTS)
    assert (done.state.stage, done.state.named.sample) == ("checking", "G-1042")
    assert done.message.values == {"reason": "bench-1 is in a run already"}
