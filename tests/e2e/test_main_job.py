"""A short test of the main job: one sample, daemon as a process, instrument on a pseudo-terminal, result in database and at the historian.

The clock is slow, so that even a busy machine misses few readings.
"""

import json

import pytest

from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, Lab, Simulators, eventually
from tests.support.processes.mosquitto import needs_mosquitto

PACE = 2.0
"""Simulated seconds per real second."""
MOST_REPEATS = 6
STALLED = {"readings_missing", "readings_late", "identity_unknown"}
"""Reasons of a result while the machine stood still."""


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
    # Where the machine stood still so long that readings are missing or late, or that the instrument seemed silent, the
    # result says so, and the sample is measured again.
    for repeated in range(MOST_REPEATS):
        done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", "S-17", "--plain", seconds=120.0)
        with lab.reader() as reader:
            result = reader.all_results()[-1]
            run = reader.runs(limit=1)[0]
        assert len(lab_results(lab)) == repeated + 1
        if run.outcome == "interrupted" and "does not answer any more" in run.reason:
            continue
        assert (run.outcome, run.motor) == ("complete", "still"), run.reason + done.stdout + done.stderr
        reasons = {reason["code"] for reason in json.loads(result.data)["reasons"]}
        assert done.returncode == (11 if reasons else 0), done.stdout + done.stderr
        if not reasons:
            return result
        assert reasons <= STALLED, done.stdout + done.stderr
    pytest.fail(f"the machine stood still in {MOST_REPEATS} runs")


def lab_results(lab):
    """Return all results of the laboratory."""
    with lab.reader() as reader:
        return reader.all_results()


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
        eventually(lambda: len(historian.on("result/bench-1")) == len(lab_results(lab)), 60.0, "the results")
        event = historian.on("result/bench-1")[-1]
    assert event["id"] == result.id
    assert event["data"] == json.loads(result.data)
