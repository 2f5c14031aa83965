"""The daemon checks the stored data: the newest runs at its start, all of them in the background."""

import asyncio
import shutil
import threading

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.agreement import everything
from daq.adapters.store.rows import CHANGED
from daq.app.daemon import evidence
from daq.app.daemon.evidence import Evidence
from daq.app.daemon.metrics import Gatherer
from daq.app.daemon.protocol import AskStatus
from daq.app.daemon.service import Service
from daq.core.errors import StoreError
from tests.support.memory_bench import SupervisorBench
from tests.support.runs.full_database import falsified, make_full_database, make_long_database

pytestmark = pytest.mark.asyncio


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    return make_full_database(tmp_path_factory.mktemp("full") / "state")


def bench_with(original, tmp_path, *statements):
    bench = SupervisorBench(tmp_path)
    with falsified(original, database_path(bench.supervisor.state)) as db:
        for statement in statements:
            assert db.execute(statement).rowcount > 0
    return bench


async def test_agreeing_data_are_checked_to_the_end(original, tmp_path):
    async with bench_with(original, tmp_path) as bench:
        await bench.until(lambda: bench.supervisor.evidence.checked == "all runs")
        assert Service(bench.supervisor).status().evidence.findings == ()


async def test_an_altered_value_is_shown_in_the_status_from_the_start(original, tmp_path):
    async with bench_with(original, tmp_path, "UPDATE runs SET lot = 'L9' WHERE sample = 'G-1042'") as bench:
        (finding,) = {f for f in Service(bench.supervisor).status().evidence.findings if "lot: 'L9' here, 'L7'" in f}
        assert finding.startswith("table runs: runs ")


async def test_an_old_run_is_found_in_the_background(tmp_path, monkeypatch):
    monkeypatch.setattr(everything, "NEWEST_RUNS", 5)
    path = make_long_database(tmp_path / "long.db", 30)
    async with bench_with(path, tmp_path, "UPDATE runs SET lot = 'L9' WHERE id = 'run-3'") as bench:
        await bench.until(lambda: bench.supervisor.evidence.checked == "all runs")
        assert any("runs run-3, lot: " in f for f in Service(bench.supervisor).status().evidence.findings)


async def test_the_quick_check_alone_covers_the_newest_runs(tmp_path, monkeypatch):
    monkeypatch.setattr(everything, "NEWEST_RUNS", 5)
    path = tmp_path / "changed.db"
    with falsified(make_long_database(tmp_path / "long.db", 30), path) as db:
        db.execute("UPDATE runs SET lot = 'L9' WHERE id IN ('run-3', 'run-29')")
    found = Evidence(path)
    await found.check_newest()
    assert found.checked == "newest runs"
    assert [("run-29" in f, "run-3," in f) for f in found.findings] == [(True, False)]


@pytest.mark.parametrize("page", range(2, 60, 3))
async def test_no_damaged_page_is_served(original, tmp_path, page):
    """Each of these pages holds data or an index: the daemon does not start, or names what the page changed."""
    bench = SupervisorBench(tmp_path)
    path = database_path(bench.supervisor.state)
    data = original.read_bytes()
    path.write_bytes(data[: page * 4096] + b"\xa5" * 4096 + data[page * 4096 + 4096 :])
    try:
        async with bench:
            named = Service(bench.supervisor).status().evidence.findings
    except StoreError as error:
        named = (str(error),)
        assert str(path) in named[0]
    assert named


async def ends_when_cancelled(task, found):
    """Cancel a check; return whether it ends within 5 s.  A thread that goes on is released, so that the test can end."""
    task.cancel()
    done, _ = await asyncio.wait({task}, timeout=5)
    found._stop.set()
    await asyncio.gather(task, return_exceptions=True)
    return bool(done) and task.cancelled()


async def test_the_end_of_the_daemon_does_not_wait_for_the_background(original, tmp_path, monkeypatch):
    monkeypatch.setattr(evidence, "PAUSE_FACTOR", 1e6)
    path = tmp_path / "long.db"
    shutil.copyfile(original, path)
    found = Evidence(path)
    task = asyncio.create_task(found.check_all())
    while threading.active_count() < 2 or found._worked == 0.0:
        await asyncio.sleep(0.01)
    await asyncio.sleep(0.2)
    assert await ends_when_cancelled(task, found)
    assert found.checked == "none"


#: A statement that runs for more than 5 s in one step of SQLite.
SLOW = "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 60000000) SELECT count(*) AS n FROM n"


async def test_the_end_of_the_daemon_does_not_wait_for_a_statement_of_the_background(original, tmp_path, monkeypatch):
    """A statement that runs is interrupted: between two statements only would be too late on a slow disk."""
    started, ended = threading.Event(), []

    def check(stored, **_):
        started.set()
        try:
            return stored.rows(SLOW)
        except StoreError as error:
            ended.append(str(error))
            raise

    monkeypatch.setattr(evidence, "check_agreement", check)
    path = tmp_path / "long.db"
    shutil.copyfile(original, path)
    found = Evidence(path)
    task = asyncio.create_task(found.check_all())
    assert await asyncio.to_thread(started.wait, 20)
    await asyncio.sleep(0.2)
    assert await ends_when_cancelled(task, found)
    assert len(ended) == 1
    assert "interrupted" in ended[0]
    assert found.checked == "none"


async def test_the_status_and_the_metrics_show_messages_that_are_not_sent_because_they_were_changed(original, tmp_path):
    mark = f"state = 'refused', quarantined = 1, refused_utc_ns = 1, last_error = '{CHANGED}'"
    change = f"UPDATE delivery SET {mark} WHERE seq = 5"  # noqa: S608 - our text
    async with bench_with(original, tmp_path, change) as bench:
        (answer,) = [a async for a in Service(bench.supervisor).handle(AskStatus())]
        outbox = answer.status.outbox
        assert outbox.trouble == ""
        assert (outbox.changed, outbox.quarantined, outbox.refused) == (1, 0, 0)
        assert outbox.first_refused[0].reason == CHANGED
        shown = Gatherer(bench.supervisor).text().decode()
        assert 'daq_outbox_messages{state="changed"} 1' in shown
