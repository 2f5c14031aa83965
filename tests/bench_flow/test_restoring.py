"""The work at a bench after a restart of the daemon: nothing goes on by itself."""

from dataclasses import replace
from typing import get_args

import pytest
from pydantic import ValidationError

from daq.adapters.paths import examples_dir
from daq.app.laboratory.bench.naming import times_of
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.bench.bath import HANDLING_S, USUAL_CYCLE_S, Next, cycle_s, enters_now
from daq.laboratory.bench.bench_events import Begin, Pressed, Text, Tick
from daq.laboratory.bench.benchstate import FILLED, BenchState, Cup, Stage
from daq.laboratory.bench.checklists import Age, stirring_left
from daq.laboratory.bench.flow import present_list, step
from daq.laboratory.bench.restoring import restored
from daq.methods.files.conditioning import Preparation
from daq.methods.files.digest import canonical
from tests.bench_flow.flows import FACTS, SLOW, in_stage, later, outcome, walked

STAGES = get_args(Stage)


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("unclean", [False, True])
@pytest.mark.parametrize("newest", [None, outcome("run-1"), outcome("run-9")])
def test_a_restored_bench_starts_nothing_as_time_passes(stage, unclean, newest):
    stored = BenchState.model_validate(in_stage(stage).model_dump(mode="json"), strict=False)
    state = restored(stored, newest, unclean=unclean)
    assert state.stage not in ("resting", "starting", "running")
    for seconds in (0, 1000, 10_000):
        done = step(state, Tick(), later(FACTS, seconds))
        assert done.acts == ()
        state = done.state


@pytest.mark.parametrize("stage", STAGES)
def test_after_a_power_failure_fills_are_named_and_warm_up_zero_and_geometry_are_due(stage):
    stored = in_stage(stage).model_copy(update={"cups": (Cup(sample="G-99", since_utc_ns=1),)})
    state = restored(stored, outcome("run-1"), unclean=True)
    assert state.stage == "discarding"
    assert "G-99" in state.discard
    assert ("G-1042" in state.discard) == (stage in (*FILLED, "damaging"))
    state = walked(Pressed("confirm"), state=state).state
    assert (state.stage, state.discard, state.cups) == ("zeroing", (), ())
    opened = walked(Pressed("confirm"), Pressed("confirm"), state=state).state
    assert [i.code for i in opened.opened] == ["warm_up", "level", "motor_still", "zero", "geometry_fitted"]
    assert (opened.stage, opened.warm_up) == ("choosing", False)


@pytest.mark.parametrize("stage", STAGES)
def test_after_a_power_failure_the_fill_of_a_run_that_was_started_elsewhere_is_named(stage):
    stored = in_stage(stage)
    state = restored(stored, outcome("run-9"), unclean=True, unfinished="G-77")
    assert "G-77" in state.discard
    assert state.stage == "discarding"
    assert "G-77" not in restored(stored, outcome("run-9"), unclean=False, unfinished="G-77").discard


def test_a_second_power_failure_keeps_the_fills_of_the_first():
    once = restored(in_stage("running"), outcome("run-1"), unclean=True)
    assert restored(once, None, unclean=True).discard == ("G-1042",)


def test_after_a_regular_restart_an_ended_run_shows_its_verdict():
    for stage in ("starting", "running"):
        state = restored(in_stage(stage), outcome("run-1"), unclean=False)
        assert (state.stage, state.outcome.run) == ("verdict", "run-1")
    assert restored(in_stage("running"), outcome("run-2"), unclean=False).stage == "checking"
    assert restored(in_stage("resting"), None, unclean=False).stage == "checking"
    kept = in_stage("repeating")
    assert restored(kept, None, unclean=False) == kept


@pytest.mark.parametrize("stage", ["checking", "resting"])
def test_after_a_restart_the_stirring_is_counted_anew_and_an_earlier_key_confirms_no_temperature(stage):
    opened = walked(Text("G-1042", SLOW), state=in_stage("choosing")).state
    before = opened if stage == "checking" else walked((Pressed("confirm"), later(FACTS, 61.0)), state=opened).state
    assert before.stage == stage
    stored = BenchState.model_validate(before.model_dump(mode="json"), strict=False)
    # A new process counts its times from another origin; the key of the thermometer was pressed 30 s before.
    facts = later(replace(FACTS, mono_ns=10**9), 0.0, temperature_age=Age(30.0, 600.0, is_keyed=True))
    state = step(restored(stored, None, unclean=False), Tick(), facts).state
    left, met = [], []
    for seconds in (0.0, 20.0, 59.0, 60.0):
        # The same key, older by the time that has passed.
        at = later(facts, seconds, temperature_age=Age(30.0 + seconds, 600.0, is_keyed=True))
        state = step(state, Tick(), at).state
        left.append(stirring_left(state, at))
        met.append(next(i.met for i in present_list(state, at) if i.code == "at_temperature"))
    assert left == [60.0, 40.0, 1.0, 0.0]
    assert met == [False] * 4
    assert next(i.met for i in present_list(state, at) if i.code == "stirred")


def test_no_stage_begins_a_run_from_its_restored_state_with_one_key_but_checking():
    for stage in STAGES:
        for unclean in (False, True):
            state = restored(in_stage(stage), None, unclean=unclean)
            done = step(state, Pressed("confirm"), FACTS)
            assert not any(isinstance(a, Begin) for a in done.acts) or (state.stage == "checking" and not unclean)


def test_cups_enter_the_bath_when_their_turn_is_nearer_than_their_time_in_it():
    listed = [Next("A", 1800), Next("B", 1800), Next("C", 1800), Next("D", 1800), Next("E", 0)]
    assert enters_now(listed, 600.0) == ("A", "B", "C", "D")
    assert enters_now(listed, 600.0, left_s=1.0) == ("A", "B", "C")
    assert enters_now(listed, 1800.1) == ("A",)
    assert enters_now([Next("A", 1800, in_bath=True), Next("B", 60)], 61.0) == ()
    assert cycle_s([]) == USUAL_CYCLE_S
    assert cycle_s([100.0, 300.0, 200.0]) == 200.0 + HANDLING_S


def test_times_come_from_the_method_and_the_time_in_the_bath_from_the_product_first():
    catalogue = Catalogue.load(examples_dir())
    method, product = catalogue.method("clear-glaze-qc"), catalogue.product("clear-glaze")
    assert times_of(method, product) == (0.0, 0.0, 0.0)
    given = Preparation.model_validate({"equilibrating": "30 min", "stirring": "60 s", "rest": "5 min"})
    timed = method.model_copy(update={"preparation": given})
    assert times_of(timed, product) == (60.0, 300.0, 1800.0)
    assert times_of(timed, product.model_copy(update={"equilibrating": 10**12})) == (60.0, 300.0, 1000.0)
    # A method without the table has the digest that it had before there was one.
    assert "preparation" not in canonical(method)
    with pytest.raises(ValidationError, match="must be longer than zero"):
        Preparation.model_validate({"rest": "0 s"})
