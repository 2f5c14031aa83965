"""Facts of a run that hold whatever happens to clock, disk and line: its times, its number, the state of its motor."""

import asyncio
import json
import shutil
import sqlite3
from datetime import datetime

import pytest

from daq.adapters.clock import ScaledClock
from daq.app.daemon import unfinished
from daq.app.daemon.metrics import Gatherer
from daq.app.daemon.service import Service
from daq.app.records.replaying import recompute
from daq.app.workshop.diagnosis import _continuity, _of_status, _unfinished
from daq.core.errors import StoreError
from daq.core.linkstates import Motor
from tests.support.memory_bench import SCALE, SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

HOUR = 3600.0


class SetClock(ScaledClock):
    """A clock that the test sets."""

    def __init__(self):
        super().__init__(SCALE)
        self.shift_s, self.in_sync = 0.0, None

    def utc_ns(self):
        return super().utc_ns() + round(self.shift_s * 1e9)

    def synchronised(self):
        return self.in_sync


def moment(text):
    return datetime.fromisoformat(text).timestamp()


def codes(data):
    return [w["code"] for w in data["warnings"]]


async def measured(tmp_path, *, steps=(), early=0.0, in_sync=None):
    """Measure with a clock that is set in the run; return result, record and replay."""
    clock = SetClock()
    clock.in_sync = in_sync
    async with SupervisorBench(tmp_path, clock=clock) as bench:
        if early:
            # The clock is set between the record of the run and its first reading.
            session, lend = bench.session, bench.session.lend

            async def lend_late(*args):
                clock.shift_s += early
                await lend(*args)

            session.lend = lend_late
        began = clock.mono_ns()
        active = await bench.measuring("long")
        for step in steps:
            before = active.runner.events
            clock.shift_s += step
            await asyncio.sleep(1.2)  # the clock is compared twice a second
            assert active.runner.events > before
        bench.supervisor.stop_run("bench-1", "m.keeper")
        await active.task
        lasted = (clock.mono_ns() - began) / 1e9
        run = active.record.id
        with bench.supervisor.store.reader() as reader:
            record = reader.run(run)
            data = json.loads(reader.newest_result(run).data)
            again = recompute(reader, record, bench.supervisor.catalogue.drivers)
    return data, record, again, lasted


STEPS = {
    "none": ((), 0.0),
    "25 h back": ((-25 * HOUR,), 0.0),
    "25 h forward": ((25 * HOUR,), 0.0),
    "there and back": ((-2 * HOUR, 3 * HOUR), 0.0),
    "before the first reading": ((), -25 * HOUR),
    "before and in the run": ((3 * HOUR,), -25 * HOUR),
}


@pytest.mark.parametrize("case", STEPS)
async def test_a_run_ends_after_it_began_and_names_every_step_of_the_clock(tmp_path, case):
    steps, early = STEPS[case]
    data, record, again, lasted = await measured(tmp_path, steps=steps, early=early)
    origin = data["origin"]
    duration = moment(origin["ended"]) - moment(origin["began"])
    assert 0.0 < duration < lasted
    assert record.began_utc_ns < record.ended_utc_ns < record.began_utc_ns + lasted * 1e9
    every = [s for s in (early, *steps) if s]
    assert origin["clock_steps"] == len(every)
    if every:
        assert origin["clock_step"] == pytest.approx(max(every, key=abs), abs=1.0)
        assert codes(data).count("clock_stepped") == 1
    else:
        assert origin["clock_step"] is None
        assert "clock_stepped" not in codes(data)
    assert not again.differences
    assert again.replay.same


@pytest.mark.parametrize("in_sync", [True, False, None])
async def test_the_state_of_the_clock_is_a_fact_of_the_result(tmp_path, in_sync):
    data, _, again, _ = await measured(tmp_path, in_sync=in_sync)
    assert data["origin"]["clock_synchronised"] is in_sync
    assert ("clock_not_synchronised" in codes(data)) is (in_sync is False)
    assert not again.differences


# ---- a disk that is full when a run is recovered


class FullDisk:
    """A hook of the store: while it is on, each transaction of the named kinds fails as on a full disk."""

    def __init__(self, *kinds):
        self.kinds, self.is_on = kinds, False

    def __call__(self, point):
        if self.is_on and point.split(".")[0] in self.kinds:
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error


async def killed(tmp_path):
    """Return a state directory as a kill in the middle of a run leaves it, and the id of the run."""
    (tmp_path / "before").mkdir()
    async with SupervisorBench(tmp_path / "before") as bench:
        await (await bench.begin("short")).task
        active = await bench.measuring("long")
        await asyncio.sleep(1.2)
        left = tmp_path / "left"
        left.mkdir()
        state = bench.supervisor.state
        with sqlite3.connect(state / "daq.db") as source, sqlite3.connect(left / "daq.db") as target:
            source.backup(target)
        return left, active.record.id


@pytest.mark.parametrize("kind", ["conclude", "end_run"])
@pytest.mark.parametrize("way", ["by itself", "before the next run"])
async def test_a_run_that_could_not_be_recovered_is_named_and_stored_when_the_disk_has_room(
    tmp_path, monkeypatch, kind, way
):
    monkeypatch.setattr(unfinished, "TRY_AGAIN_S", 0.2 if way == "by itself" else 3600.0)
    left, run = await killed(tmp_path)
    assert [(f.ok, f.what) for f in _unfinished(left)] == [(False, f"run {run}")]
    disk = FullDisk(kind)
    disk.is_on = True
    (tmp_path / "after").mkdir()
    async with SupervisorBench(tmp_path / "after", state=left, crash_hook=disk) as bench:
        supervisor = bench.supervisor
        status = Service(supervisor).status()
        assert {r: u.instrument for r, u in status.unfinished.items()} == {run: "bench-1"}
        assert "disk is full" in status.unfinished[run].reason
        assert b"daq_runs_unfinished 1" in Gatherer(supervisor).text()
        (finding,) = [f for f in _of_status(status, 1) if f.what == f"run {run}"]
        assert not finding.ok
        assert "disk is full" in finding.say
        assert supervisor.facts.facts()["unfinished_runs"] == {run: "bench-1"}
        await bench.until(lambda: bench.session.stop_confirmed)
        with pytest.raises(StoreError, match=f"run {run} of bench-1 is not stored yet"):
            await bench.begin("short")
        disk.is_on = False
        if way == "by itself":
            await bench.until(lambda: not supervisor.unfinished.runs)
        active = await bench.begin("short")
        assert not supervisor.unfinished.runs
        await active.task
        assert b"daq_runs_unfinished 0" in Gatherer(supervisor).text()
        with supervisor.store.reader() as reader:
            assert reader.unfinished_runs() == []
            assert reader.run(run).outcome == "interrupted"
            recovered, later = (reader.results(r)[0] for r in (run, active.record.id))
            assert recovered.epoch == later.epoch
            assert recovered.sequence + 1 == later.sequence
            assert reader.motors_in_doubt() == []


async def test_a_run_that_can_never_be_recovered_does_not_block_its_instrument(tmp_path, monkeypatch):
    monkeypatch.setattr(unfinished, "TRY_AGAIN_S", 3600.0)
    left, run = await killed(tmp_path)
    with sqlite3.connect(left / "daq.db") as db:
        db.execute("UPDATE runs SET header = '{\"format\": 99}' WHERE id = ?", [run])
        db.execute("DROP TRIGGER journal_no_delete")
        db.execute("DELETE FROM journal WHERE run = ?", [run])
    (tmp_path / "after").mkdir()
    async with SupervisorBench(tmp_path / "after", state=left) as bench:
        assert run in Service(bench.supervisor).status().unfinished
        await bench.until(lambda: not bench.session.standing.motor)
        assert (await (await bench.begin("short")).task).outcome == "complete"
        assert run in bench.supervisor.unfinished.runs


# ---- the motor


async def test_the_motor_is_in_the_result_and_a_later_stop_in_the_status(tmp_path):
    async with SupervisorBench(tmp_path) as bench:
        facts = bench.supervisor.facts.facts
        assert facts()["motors"] == {"bench-1": "not_moved"}
        active = await bench.measuring("long")
        assert facts()["motors"] == {"bench-1": "turning"}
        bench.supervisor.stop_run("bench-1", "m.keeper")
        outcome = await active.task
        assert outcome.motor is Motor.STILL
        # The result does not wait for the motor; the status names the stop as soon as it is confirmed.
        assert bench.result(active.record.id)["motor"] in ("stopping", "still")
        assert facts()["motors"] == {"bench-1": "still"}
        active = await bench.measuring("long")
        bench.box.silent = True  # the cable is pulled: the stop cannot be confirmed
        outcome = await active.task
        assert outcome.motor is Motor.IN_DOUBT
        assert bench.result(active.record.id)["motor"] in ("stopping", "may_still_be_turning")
        assert facts()["motors"] == {"bench-1": "may_still_be_turning"}
        bench.box.silent = False
        await bench.until(lambda: facts()["motors"] == {"bench-1": "still"})


# ---- a database that was put back


async def test_after_a_copy_was_put_back_the_next_result_has_a_number_of_a_new_epoch(tmp_path):
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
    async with SupervisorBench(tmp_path / "first") as bench:
        await (await bench.begin("short")).task
    state = bench.supervisor.state
    shutil.copy2(state / "daq.db", tmp_path / "copy.db")
    async with SupervisorBench(tmp_path / "second", state=state) as bench:
        lost = (await (await bench.begin("short")).task).committed
        assert (bench.supervisor.store.epoch, lost.sequence) == (1, 2)
    (state / "daq.db").write_bytes((tmp_path / "copy.db").read_bytes())
    (tmp_path / "third").mkdir()
    async with SupervisorBench(tmp_path / "third", state=state) as bench:
        new = (await (await bench.begin("short")).task).committed
        assert (bench.supervisor.store.epoch, new.sequence) == (2, 1)
        assert "older copy" in Service(bench.supervisor).status().put_back
        assert bench.supervisor.facts.facts()["put_back"]["epoch"] == 2
        with bench.supervisor.store.reader() as reader:
            (entry,) = [e for e in reader.audit() if e.what == "epoch_started"]
            assert json.loads(entry.detail)["epoch"] == 2
        (finding,) = _continuity(state, bench.clock.utc_ns())
        assert not finding.ok
        assert "epoch 2 began on" in finding.say
        assert not list(_continuity(state, bench.clock.utc_ns() + 8 * 86_400 * 10**9))
