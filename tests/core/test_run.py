"""State machine of a run: every transition of the table is reached and no other; the end of the motor is recorded."""

import pytest

from daq.core.driver import Identity, Reply, Request
from daq.core.effects import Concluded, Ended, Moved, Noted, StepEnded
from daq.core.events import LinkUp, OperatorCommand, Tick
from daq.core.exchange import NEVER
from daq.core.pipeline import Pipeline
from daq.core.plan import Conditioning, Keep, Rule
from daq.core.remarks import remark
from daq.core.replay import replay
from daq.core.run import ACTIVE, OUTCOMES, TRANSITIONS, State, diagram
from tests.core.run_states import TURNING, full_plan, into
from tests.support.runs.scripts import (
    Named,
    Plain,
    Polled,
    Probe,
    S,
    Script,
    after,
    elapsed,
    make_driver,
    plan_of,
    seconds,
    step,
)

BEFORE_MOTION = {State.READY, State.IDENTIFYING, State.EQUILIBRATING, State.SOAKING}


ENDS = {
    "stop": (lambda run: run.stop(run.at), "stopped"),
    "link lost": (lambda run: run.down(run.at), "interrupted"),
    "store fault": (lambda run: run.store_fault(run.at), "failed"),
}


def whole_run() -> Script:
    run = into(State.MEASURING)
    run.readings(22.8, 27.7, speed=30.0)
    run.readings(27.7, 28.0, speed=15.0)
    run.readings(28.0, 33.1, speed=6.0)
    run.readings(33.1, 34.0, speed=2.0)
    assert run.state == "concluded"
    run.reading(34.1, speed=0.0)
    return run


def test_a_whole_run_in_order():
    run = whole_run()
    assert run.moves == [
        ("ready", "begin", "identifying"),
        ("identifying", "identified", "equilibrating"),
        ("equilibrating", "in band", "soaking"),
        ("soaking", "soaked", "starting_preshear"),
        ("starting_preshear", "at speed", "preshearing"),
        ("preshearing", "sheared", "ending_preshear"),
        ("ending_preshear", "motor still", "resting"),
        ("resting", "rested", "starting"),
        ("starting", "at speed", "measuring"),
        ("measuring", "rule met", "starting"),
        ("starting", "at speed", "measuring"),
        ("measuring", "last rule met", "stopping"),
        ("stopping", "identity known", "concluded"),
        ("concluded", "motor known", "ended"),
    ]
    times = {(m.source, m.trigger): after(m.t) for m in run.of(Moved)}
    assert times["equilibrating", "in band"] == 2.1  # in band from the reading of 0.1 s on
    assert times["soaking", "soaked"] == 7.1
    assert times["resting", "rested"] == 22.3  # still at 18.3 s
    assert [after(e.started) for e in run.ended] == [22.7, 28.1]
    assert [after(e.t) for e in run.ended] == [27.7, 33.1]
    assert run.sent == [b"speed 60", b"turn", b"halt", b"speed 30", b"turn", b"speed 6", b"halt"]
    assert (run.facts.outcome, run.motor) == ("complete", "still")


def test_pre_shear_is_timed_from_its_confirmed_speed():
    run = into(State.RESTING)
    (sheared,) = [n for n in run.of(Noted) if n.code == "sheared"]
    assert after(sheared.t) == 18.1  # confirmed at 8.1 s, for 10 s


@pytest.mark.parametrize("state", sorted(ACTIVE | {State.READY}))
@pytest.mark.parametrize(("act", "outcome"), ENDS.values(), ids=ENDS)
def test_the_end_in_every_state(state, act, outcome):
    run = into(state)
    act(run)
    if state is State.IDENTIFYING and outcome != "interrupted":
        run.tick(2.0)  # the instrument has its time to say who it is
    (concluded,) = run.of(Concluded)
    assert concluded.facts.outcome == outcome
    assert (concluded.facts.kept, concluded.facts.steps) == ([], [])
    if state in BEFORE_MOTION:
        assert (run.state, run.motor) == ("ended", "not_moved")
        assert b"halt" not in run.sent
    elif outcome == "interrupted":
        assert (run.state, run.motor) == ("ended", "may_still_be_turning")
        assert run.sent[-1] != b"halt" or state in (State.ENDING_PRESHEAR, State.RESTING)
    else:
        assert run.state == "concluded"
        assert run.sent[-1] == b"halt"
        run.reading(run.at + 0.1, speed=3.0)
        assert run.state == "concluded"
        run.reading(run.at + 0.2, speed=0.0)
        assert run.motor == "still"
    # After the end no event changes the state, and there are no effects.
    count = len(run.effects)
    run.stop(60.0)
    run.down(61.0)
    run.feed(LinkUp(run.ns(62.0), "lead"))
    run.reading(63.0, 999.0)
    run.tick(100.0)
    assert len(run.effects) == count
    assert run.pipeline.wake_at == NEVER


def test_every_transition_of_the_table_is_reached_and_no_other():
    reached = set(whole_run().moves)
    run = into(State.SEEKING)
    run.readings(22.8, 28.0, torque=20.0, speed=30.0)
    run.readings(28.0, 34.0, torque=60.0, speed=run.pipeline.life.lead_motor.set_speed)
    reached |= set(run.moves)
    for state in TURNING:
        run = into(state)
        run.reading(run.at + 0.1, torque=110.0)
        reached |= set(run.moves)
    for state in ACTIVE | {State.READY}:
        for act, _ in ENDS.values():
            run = into(state)
            act(run)
            reached |= set(run.moves)
    for state in ACTIVE:
        run = into(state, driver=Named)
        run.serial = b"N-2"
        run.tick() if state is State.IDENTIFYING else run.reading(run.at + 2.0)
        while run.state != "ended":
            run.tick()
        reached |= set(run.moves)
    reached |= set(Script(plan_of(step(elapsed(1.0)))).begin().moves)
    assert reached == {(a.value, trigger, b.value) for (a, trigger), b in TRANSITIONS.items()}


def test_the_table_has_one_way_out_of_everything_and_no_dead_end():
    assert {a for a, _ in TRANSITIONS} == set(State) - {State.ENDED}
    assert set(TRANSITIONS.values()) == set(State) - {State.READY}
    assert {t for (_, t), b in TRANSITIONS.items() if b is State.STOPPING} == set(OUTCOMES)


def test_the_diagram_holds_every_transition():
    lines = diagram().splitlines()
    assert lines[:2] == ["stateDiagram-v2", "    [*] --> ready"]
    assert lines[-1] == "    ended --> [*]"
    assert sum(line.count(",") + 1 for line in lines[2:-1]) == len(TRANSITIONS)
    assert "    measuring --> starting: rule met" in lines


# ---- who it is


@pytest.mark.parametrize(("at_the_end", "check"), [(b"N-1", "same"), (b"N-2", "changed"), (b"", "no_answer")])
@pytest.mark.parametrize("speed", [None, 30.0])
def test_at_the_end_every_instrument_is_asked_who_it_is_also_where_nothing_turned(speed, at_the_end, check):
    run = Script(plan_of(step(elapsed(5.0), speed=speed), driver=Named)).begin()
    run.readings(0, 4.9, speed=speed or 0.0)
    run.serial = at_the_end
    run.tick()
    if check == "no_answer":
        # If the daemon is killed now, the run is concluded from these facts, which must not contain an answer.
        assert [i.check for i in run.pipeline.facts().identities] == ["no_answer"]
        assert [i.check for i in replay(run.journal_so_far(), make_driver).facts.identities] == ["no_answer"]
    while not run.of(Concluded):
        run.tick()
    assert run.pipeline.facts().identities == run.facts.identities
    assert replay(run.journal_so_far(), make_driver).facts.identities == run.facts.identities
    assert [(i.link, i.check) for i in run.facts.identities] == [("lead", check)]
    assert run.facts.outcome == "complete"
    assert run.of(Concluded)[0].t - run.facts.now == (2 * S if check == "no_answer" else 0)


def test_an_instrument_that_speaks_at_the_press_of_a_key_is_asked_at_every_press():
    class Key(Named):
        stale_after_ns = 0

    plan = plan_of(step(Rule("above", "three", "readings", low=3.0)), driver=Named)
    run = Script(plan, driver=Key({})).begin()
    run.reading(10.0, speed=0.0)
    run.reading(20.0, speed=0.0)
    assert run.sent.count(b"who") == 3
    run.serial = b"N-2"  # another one on the same cable, between two presses
    run.reading(30.0, speed=0.0)
    assert run.moves[-3][1] in ("another instrument", "last rule met")
    assert [i.check for i in run.facts.identities] == ["changed"]
    assert run.facts.identities[0].detail == "instrument N-2 answers where N-1 is expected"


def test_a_companion_that_was_lost_and_did_not_come_back_is_not_taken_for_the_same_at_the_end():
    class NamedProbe(Probe):
        def decode(self, line, asked=None):
            return Reply("identity", identity=Identity("probe", "P-1")) if line == b"i N-1" else super().decode(line)

        def identify(self):
            return Request(b"who\n", "identity")

    run = Script(plan_of(step(elapsed(5.0)), companions=("probe",)))
    run.drivers["probe"] = NamedProbe({})
    run.pipeline = Pipeline(run.plan, run.drivers)
    run.begin()
    run.readings(0, 2.0, speed=0.0)
    run.down(2.0, "probe")
    run.readings(2.0, 5.1, speed=0.0)
    assert [(i.link, i.check) for i in run.facts.identities] == [("lead", "not_asked"), ("probe", "no_answer")]


# ---- getting under way


def test_a_run_does_not_begin_without_its_lead_instrument():
    run = Script(full_plan())
    run.feed(OperatorCommand(run.ns(0), "begin", "tester"))
    assert run.moves == [
        ("ready", "link lost", "stopping"),
        ("stopping", "identity known", "concluded"),
        ("concluded", "motor known", "ended"),
    ]
    assert run.facts.reason == remark("instrument_not_connected", instrument="lead")
    assert run.facts.began == run.ns(0)


def test_a_missing_companion_is_noted():
    run = Script(plan_of(step(elapsed(1.0)), companions=("probe",)))
    run.up("lead")
    run.feed(OperatorCommand(run.ns(0), "begin", "tester"))
    assert run.notes == ["link_down"]
    assert run.state == "measuring"


def test_a_second_begin_changes_nothing():
    run = into(State.MEASURING)
    run.feed(OperatorCommand(run.ns(23.0), "begin", "another person"))
    assert run.state == "measuring"
    assert len([m for m in run.moves if m[1] == "begin"]) == 1


def test_the_temperature_must_hold_in_its_band():
    run = Script(full_plan()).begin()
    run.readings(0, 1.5, speed=0.0)
    run.reading(1.6, speed=0.0, temperature=26.1)
    run.readings(1.6, 3.6, speed=0.0)
    assert run.state == "equilibrating"
    run.reading(3.7, speed=0.0)
    assert run.state == "soaking"


def test_a_temperature_that_does_not_come_fails_the_run():
    run = Script(full_plan()).begin()
    run.readings(0, 60.5, 0.5, speed=0.0, temperature=20.0)
    assert run.facts.outcome == "failed"
    found = run.facts.reason
    assert found.code == "temperature_not_in_band"
    assert [found.parameters[k] for k in ("low", "high", "longest")] == [24.0, 26.0, 60.0]
    assert after(run.facts.now) == 60.0


def test_the_bath_is_set_and_the_temperature_of_a_companion_is_waited_for():
    conditioning = Conditioning(
        bath=25.0, signal="probe.temperature", low=24.0, high=26.0, hold_ns=3 * S, longest_ns=60 * S
    )
    run = Script(plan_of(step(elapsed(1.0)), conditioning=conditioning, companions=("probe",))).begin()
    assert run.sent == [b"bath 25"]
    for t, text in ((1.0, b"20"), (2.0, b"25"), (3.0, b"x"), (4.0, b"25"), (6.0, b"25")):
        run.reading(t)
        run.probe(t, text)
    assert run.state == "equilibrating"
    run.probe(7.0)
    assert run.state == "measuring"


def test_a_bath_the_instrument_does_not_have_fails_the_run():
    class Bathless(Plain):
        capabilities = frozenset({"speed", "turn", "halt"})

    conditioning = Conditioning(bath=25.0, signal="temperature", low=24.0, high=26.0, longest_ns=60 * S)
    run = Script(plan_of(step(elapsed(1.0)), conditioning=conditioning), driver=Bathless({})).begin()
    assert run.facts.outcome == "failed"
    assert run.facts.reason == remark("action_not_possible", instrument="lead", detail="plain cannot bath")
    assert run.motor == "not_moved"


def test_a_speed_that_is_not_confirmed_in_time_fails_the_run():
    run = Script(plan_of(step(elapsed(1.0), speed=30.0), speed_timeout=5.0)).begin()
    run.readings(0, 5.1, speed=29.0)
    assert (run.facts.outcome, run.facts.reason) == ("failed", remark("speed_not_confirmed", longest=5.0))
    run.reading(5.2, speed=0.0)
    assert run.motor == "still"


def test_a_pre_shear_whose_speed_is_not_confirmed_fails_the_run():
    run = into(State.STARTING_PRESHEAR, speed_timeout=5.0)
    run.readings(7.2, 12.3, speed=10.0)
    assert run.facts.reason == remark("speed_not_confirmed", longest=5.0)


def test_a_motor_that_does_not_rest_after_the_pre_shear_fails_the_run():
    run = into(State.PRESHEARING)
    run.readings(8.2, 29.0, speed=60.0)
    assert run.facts.reason == remark("stop_not_confirmed")
    run.reading(29.1, speed=0.0)
    assert run.motor == "still"


def test_the_speed_must_be_acknowledged_and_confirmed():
    run = Script(plan_of(step(elapsed(1.0), speed=30.0)))
    run.answers = False
    run.begin()
    run.reading(0.1, speed=30.0)  # it was turning so already
    assert run.state == "starting"
    run.line(0.2, b"ok speed")
    run.reading(0.3, speed=30.0)
    assert run.state == "measuring"


def test_a_slow_set_point_is_not_confirmed_by_a_motor_at_rest():
    run = Script(plan_of(step(elapsed(1.0), speed=0.03))).begin()
    run.reading(0.1, speed=0.0)
    assert run.state == "starting"
    run.reading(0.2, speed=0.03)
    assert run.state == "measuring"
    run.stop(0.3)
    run.reading(0.4, speed=0.03)
    assert run.state == "concluded"
    run.reading(0.5, speed=0.0)
    assert run.motor == "still"


def test_a_step_in_which_nothing_turns_waits_for_the_motor_to_rest():
    plan = plan_of(step(elapsed(1.0), speed=30.0), step(elapsed(1.0)), step(elapsed(1.0), speed=30.0))
    run = Script(plan).to_measuring(speed=30.0)
    run.tick()
    assert run.sent[-1] == b"halt"
    run.reading(1.1, speed=15.0)
    assert run.state == "starting"
    run.reading(1.2, speed=0.0)
    assert run.state == "measuring"
    run.tick()
    assert run.sent[-2:] == [b"speed 30", b"turn"]


# ---- links


def test_the_lead_lost_while_measuring_interrupts_and_the_motor_may_still_be_turning():
    run = into(State.MEASURING)
    run.readings(22.8, 25.0, speed=30.0)
    run.down(25.0)
    assert (run.facts.outcome, run.facts.reason, run.motor) == (
        "interrupted",
        remark("connection_lost", instrument="lead", detail="unplugged"),
        "may_still_be_turning",
    )
    assert [type(e) for e in run.effects[-6:]] == [Noted, Moved, Concluded, Moved, Moved, Ended]
    assert run.of(StepEnded) == []


def test_a_companion_lost_is_noted_and_the_run_goes_on():
    run = Script(plan_of(step(elapsed(20.0), Keep("end", "mean", seconds(5))), companions=("probe",))).begin()
    run.probe(1.0)
    run.readings(0.0, 2.0)
    run.down(2.0, "probe")
    assert run.notes == ["link_down"]
    assert run.pipeline.signals()["probe.temperature"] is None
    run.readings(2.0, 10.0)
    assert run.notes == ["link_down", "silent"]
    run.feed(LinkUp(run.ns(10.0), "probe"))
    run.probe(10.5)
    assert run.pipeline.signals()["probe.temperature"] == 25.0
    run.readings(10.0, 20.1)
    assert run.facts.outcome == "complete"


def test_a_silent_lead_is_noted_and_after_three_times_that_the_run_is_interrupted():
    run = into(State.MEASURING)
    run.tick()
    noted = run.of(Noted)[-1]
    assert (noted.code, after(noted.t)) == ("silent", 25.8)
    assert run.pipeline.signals()["torque"] is None
    assert run.pipeline.faults() == ("silent",)
    run = into(State.EQUILIBRATING)
    run.reading(0.5, temperature=20.0)
    while run.state == "equilibrating":
        run.tick()
    assert (run.facts.outcome, after(run.facts.now)) == ("interrupted", 9.5)
    assert run.facts.reason == remark("instrument_silent", instrument="lead")


def test_a_lead_that_speaks_again_in_time_goes_on():
    run = into(State.SOAKING)
    run.tick(2.1 + 4.0)
    assert "silent" in run.notes
    run.reading(6.5, speed=0.0)
    assert run.pipeline.faults() == ()
    run.tick(7.1)
    assert run.state == "starting_preshear"


# ---- stopping


def test_a_stop_that_is_not_answered_ends_with_a_motor_that_may_still_be_turning():
    run = into(State.MEASURING)
    run.answers = False
    run.stop(23.0)
    while run.state in ("stopping", "concluded"):
        run.tick()
    assert run.motor == "may_still_be_turning"
    assert after(run.of(Ended)[0].t) == 33.0
    assert run.sent.count(b"halt") > 3
    assert set(run.sent[run.sent.index(b"halt", 5) :]) == {b"halt"}


def test_a_stop_that_is_refused_is_asked_for_again_at_a_walk():
    run = into(State.MEASURING)
    run.answers = False
    run.stop(23.0)
    while run.state in ("stopping", "concluded"):
        if run.events[-1].t == run.now and run.sent[-1] == b"halt":
            run.line(None, b"no way")
        run.tick()
    assert run.motor == "may_still_be_turning"
    assert 10 < run.sent.count(b"halt") < 60


def test_a_stop_overtakes_what_waits_and_nothing_else_is_sent_again():
    run = Script(plan_of(step(elapsed(1.0), speed=30.0)))
    run.answers = False
    run.begin()
    assert run.sent == [b"speed 30"]  # turn waits for its answer
    run.stop(0.1)
    while run.state in ("stopping", "concluded"):
        run.tick()
    assert run.sent[0] == b"speed 30"
    assert set(run.sent[1:]) == {b"halt"}


def test_the_turn_under_way_at_a_stop_is_not_repeated():
    run = Script(plan_of(step(elapsed(1.0), speed=30.0)))
    run.answers = False
    run.begin()
    run.line(0.1, b"ok speed")
    assert run.sent == [b"speed 30", b"turn"]
    run.stop(0.2)
    while run.state in ("stopping", "concluded"):
        run.tick()
    assert set(run.sent[2:]) == {b"halt"}


def test_link_lost_while_stopping():
    run = into(State.MEASURING)
    run.stop(23.0)
    run.down(23.1)
    assert (run.facts.outcome, run.motor) == ("stopped", "may_still_be_turning")


def test_a_second_stop_and_a_store_fault_while_stopping_change_nothing():
    run = into(State.MEASURING)
    run.stop(23.0)
    run.stop(23.1)
    run.store_fault(23.2)
    assert run.state == "concluded"
    assert len(run.of(Concluded)) == 1
    run.reading(23.5, speed=0.0)
    assert run.motor == "still"


def test_while_it_stops_a_slow_instrument_is_asked_more_often():
    class Slow(Polled):
        interval_ns = 30 * S
        stale_after_ns = 100 * S

    run = Script(plan_of(step(elapsed(90.0), speed=30.0), driver=Polled), driver=Slow({})).begin()
    run.line(0.05, b"r 50 30 25")
    while b"read" not in run.sent[2:]:
        run.tick()
    run.stop(40.0)
    count = run.sent.count(b"read")
    while run.state in ("stopping", "concluded") and run.now < run.ns(45.0):
        run.tick()
        if run.sent[-1] == b"read":
            run.line(None, b"r 50 3 25")
    assert run.sent.count(b"read") - count >= 8


def test_concluded_facts_do_not_change():
    run = into(State.MEASURING)
    run.stop(23.0)
    facts = run.of(Concluded)[0].facts
    notes = list(facts.notes)
    run.down(23.1)
    assert facts.notes == notes
    assert facts.now == run.ns(23.0)


# ---- refusals


@pytest.mark.parametrize(("refused", "sent"), [(b"speed", 1), (b"turn", 2)])
def test_a_command_that_is_refused_fails_the_run(refused, sent):
    run = Script(plan_of(step(elapsed(1.0), speed=30.0)))
    run.answers = False
    run.begin()
    if refused == b"turn":
        run.line(0.05, b"ok speed")
    assert run.sent[-1].startswith(refused)
    run.line(0.1, b"no range")
    assert run.facts.outcome == "failed"
    assert run.facts.reason == remark("action_failed", instrument="lead", action=refused.decode(), detail="range")
    assert "refused" in run.notes
    assert len(run.sent) == sent
    run.tick()
    assert run.sent[-1] == b"halt"


def test_a_command_that_is_not_answered_is_tried_three_times():
    run = Script(plan_of(step(elapsed(1.0), speed=30.0)))
    run.answers = False
    run.begin()
    while run.state == "starting":
        run.tick()
    assert run.sent[:3] == [b"speed 30"] * 3
    assert run.facts.reason == remark("action_failed", instrument="lead", action="speed", detail="no answer")


def test_nothing_is_sent_without_a_rule_that_says_so():
    """A run in which nothing turns sends nothing at all to an instrument that streams."""
    run = Script(plan_of(step(Rule("above", "n", "readings", low=3)))).begin()
    run.readings(0, 0.5)
    assert run.sent == []
    assert run.motor == "not_moved"


def test_ticks_that_are_early_do_nothing():
    run = into(State.SOAKING)
    before = len(run.effects)
    for t in (2.2, 2.3, 2.4):
        run.feed(Tick(run.ns(t)))
    assert len(run.effects) == before


def test_a_speed_of_zero_counts_only_once_the_stop_is_acknowledged():
    run = into(State.MEASURING)
    run.answers = False
    run.stop(23.0)
    run.reading(23.1, speed=0.0)  # stalled or held: the stop is not acknowledged yet
    assert run.state == "concluded"
    run.line(23.2, b"ok halt")
    assert run.state == "concluded"
    run.reading(23.3, speed=0.0)
    assert run.motor == "still"


def test_nothing_follows_the_end_within_its_own_chunk():
    run = Script(plan_of(step(Rule("above", "a", "torque", low=60.0)))).begin()
    run.line(1.0, b"r 61 12 25\nr 50 12 25 =keys_used\nr 50 12 25")
    assert isinstance(run.effects[-1], Ended)
    assert run.notes == []
