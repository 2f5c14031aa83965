"""A process for computations that is killed at any moment loses nothing of what follows a run, and doubles nothing."""

import pytest

from daq.app.daemon.computing import computing_process
from tests.support.processes.computing import computations, content, copied, dying_command, follow
from tests.support.runs.ended_runs import FLOW_CURVE, ended

pytestmark = pytest.mark.slow  # processes; `computes_apart` is off unless a file switches it on

MOMENTS = 20
"""Number of moments before and after a message of the process, for all that follows one run."""


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """The state after one run, the run, and the content of the database once all that follows is there."""
    folder = tmp_path_factory.mktemp("runs")
    runs = ended(folder / "state", FLOW_CURVE)
    done = copied(folder / "state", folder / "done")
    follow(done, runs)
    return folder / "state", runs, content(done)


@pytest.mark.parametrize("at", range(1, MOMENTS + 2))
def test_killed_at_any_moment_it_loses_and_doubles_nothing(tmp_path, monkeypatch, followed, at):
    monkeypatch.setattr(computing_process, "AGAIN_S", 0.01)
    state, runs, expected = followed
    copy, killed = copied(state, tmp_path / "copy"), tmp_path / "killed"
    follow(copy, runs, lambda store: computations(store, dying_command(store, killed, at)))
    assert content(copy) == expected
    assert killed.exists() == (at <= MOMENTS), "the moments are counted anew"
