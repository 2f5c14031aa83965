"""A stored run is computed again on another kind of processor, and its result is the same."""

from pathlib import Path

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.records.replaying import recompute
from daq.app.setup.drivers import Drivers
from tests.support.processes.other_processor import computed_elsewhere
from tests.support.runs.virtual_bench import StoredBench


def again(state):
    """Compute all runs of a state again; return for each whether its journal and its result are the same, and where not."""
    with Reader(database_path(Path(state))) as reader:
        done = [recompute(reader, run, Drivers.find()) for run in reader.runs()]
    return [[d.same, d.replay.same, [where for where, *_ in d.differences]] for d in done]


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_stored_runs_are_the_same_on_another_processor(tmp_path):
    bench = StoredBench(tmp_path / "state")
    bench.measure("G-1041")
    bench.measure("G-1042", speed=50)
    bench.measure("", certified="reference-b")
    there = computed_elsewhere("tests.records.test_other_processor:again", str(bench.state))
    assert there == [[True, True, []]] * 3
