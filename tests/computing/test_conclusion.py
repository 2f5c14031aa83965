"""The conclusion of a run, computed in the process for computations: the same numbers, and a result in every case."""

import asyncio
import contextlib
import json
import os
import signal
import sqlite3

import pytest

from daq.adapters.clock import SystemClock
from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.daemon.computing.tasks import ComputeConclusion
from daq.app.records.replaying import recompute
from daq.app.run import results
from daq.app.run.results import ResultMaker
from daq.app.setup.drivers import Drivers
from daq.core.run import State
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.intervals import JCGM_101
from daq.rheology import montecarlo
from tests.support.memory_bench import SupervisorBench
from tests.support.processes.computing import computations
from tests.support.runs.stored import record
from tests.support.runs.whole_runs import run

RUNS = [
    ("clear-glaze-qc", "bench-1", "clear-glaze", {"product": "clear-glaze"}),
    ("clear-glaze-qc", "bench-1", "clear-glaze", {"product": "clear-glaze", "choices": {"speed": 100}}),
    ("casting-slip-equilibrium", "bench-1", "casting-slip", {"product": "casting-slip"}),
    ("engobe-qc", "bench-2", "engobe", {"product": "engobe"}),
    ("find-speed", "bench-2", "engobe", {"product": "engobe"}),
    ("slip-setting-time", "bench-1", "casting-slip", {}),
    ("reference-check", "bench-1", "reference-b", {"choices": {"speed": 5}}),
    ("thermometer-log", "thermo-1", "", {}),
]


RECORD = record("r-1")


@pytest.fixture(scope="module")
def measured():
    """Plan, facts and conclusion of runs of the example methods."""
    found = [run(method, instrument, sample, **more) for method, instrument, sample, more in RUNS]
    return [(bench.plan, bench.facts, concluded) for concluded, bench in found]


def test_the_process_concludes_to_the_same_numbers(tmp_path, measured):
    async def all_of(made):
        return [await made.carry_out(ComputeConclusion(plan, facts)) for plan, facts, _ in measured]

    with Store(tmp_path / "daq.db") as store, computations(store) as made:
        found = asyncio.run(all_of(made))
    assert found == [concluded for *_, concluded in measured]
    assert [c.model_dump_json() for c in found] == [c.model_dump_json() for *_, c in measured]


def test_the_advice_of_a_screen_is_that_of_the_result_and_propagates_no_distributions(monkeypatch, measured):
    def never(*_, **__):
        raise AssertionError("distributions are propagated")

    monkeypatch.setattr(montecarlo, "propagate_budget", never)
    advised = 0
    for plan, facts, concluded in measured:
        maker = ResultMaker(RECORD, plan, SystemClock(), str, None)
        assert maker.advise(facts) == [a.written() for a in concluded.advice]
        advised += bool(concluded.advice)
        if concluded.uncertainty is not None and concluded.uncertainty.method == JCGM_101:
            with pytest.raises(AssertionError, match="distributions"):
                conclude(plan, facts)
    assert advised


@pytest.mark.slow
@pytest.mark.asyncio
class TestOnABench:
    """A run on a bench in this process whose daemon computes elsewhere."""

    @pytest.fixture(autouse=True)
    def _never_here(self, monkeypatch):
        self.concluded_here = 0

        def counted(plan, facts):
            self.concluded_here += 1
            return conclude(plan, facts)

        monkeypatch.setattr(results, "conclude", counted)
        monkeypatch.setattr(results, "COMPUTE_S", 90.0)  # a loaded machine is not the matter here

    def stored(self, bench, run_id):
        with bench.supervisor.store.reader() as reader:
            assert len(reader.results(run_id)) == 1
            again = recompute(reader, reader.run(run_id), Drivers.find())
        assert again.same, again.differences
        return bench.result(run_id)

    async def test_a_run_is_concluded_elsewhere_and_replays(self, tmp_path):
        async with SupervisorBench(tmp_path, computes_apart=True) as bench:
            await bench.until(lambda: ready(bench))
            outcome = await (await bench.begin()).task
            assert self.stored(bench, outcome.run_id)["value"] is not None
        assert self.concluded_here == 0

    async def test_a_process_that_is_stopped_delays_the_result_and_loses_nothing(self, tmp_path, monkeypatch):
        monkeypatch.setattr(results, "COMPUTE_S", 0.2)
        async with SupervisorBench(tmp_path, computes_apart=True) as bench:
            pid = await bench.until(lambda: ready(bench))
            active = await bench.begin()
            os.kill(pid, signal.SIGSTOP)
            outcome = await active.task
            os.kill(pid, signal.SIGCONT)
            assert self.stored(bench, outcome.run_id)["value"] is not None
        assert self.concluded_here == 1

    async def test_a_kill_before_the_conclusion_has_come_gives_the_same_result_after_the_start(self, tmp_path):
        async with SupervisorBench(tmp_path, computes_apart=True) as bench:
            pid = await bench.until(lambda: ready(bench))
            active = await bench.begin()
            os.kill(pid, signal.SIGSTOP)
            await bench.until(lambda: active.runner.pipeline.state in (State.CONCLUDED, State.ENDED))
            state = tmp_path / "killed"
            await bench.until(lambda: bench.supervisor.store.idle)
            state.mkdir(mode=0o700)
            with (
                contextlib.closing(sqlite3.connect(bench.supervisor.store.path)) as now,
                contextlib.closing(sqlite3.connect(database_path(state))) as copy,
            ):
                now.backup(copy)
            os.kill(pid, signal.SIGCONT)
            run_id = (await active.task).run_id
            whole = self.stored(bench, run_id)
        with Reader(database_path(state)) as reader:
            assert not reader.results(run_id)
        async with SupervisorBench(tmp_path, state=state) as bench:
            recovered = self.stored(bench, run_id)
        assert json.dumps(without_times(recovered), indent=1) == json.dumps(without_times(whole), indent=1)


def ready(bench):
    process = bench.supervisor.computations.process
    return process.answers() and process.pid


def without_times(data):
    return {key: value for key, value in data.items() if key != "origin"}
