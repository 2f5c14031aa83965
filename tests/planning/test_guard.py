"""No run drives the torque beyond its limit for longer than a poll and the stop: the simulator's true deflection is watched.

The sensor of these instruments is perfect but for the lag of its rotor, so that what is read is what is true.
"""

import pytest

from daq.core.effects import Moved
from daq.core.events import Sent
from simulators.rotational.fluids import Fluid
from simulators.rotational.laws import HerschelBulkley, Newtonian, PowerLaw
from simulators.rotational.specification import Specification
from tests.planning.benches import Run, instrument_for, measured, read_method, seek_method

PERFECT = Specification(
    gain_limit_percent=0.0, zero_limit_percent=0.0, geometry_limit_percent=0.0, speed_limit_percent=0.0,
    probe_limit_kelvin=0.0, torque_noise_percent=0.0, speed_noise_percent=0.0, probe_noise_kelvin=0.0,
    ripple_percent_of_reading=0.0, ripple_percent=0.0, stop_percent=400.0,
)  # fmt: skip
LIMIT = 60.0
POLL_S = 0.1
ROTOR_LAG_S = 0.2
"""The rotor follows the spring by a damped swing of 1.5 Hz: what it shows is about 2 z/w = 0.15 s old."""
SHEAR = """
[conditioning]
rest = "5 s"
[conditioning.preshear]
speed = 90
time = "20 s"
"""


def stop_took(run: Run) -> float:
    """From the request to stop to the motor's confirmed rest, s."""
    asked = max(e.t for e in run.bench.events if isinstance(e, Sent) and e.data.startswith(b"halt"))
    still = max(e.t for _, e in run.bench.effects if isinstance(e, Moved) and e.trigger == "motor known")
    return (still - asked) / 1e9


def check_it_was_stopped_in_time(run: Run, state: str) -> None:
    assert (run.conclusion.outcome, run.conclusion.faults) == ("failed", ("torque_limit",))
    limit = run.bench.facts.limit
    assert (limit.state, limit.limit, limit.torque >= LIMIT) == (state, LIMIT, True)
    assert run.bench.motor == "still"
    assert max(d for _, d in run.simulator.deflections) > LIMIT  # the limit was really passed
    above = run.simulator.seconds_above(LIMIT)
    assert 0 < above <= POLL_S + ROTOR_LAG_S + stop_took(run)
    # The stop itself is the motor's ramp of 30 /min a second and the confirming poll.
    assert stop_took(run) <= limit.set_speed / 30.0 + 1.0


FLUIDS = [Newtonian(3.0), PowerLaw(20.0, 0.5), HerschelBulkley(6.0, 6.0, 0.8)]


@pytest.mark.parametrize("law", FLUIDS, ids=repr)
@pytest.mark.parametrize("speed", [20, 60, 100])
def test_a_measurement(tmp_path, law, speed):
    bench = instrument_for("coaxial-12", torque=LIMIT)
    run = measured(read_method(tmp_path, speed), bench, Fluid("thick", law), spec=PERFECT)
    assert run.bench.facts.limit.state in ("starting", "measuring")
    check_it_was_stopped_in_time(run, run.bench.facts.limit.state)


def test_a_pre_shear(tmp_path):
    method = seek_method(tmp_path, more=SHEAR, low=20, high=40)
    run = measured(method, instrument_for("coaxial-12", torque=LIMIT), Fluid("thick", Newtonian(3.0)), spec=PERFECT)
    check_it_was_stopped_in_time(run, "starting_preshear")
    assert run.conclusion.sheared


def test_a_seek_that_begins_too_fast(tmp_path):
    method = seek_method(tmp_path, speed=12, low=20, high=50)
    run = measured(method, instrument_for("coaxial-12", torque=LIMIT), Fluid("thick", Newtonian(3.0)), spec=PERFECT)
    assert run.bench.facts.limit.state in ("starting", "seeking")
    check_it_was_stopped_in_time(run, run.bench.facts.limit.state)


@pytest.mark.slow
@pytest.mark.parametrize("law", FLUIDS, ids=repr)
def test_a_seek_that_begins_low_never_comes_near_it(tmp_path, law):
    method = seek_method(tmp_path, speed=0.5, low=20, high=50)
    run = measured(method, instrument_for("coaxial-12", torque=LIMIT), Fluid("thick", law), spec=PERFECT)
    assert run.conclusion.outcome == "complete"
    assert run.simulator.seconds_above(LIMIT) == 0.0
    assert max(d for _, d in run.simulator.deflections) <= 50.5


def test_the_bound_is_true_while_the_motor_gathers_speed(tmp_path):
    """3 Pa.s is more than the bound says, and the bound is better than the one of the set speed."""
    run = measured(
        read_method(tmp_path, 100, 6, 2), instrument_for("coaxial-12", torque=LIMIT), Fluid("thick", Newtonian(3.0)),
        spec=PERFECT,
    )  # fmt: skip
    a = run.conclusion.advice[0]
    at_set_speed = 1000 * 4521.45 * 0.6e-3 / 10.47198
    assert at_set_speed * 1.5 < a.value_at_least < 3000
    again = measured(
        read_method(tmp_path, a.speed), instrument_for("coaxial-12", torque=LIMIT), Fluid("thick", Newtonian(3.0)),
        spec=PERFECT,
    )  # fmt: skip
    assert again.conclusion.row.torque_percent >= a.torque_percent
