"""Bring a run into any state of the table."""

from daq.core.plan import Conditioning, Keep, Seek
from daq.core.run import State
from tests.support.runs.scripts import Named, S, Script, elapsed, plan_of, seconds, step

TURNING = [State.STARTING_PRESHEAR, State.PRESHEARING, State.STARTING, State.MEASURING, State.SEEKING]


FULL = Conditioning(
    signal="temperature", low=24.0, high=26.0, hold_ns=2 * S, longest_ns=60 * S, soak_ns=5 * S,
    preshear_speed=60.0, preshear_ns=10 * S, rest_ns=4 * S,
)  # fmt: skip


def full_plan(**more):
    keep = Keep("end", "mean", seconds(2.0))
    return plan_of(step(elapsed(5.0), keep, speed=30.0), step(elapsed(5.0), keep, speed=6.0), conditioning=FULL, **more)


def seeking_plan(**more):
    keep = Keep("end", "mean", seconds(2.0))
    seek = Seek(40.0, 80.0, slowest=1.0, fastest=100.0, most=6, doubt=1.0)
    return plan_of(step(elapsed(5.0), keep, speed=30.0, seek=seek), conditioning=FULL, **more)


def into(state: State, **more) -> Script:
    """Return a run in `state`, at `run.at` seconds."""
    run = Script(seeking_plan(**more) if state is State.SEEKING else full_plan(**more))
    run.up()
    run.at = 0.0
    if state is State.READY:
        return run
    if state is State.IDENTIFYING:
        run = Script(full_plan(**{"driver": Named} | more))
        run.serial = b""
        run.at = 0.0
    run.begin()
    if state in (State.IDENTIFYING, State.EQUILIBRATING):
        return run
    run.readings(0, 2.1, 0.1, speed=0.0)
    assert run.state == "soaking"
    run.at = 2.1
    if state is State.SOAKING:
        return run
    run.readings(2.1, 7.2, 0.1, speed=0.0)
    assert run.state == "starting_preshear"
    run.at = 7.2
    if state is State.STARTING_PRESHEAR:
        return run
    run.readings(7.2, 8.0, 0.1, speed=20.0)
    run.readings(8.0, 8.2, 0.1, speed=60.0)  # confirmed at 8.1 s
    assert run.state == "preshearing"
    run.at = 8.2
    if state is State.PRESHEARING:
        return run
    run.readings(8.2, 18.2, 0.1, speed=60.0)
    assert run.state == "ending_preshear"
    run.at = 18.2
    if state is State.ENDING_PRESHEAR:
        return run
    run.readings(18.2, 18.5, 0.1, speed=0.0)
    assert run.state == "resting"
    run.at = 18.5
    if state is State.RESTING:
        return run
    run.readings(18.5, 22.6, 0.1, speed=0.0)
    assert run.state == "starting"
    run.at = 22.6
    if state is State.STARTING:
        return run
    run.readings(22.6, 22.8, 0.1, speed=30.0)
    assert run.state == ("seeking" if state is State.SEEKING else "measuring")
    run.at = 22.8
    if state in (State.MEASURING, State.SEEKING):
        return run
    raise AssertionError(state)
