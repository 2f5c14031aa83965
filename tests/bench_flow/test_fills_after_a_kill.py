"""After a kill, and a second one, a bench names the fill of the run that had not ended, and no fill twice."""

import sqlite3
from contextlib import closing

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.records import ChangeRecords
from daq.app.laboratory.bench_work import DAEMON
from daq.app.laboratory.laboratory import new
from daq.laboratory.bench.bench_events import Pressed
from daq.laboratory.bench.benchstate import BenchState
from tests.support.memory_bench import SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


def killed(bench, folder):
    """Return a new state directory with the database as a kill would leave it now."""
    folder.mkdir(mode=0o700)
    with (
        closing(sqlite3.connect(bench.supervisor.store.path)) as own,
        closing(sqlite3.connect(database_path(folder))) as copy,
    ):
        own.backup(copy)
    return folder


def held(bench):
    state, revision, _ = bench.supervisor.benches.flows.state("bench-1")
    return state.stage, state.discard, revision


@pytest.mark.parametrize("concluded", [False, True])
async def test_the_fill_of_an_unfinished_run_is_named_once(tmp_path, concluded):
    """The run was started beside the bench's own work, as by `daq run`; one that was concluded keeps its outcome."""
    async with SupervisorBench(tmp_path) as bench:
        store = bench.supervisor.store
        store.submit(ChangeRecords((new(BenchState(id="bench-1"), "bench_opened"),), 1, "x")).result(10)
        active = await bench.begin("short" if concluded else "long")
        if concluded:
            await active.task
        first = killed(bench, tmp_path / "first")
    with closing(sqlite3.connect(database_path(first))) as copy:
        if concluded:
            copy.execute("UPDATE runs SET state = 'concluded'")
            copy.commit()
        ((state, outcome),) = copy.execute("SELECT state, outcome FROM runs").fetchall()
    assert (state, outcome in (None, "", "interrupted")) == ("concluded" if concluded else "running", not concluded)
    async with SupervisorBench(tmp_path, state=first) as bench:
        stage, discard, seen = held(bench)
        assert (stage, discard) == ("discarding", ("S-1",))
        bench.supervisor.benches.flows.command("bench-1", Pressed("confirm"), DAEMON, seen)
        assert held(bench)[1] == ()
        second = killed(bench, tmp_path / "second")
    async with SupervisorBench(tmp_path, state=second) as bench:
        assert held(bench)[1] == ()
