"""Workers against a real broker and a real server: nothing is acknowledged before it is committed."""

import asyncio
import dataclasses

import pytest

from daq.collect.broker import ManualAckClient
from daq.collect.decisions import retry_refused
from daq.collect.housekeeping import Housekeeper
from daq.collect.worker import Worker
from daq.core.errors import StoreError
from tests.support.processes.collector import collecting, daemon, worker_settings
from tests.support.processes.mosquitto import Mosquitto, eventually, needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import result

pytestmark = [needs_postgres, needs_mosquitto]


async def count(query, table="results"):
    return (await asyncio.to_thread(query, f"SELECT count(*) FROM lab.{table}"))[0][0]  # noqa: S608 - a name of ours


async def until(query, wanted, table="results", seconds=90.0):
    end = asyncio.get_running_loop().time() + seconds
    while (now := await count(query, table)) != wanted:
        assert asyncio.get_running_loop().time() < end, f"{now} rows in {table}, not {wanted}"
        await asyncio.sleep(0.05)


@pytest.mark.slow
@pytest.mark.asyncio
async def test_two_workers_share_the_work_and_invalid_messages_stop_neither(broker, database, query):
    wrong = [
        ("glaze-works/kiln-street/quality/lab/v1/result/x", b"nonsense"),
        (result(9)[0], result(9)[1].replace(b'"schema_version":1', b'"schema_version":1e200000')),
    ]
    async with (
        collecting(worker_settings(broker, database, "a")) as (a, _),
        collecting(worker_settings(broker, database, "b")) as (b, _),
        daemon(broker) as d,
    ):
        await eventually(lambda: a.state.connected and b.state.connected)
        await d.publish(*[m for n in range(10, 70) for m in (result(n), *(wrong if n % 30 == 0 else ()))])
        await until(query, 60)
        await until(query, 2, "refused")
        await eventually(lambda: a.state.refused + b.state.refused == 4)
        assert a.state.taken + b.state.taken == 60
        assert min(a.state.taken, b.state.taken) > 10
    reasons = dict(query("SELECT reason, times FROM lab.refused"))
    assert set(reasons.values()) == {2}
    assert any("the database cannot store it" in r for r in reasons)
    assert query("SELECT worker, trouble FROM lab.workers ORDER BY 1") == [("a", ""), ("b", "")]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_while_the_database_is_away_the_broker_keeps_everything_and_no_more_than_the_window_is_taken(
    broker, database, server, query
):
    async with collecting(worker_settings(broker, database, window=10)) as (worker, _), daemon(broker) as d:
        await eventually(lambda: worker.state.connected)
        await d.publish(*[result(n) for n in range(1, 6)])
        await until(query, 5)
        with server.connect() as db:
            db.execute(f"ALTER DATABASE {database.database} ALLOW_CONNECTIONS false")
            db.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s AND application_name <> ''",
                (database.database,),
            )
            await d.publish(*[result(n) for n in range(6, 106)])
            await eventually(lambda: worker.state.in_hand > 0 and worker.state.trouble != "")
            assert worker.state.in_hand <= 10
            assert worker.state.taken == 5
            assert "wait at the broker" in worker.state.trouble
            db.execute(f"ALTER DATABASE {database.database} ALLOW_CONNECTIONS true")
        await until(query, 105)
        assert worker.state.trouble == ""
    assert query("SELECT count(DISTINCT id) FROM lab.results") == [(105,)]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_events_committed_and_not_acknowledged_arrive_again_and_are_duplicates(
    broker, database, query, monkeypatch
):
    acknowledge = ManualAckClient.acknowledge
    monkeypatch.setattr(ManualAckClient, "acknowledge", lambda *_: None)
    async with collecting(worker_settings(broker, database)) as (worker, _), daemon(broker) as d:
        await eventually(lambda: worker.state.connected)
        await d.publish(*[result(n) for n in range(1, 11)])
        await until(query, 10)
    monkeypatch.setattr(ManualAckClient, "acknowledge", acknowledge)
    async with collecting(worker_settings(broker, database)) as (worker, _):
        await eventually(lambda: worker.state.duplicates == 10)
        assert worker.state.taken == 0
    # A broker may close a connection before it has read the last acknowledgements; such events come once more.
    again = []
    for number in range(11, 16):
        async with collecting(worker_settings(broker, database)) as (worker, _), daemon(broker) as d:
            await d.publish(result(number))
            await until(query, number)
            again.append(worker.state.duplicates)
        if not again[-1]:
            break
    assert again[-1] == 0, f"what was acknowledged came again: {again}"


@pytest.mark.slow
@pytest.mark.asyncio
async def test_the_broker_keeps_results_for_a_worker_that_is_away_and_forgets_one_that_retires(broker, database, query):
    settings = worker_settings(broker, database)
    async with collecting(settings) as (worker, _):
        await eventually(lambda: worker.state.connected)
    async with daemon(broker) as d:
        await d.publish(*[result(n) for n in range(1, 31)])
        worker = Worker(settings, seed=1)
        await worker.retire()
        assert worker.state.taken == 30
        await until(query, 30)
        await d.publish(result(31))
    async with collecting(settings) as (worker, _), daemon(broker) as d:
        await eventually(lambda: worker.state.connected)
        await d.publish(result(32))
        await until(query, 31)
    assert query("SELECT sequence FROM lab.results ORDER BY sequence DESC LIMIT 2") == [(32,), (30,)]


@pytest.mark.asyncio
async def test_a_second_process_with_the_same_name_is_refused(broker, database, monkeypatch):
    monkeypatch.setattr("daq.collect.housekeeping.LOCK_PATIENCE_S", 0.5)
    async with collecting(worker_settings(broker, database)):
        second = worker_settings(broker, database)
        with pytest.raises(StoreError, match="another name with --worker"):
            await Housekeeper(second, lambda: None).claim()


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_broker_that_goes_and_comes_back_is_named_and_waited_for(broker, database, query):
    async with collecting(worker_settings(broker, database)) as (worker, _):
        await eventually(lambda: worker.state.connected)
        async with daemon(broker) as d:
            await d.publish(result(1))
            await until(query, 1)
        broker.kill()
        await eventually(lambda: not worker.state.connected and worker.state.trouble != "")
        broker.start()
        await eventually(lambda: worker.state.connected, 40)
        assert worker.state.trouble == ""
        async with daemon(broker) as d:
            await d.publish(result(2))
            await until(query, 2)


@pytest.mark.asyncio
async def test_a_wrong_password_for_the_broker_is_named(broker, database):
    wrong = dataclasses.replace(worker_settings(broker, database).mqtt, password="wrong")  # noqa: S106 - of nothing
    async with collecting(worker_settings(broker, database, mqtt=wrong)) as (worker, _):
        await eventually(lambda: "check user, password" in worker.state.trouble)


@pytest.mark.asyncio
async def test_refused_messages_are_stored_when_this_version_understands_them(broker, database, query, monkeypatch):
    messages = [result(1), result(2, change={"sample.id": "a\x00b"})]
    with monkeypatch.context() as older:
        older.setattr("daq.collect.decode._TYPES", {"lab.result.v0": "result"})
        async with collecting(worker_settings(broker, database)) as (worker, _), daemon(broker) as d:
            await eventually(lambda: worker.state.connected)
            await d.publish(*messages, ("glaze-works/k/q/lab/v1/result/x", b"nonsense"))
            await until(query, 3, "refused")
    assert await retry_refused(worker_settings(broker, database)) == (1, 2)
    assert query("SELECT sequence FROM lab.results") == [(1,)]
    assert query("SELECT count(*) FROM lab.refused") == [(2,)]


RULES = """
user daq
topic readwrite glaze-works/kiln-street/quality/lab/v1/#
user historian
topic read glaze-works/+/+/lab/v1/#
topic write glaze-works/+/+/lab/v1/refill
topic write glaze-works/+/+/lab/v1/collected/+
"""
"""As README.md of daq/collect gives them, for the users of this broker."""


@pytest.mark.asyncio
async def test_the_rules_that_a_collector_needs_are_enough(tmp_path, database, query):
    (tmp_path / "strict").mkdir()
    strict = Mosquitto(tmp_path / "strict", acl=RULES).start()
    try:
        async with collecting(worker_settings(strict, database)) as (worker, _), daemon(strict) as d:
            await eventually(lambda: worker.state.connected)
            await d.publish(result(1), result(3))
            await d.status(bench_1=3)
            await until(query, 2)
            await eventually(lambda: d.asked != [])
            assert d.asked[0]["stream"] == "bench-1"
    finally:
        strict.stop()
