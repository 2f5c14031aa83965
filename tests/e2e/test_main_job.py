"""A short test of the main job: one sample, daemon as a process, instrument on a pseudo-terminal, result in database and at the historian.

The clock is slow enough that a busy machine misses no reading.
"""

import json

import pytest

from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, Lab, Simulators, eventually
from tests.support.processes.mosquitto import needs_mosquitto

PACE = 2.0
"""Simulated seconds per real second."""


@pytest.fixture(scope="module")
def simulators(tmp_path_factory):
    started = Simulators(tmp_path_factory.mktemp("simulators"), scale=PACE)
    yield started
    started.stop()


@pytest.fixture
def lab(tmp_path, simulators):
    made = Lab(tmp_path, simulators)
    yield made
    made.close()
    simulators.reset()


def measured(lab):
    """Return the result of one run through the daemon."""
    daemon = Daemon(lab)
    daemon.ready(seconds=120.0)
    done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", "S-17", "--plain", seconds=120.0)
    assert done.returncode == 0, done.stdout + done.stderr
    with lab.reader() as reader:
        (result,) = reader.all_results()
        (run,) = reader.runs()
    assert (run.outcome, run.motor) == ("complete", "still")
    return result


def test_a_sample_gets_its_value_and_the_motor_is_at_rest(lab):
    data = json.loads(measured(lab).data)
    assert (data["validity"], data["verdict"]["verdict"]) == ("valid", "none")
    # The simulated fluid is 483.2 mPa.s at 25 Cel by its own definition; the stated limits of the simulated instrument add up to 3 %.
    assert data["value"] == pytest.approx(483.2, rel=0.03)
    assert not lab.bench.turning


@pytest.mark.slow
@needs_mosquitto
def test_the_historian_gets_the_result_as_it_is_stored(lab):
    with Historian(lab.start_broker().port) as historian:
        result = measured(lab)
        (event,) = eventually(lambda: historian.on("result/bench-1"), 30.0, "the result")
    assert event["id"] == result.id
    assert event["data"] == json.loads(result.data)
