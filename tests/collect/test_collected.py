"""The highest stored result of each stream is announced, retained, once for each change; the daemon believes it."""

import asyncio
import json
import shutil

import aiomqtt
import pytest

from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.store import Store
from daq.collect import collected
from daq.collect.collected import Announcer, highest
from daq.collect.gaps import store_statuses
from daq.methods.messages.statusdata import CollectedData
from tests.collect.parts import events, measure, publishing, status, tables, until
from tests.support.processes.collector import collecting, daemon, worker_settings
from tests.support.processes.mosquitto import PASSWORD, eventually, listening, needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import DATABASE, SOURCE, TOPICS, own_id, result
from tests.support.runs.stored import T0

pytestmark = [needs_postgres, needs_mosquitto]
LATER = SOURCE.replace("#1", "#2")
OTHER = f"urn:uuid:{DATABASE[:-1]}2#1"


async def announced(db):
    found = [(a.topic, CollectedData.model_validate_json(a.payload)) for a in await highest(db)]
    assert all(topic == TOPICS.collected(m.stream) for topic, m in found)
    return [(m.source, m.epoch, m.stream, m.sequence, m.id) for _, m in found]


@pytest.mark.asyncio
async def test_the_highest_number_of_the_newest_epoch_of_each_stream_is_announced(database):
    async with tables(database) as (db, writer):
        assert await announced(db) == []
        await writer.take(events(4, 9, 2))
        await writer.take(events(3, stream="bench-2"))
        one, two = (
            (SOURCE, 1, "bench-1", 9, own_id(SOURCE, "bench-1", 9)),
            (SOURCE, 1, "bench-2", 3, own_id(SOURCE, "bench-2", 3)),
        )
        assert await announced(db) == [one, two]
        await writer.take(events(1, source=LATER))
        newer = (LATER, 2, "bench-1", 1, own_id(LATER, "bench-1", 1))
        assert await announced(db) == [newer, two]
        await writer.take(events(10))  # a result of the earlier epoch that came late
        assert await announced(db) == [newer, two]
        # A lower end, as of a database that was put back, takes nothing back here.
        await store_statuses(db, [status(bench_1=2)])
        assert await announced(db) == [newer, two]


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("present", [SOURCE, OTHER])
async def test_of_two_databases_with_one_prefix_that_of_the_present_status_counts(database, present):
    async with tables(database) as (db, writer):
        await writer.take(events(7))
        await writer.take(events(2, source=OTHER))
        await store_statuses(db, [status(source=present)])
        ((source, *_),) = await announced(db)
        assert source == present


@pytest.mark.asyncio
async def test_only_changes_are_sent_at_a_pace_and_again_until_they_are_accepted(database, monkeypatch):
    monkeypatch.setattr(collected, "MOST_MESSAGES", 2)
    sent, code = [], 0

    def send(message, answered):
        sent.append((message.topic[-7:], json.loads(message.payload)["sequence"]))
        answered(code)
        return True

    announcer, wait = Announcer(), collected.EVERY_S
    async with tables(database) as (db, writer):
        for stream in ("bench-1", "bench-2", "bench-3"):
            await writer.take(events(1, 2, stream=stream))
        code = 0x87  # not authorised (MQTT 5, section 3.4.2.1)
        assert await announcer.announce(db, 0.0, send) == 2
        code = 0
        assert await announcer.announce(db, wait / 2, send) == 0
        assert await announcer.announce(db, wait, send) == 2
        assert sent == [("bench-1", 2), ("bench-2", 2)] * 2
        assert await announcer.announce(db, 2 * wait, send) == 1
        assert await announcer.announce(db, 3 * wait, send) == 0
        await writer.take(events(3, stream="bench-2"))
        assert await announcer.announce(db, 4 * wait, send) == 1
        assert sent[4:] == [("bench-3", 2), ("bench-2", 3)]
        assert await announcer.announce(db, 5 * wait, lambda *_: False) == 0
        announcer.forget()
        assert await announcer.announce(db, 5 * wait, send) == 2
        assert len(announcer.accepted) == 2


@pytest.mark.slow
@pytest.mark.asyncio
async def test_the_watching_worker_publishes_retained_messages_and_only_when_they_change(broker, database, monkeypatch):
    monkeypatch.setattr(collected, "EVERY_S", 0.1)
    monkeypatch.setattr("daq.collect.housekeeping.BEAT_S", 0.1)
    async with (
        collecting(worker_settings(broker, database)) as (worker, _),
        daemon(broker) as d,
        listening(broker.port, topic=TOPICS.collected_of_all()) as seen,
    ):
        await eventually(lambda: worker.state.connected)
        await d.publish(result(1), result(2), result(1, stream="bench-2"))
        await seen.until(lambda: len({topic for topic, _, _ in seen.received}) == 2)
        await asyncio.sleep(1.5)
        count = len(seen.received)
        await asyncio.sleep(1.5)
        assert len(seen.received) == count, "an unchanged message was sent again"
        await d.publish(result(3))
        await seen.until(lambda: [p["sequence"] for t, p, _ in seen.received if t.endswith("bench-1")][-1] == 3)
    async with listening(broker.port, topic=TOPICS.collected_of_all()) as late:
        await late.until(lambda: len(late.received) == 2)
        assert {p["stream"]: p["sequence"] for _, p, _ in late.received} == {"bench-1": 3, "bench-2": 1}


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_daemon_with_an_older_database_starts_a_new_epoch_by_the_collector_alone(
    broker, database, query, tmp_path, monkeypatch
):
    """The database is older, and the broker has no message of the daemon; the mark beside the database is not compared."""
    monkeypatch.setattr(collected, "EVERY_S", 0.1)
    monkeypatch.setattr("daq.collect.housekeeping.BEAT_S", 0.2)
    path = tmp_path / "daq.sqlite"
    with Store(path, utc_ns=T0) as store:
        measure(store, 2)
    shutil.copy2(path, tmp_path / "copy.sqlite")
    async with collecting(worker_settings(broker, database)) as (worker, _):
        await eventually(lambda: worker.state.connected)
        with Store(path) as store:
            measure(store, 3)
            async with publishing(store, broker):
                await until(query, "SELECT count(*) FROM lab.results", [(5,)])
        async with listening(broker.port, topic=TOPICS.collected_of_all()) as seen:
            await seen.until(lambda: seen.received and seen.received[-1][1]["sequence"] == 5)
        async with aiomqtt.Client("127.0.0.1", broker.port, username="daq", password=PASSWORD) as client:
            await client.publish(TOPICS.status(), b"", qos=1, retain=True)
        shutil.copy2(tmp_path / "copy.sqlite", path)
        with Store(path) as store:
            async with publishing(store, broker):
                await eventually(lambda: store.epoch == 2)
            with store.reader() as reader:
                assert TOPICS.collected("bench-1") in last_epoch_start(reader).reason
