"""Torque limit: a reading at or beyond it stops a turning motor at once, in every state of the run."""

from dataclasses import replace

import pytest

from daq.core.effects import Concluded, LimitReached
from daq.core.plan import Keep
from daq.core.remarks import remark
from daq.core.replay import replay
from daq.core.run import State
from daq.core.torqueband import TorqueBand
from tests.core.run_states import TURNING, into
from tests.support.runs.scripts import S, Script, elapsed, make_driver, plan_of, seconds, step

END = Keep("end", "mean", seconds(2.0))
LIMIT = {
    State.STARTING_PRESHEAR: 60.0,
    State.PRESHEARING: 60.0,
    State.STARTING: 30.0,
    State.MEASURING: 30.0,
    State.SEEKING: 30.0,
}


@pytest.mark.parametrize("state", TURNING)
@pytest.mark.parametrize("torque", [110.0, -110.0, 250.0])
def test_the_motor_is_stopped_in_the_same_instant(state, torque):
    run = into(state)
    before = len(run.sent)
    run.reading(run.at + 0.1, torque=torque, speed=17.0)
    assert run.sent[before:] == [b"halt"]
    (concluded,) = run.of(Concluded)
    t = run.ns(run.at + 0.1)
    assert (concluded.t, concluded.facts.outcome) == (t, "failed")
    assert concluded.facts.limit == LimitReached(t, state.value, 0, LIMIT[state], 17.0, torque, 110.0)
    assert concluded.facts.reason == remark("torque_limit_reached", limit=110.0, torque=torque, unit="%", speed=17.0)
    run.reading(run.at + 0.2, torque=torque, speed=0.0)
    assert run.motor == "still"
    assert len(run.of(Concluded)) == 1
    assert replay(run.journal(), make_driver).same


@pytest.mark.parametrize("state", TURNING)
def test_a_sensor_that_says_it_is_at_its_stop_counts_for_every_number(state):
    run = into(state)
    run.reading(run.at + 0.1, 40.0, 17.0, 25.0, "torque=saturated")
    assert run.of(Concluded)[0].facts.limit.torque == 40.0
    assert run.sent[-1] == b"halt"


@pytest.mark.parametrize("state", TURNING)
def test_just_below_the_limit_goes_on(state):
    run = into(state)
    run.reading(run.at + 0.1, torque=109.99, speed=17.0)
    run.reading(run.at + 0.2, torque=-109.99, speed=17.0)
    assert run.state == state.value


@pytest.mark.parametrize("state", [State.EQUILIBRATING, State.SOAKING, State.RESTING])
def test_where_nothing_turns_nothing_is_stopped(state):
    run = into(state)
    run.reading(run.at + 0.1, torque=110.0, speed=0.0)
    assert run.state == state.value
    assert run.of(Concluded) == []


def test_the_file_s_limit_counts_before_the_sensor_s_stop():
    plan = plan_of(step(elapsed(5.0), END, speed=30.0))
    run = Script(replace(plan, band=TorqueBand("torque", "%", 10.0, 75.0, 80.0))).to_measuring(79.9, 30.0)
    run.reading(0.1, torque=79.99, speed=30.0)
    assert run.state == "measuring"
    run.reading(0.2, torque=80.0, speed=30.0)
    assert run.facts.limit.limit == 80.0


def test_a_torque_beyond_it_in_the_midst_of_a_chunk_is_seen():
    run = Script(plan_of(step(elapsed(5.0), END, speed=30.0))).to_measuring(50.0, 30.0)
    lines = [b"r %d.5 30.0 25.0" % n for n in range(40, 60)] + [b"r 110.0 30.0 25.0"] + [b"r 50.0 30.0 25.0"] * 20
    run.line(0.1, b"\n".join(lines))
    assert run.state == "concluded"
    assert run.facts.limit.t == run.ns(0.1)
    assert run.facts.now == 1000 * S + S // 10
