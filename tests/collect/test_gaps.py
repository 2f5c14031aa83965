"""Missing results are found, requested by one worker, and removed from the gaps on arrival."""

import asyncio
import contextlib
import itertools
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.collect import gaps
from daq.collect.settings import GapSettings
from tests.collect.parts import events, status, tables
from tests.support.processes.collector import collecting, daemon, worker_settings
from tests.support.processes.mosquitto import eventually, needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import SOURCE, TOPICS, result

pytestmark = [needs_postgres, needs_mosquitto]
AT_ONCE = GapSettings(patience_s=0.0, again_s=100.0, again_most_s=1000.0)


async def missing(db):
    found = await db.execute("SELECT stream, first, last FROM lab.missing ORDER BY source, stream, first")
    return await found.fetchall()


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("order", [1, -1])
async def test_a_daemon_whose_topics_were_renamed_is_there_twice_and_both_statuses_are_stored(database, order):
    """The broker keeps the last status under the old topic; a collector that starts gets both at once, and believes the
    one that is online."""
    old = gaps.Status("glazeworks/old-cell/lab/v1", SOURCE, "offline", None, {"bench-1": 7, "bench-2": 9}, "{}")
    new = status(bench_1=9, bench_2=9)
    async with tables(database) as (db, _):
        assert await gaps.store_statuses(db, [old, new][::order]) == [old]
        found = await db.execute("SELECT stream, announced FROM lab.streams ORDER BY stream")
        assert await found.fetchall() == [("bench-1", 9), ("bench-2", 9)]
        found = await db.execute("SELECT prefix FROM lab.databases")
        assert await found.fetchall() == [(TOPICS.prefix,)]
        found = await db.execute("SELECT state FROM lab.daemons ORDER BY state")
        assert [state for (state,) in await found.fetchall()] == ["offline", "online"]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_gap_is_found_shrinks_splits_and_goes(database):
    async with tables(database) as (db, writer):
        await writer.take(events(1, 2, 10, 11))
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == [("bench-1", 3, 9)]
        await writer.take(events(6, 3))
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == [("bench-1", 4, 5), ("bench-1", 7, 9)]
        await writer.take(events(4, 5, 7, 8, 9, 15))
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == [("bench-1", 12, 14)]
        await writer.take(events(12, 13, 14))
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == []


@pytest.mark.asyncio
async def test_the_end_of_a_stream_is_known_from_the_status(database):
    async with tables(database) as (db, writer):
        await writer.take(events(1, 2))
        await gaps.store_statuses(db, [status(bench_1=5, bench_2=2)])
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == [("bench-1", 3, 5), ("bench-2", 1, 2)]
        await gaps.store_statuses(db, [status(bench_1=4)])  # an old status, as a will is
        await writer.take(events(3, 4, 5))
        await gaps.find_gaps(db, history=True)
        assert await missing(db) == [("bench-2", 1, 2)]


@pytest.mark.asyncio
async def test_without_history_a_stream_starts_with_its_first_stored_result(database):
    async with tables(database) as (db, writer):
        await writer.take(events(40, 42))
        await gaps.store_statuses(db, [status(bench_2=7)])
        await gaps.find_gaps(db, history=False)
        assert await missing(db) == [("bench-1", 41, 41)]
        await gaps.store_statuses(db, [status(bench_2=9)])
        await gaps.find_gaps(db, history=False)
        assert await missing(db) == [("bench-1", 41, 41), ("bench-2", 8, 9)]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_requests_are_spaced_cut_to_size_and_ever_rarer(database):
    async with tables(database) as (db, writer):
        await writer.take(events(1, 2000))
        await gaps.store_statuses(db, [status(bench_1=2000)])
        await gaps.find_gaps(db, history=True)
        (request,) = await gaps.due_requests(db, AT_ONCE)
        assert (request.first, request.last, request.topic) == (2, 501, f"{TOPICS.prefix}/refill")
        assert await gaps.due_requests(db, GapSettings(patience_s=3600.0)) == []
        rng = random.Random(1)
        waits = []
        for _ in range(5):
            await gaps.record_request(db, request, AT_ONCE, rng)
            assert await gaps.due_requests(db, AT_ONCE) == []
            found = await db.execute("SELECT extract(epoch FROM next_ask - now())::float8 FROM lab.gaps")
            waits.append((await found.fetchone())[0])
        for n, wait in enumerate(waits):
            most = min(1000.0, 100.0 * 2**n)
            assert most / 2 - 1 <= wait <= most
        # The daemon answers: the rest is requested as soon as it allows.
        await writer.take(events(*range(2, 502)))
        await gaps.find_gaps(db, history=True)
        await db.execute("UPDATE lab.streams SET asked = now() - interval '7 s'")
        (request,) = await gaps.due_requests(db, AT_ONCE)
        assert (request.first, request.last) == (502, 1001)


@pytest.mark.asyncio
async def test_a_daemon_that_is_offline_is_not_asked(database):
    async with tables(database) as (db, writer):
        await writer.take(events(1, 3))
        await gaps.store_statuses(db, [status("offline")])
        await gaps.find_gaps(db, history=True)
        assert await gaps.due_requests(db, AT_ONCE) == []
        await gaps.store_statuses(db, [status("online", source=SOURCE.replace("#1", "#2"))])
        (request,) = await gaps.due_requests(db, AT_ONCE)
        assert request.source == SOURCE, "what a former epoch measured is asked for too"


_epochs = itertools.count(10)


@pytest.mark.slow
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    order=st.permutations(range(1, 16)), arrived=st.integers(1, 15), cuts=st.sets(st.integers(1, 14), max_size=4),
    announced=st.integers(1, 18), said_after=st.integers(0, 4),
)  # fmt: skip
def test_in_any_order_of_arrival_the_gaps_are_exactly_the_missing_results(
    database, order, arrived, cuts, announced, said_after
):
    source = SOURCE.replace("#1", f"#{next(_epochs)}")
    bounds = sorted({0, *(c for c in cuts if c < arrived), arrived})

    async def scenario():
        async with tables(database) as (db, writer):
            for n, (begin, end) in enumerate(itertools.pairwise(bounds)):
                await writer.take(events(*order[begin:end], source=source))
                if n == said_after:
                    await gaps.store_statuses(db, [status(source=source, bench_1=announced)])
                await gaps.find_gaps(db, history=True)
            here = set(order[:arrived])
            top = announced if said_after < len(bounds) - 1 else max(here)
            rows = await (
                await db.execute("SELECT first, last FROM lab.missing WHERE source = %s", (source,))
            ).fetchall()
            assert {n for first, last in rows for n in range(first, last + 1)} == set(range(1, top + 1)) - here

    asyncio.run(scenario())


@pytest.mark.slow
@pytest.mark.asyncio
async def test_one_of_two_workers_asks_the_daemon_and_what_it_sends_again_fills_the_gap(
    broker, database, query, monkeypatch
):
    monkeypatch.setattr("daq.collect.housekeeping.BEAT_S", 0.2)
    monkeypatch.setattr("daq.collect.gaps.SPACING_S", 0.5)
    async with (
        collecting(worker_settings(broker, database, "a")) as (a, first),
        collecting(worker_settings(broker, database, "b")) as (b, second),
        daemon(broker) as d,
    ):
        await eventually(lambda: a.state.connected and b.state.connected and first.watches != second.watches)
        d.answers = {n: result(n) for n in range(1, 9)}
        await d.publish(*[result(n) for n in (1, 2, 5, 6)])
        await d.status(bench_1=8)
        await until(query, "SELECT count(*), count(DISTINCT id) FROM lab.results", [(8, 8)])
        await until(query, "SELECT count(*) FROM lab.gaps", [(0,)])
        # A request may include results still on their way; every missing one is requested, none beyond the last.
        asked = {n for q in d.asked for n in range(q["first"], q["last"] + 1)}
        assert {3, 4, 7, 8} <= asked <= set(range(1, 9))
        assert {(q["source"], q["stream"]) for q in d.asked} == {(SOURCE, "bench-1")}
        assert first.watches != second.watches


async def until(query, text, wanted, seconds=90.0):
    end = asyncio.get_running_loop().time() + seconds
    while (now := await asyncio.to_thread(query, text)) != wanted:
        assert asyncio.get_running_loop().time() < end, f"{text}: {now}"
        await asyncio.sleep(0.1)


@pytest.mark.asyncio
async def test_when_the_worker_that_watches_goes_another_takes_over(broker, database, monkeypatch):
    monkeypatch.setattr("daq.collect.housekeeping.BEAT_S", 0.2)
    async with collecting(worker_settings(broker, database, "b")) as (_, second):
        await eventually(lambda: second.watches)
        async with collecting(worker_settings(broker, database, "a")) as (_, first):
            await asyncio.sleep(0.5)
            assert not first.watches
            with contextlib.suppress(Exception):
                await second._db.close()  # as when its connection broke
            await eventually(lambda: first.watches != second.watches, 30)


@pytest.mark.parametrize(
    "payload",
    [b"\xff", b"[]", b"{}", b'{"source": "x", "state": "online"}', b'{"source": 1, "state": "online"}',
     b'{"source": "urn:uuid:6f1e0f0a-0000-4000-8000-000000000001#1", "state": "online", "sequences": [1]}'],
)  # fmt: skip
def test_a_status_that_is_none_is_refused(payload):
    with pytest.raises(gaps.NotAnEventError):
        gaps.read_status("a/lab/v1/status", payload)


def test_a_status_with_wrong_numbers_keeps_the_right_ones():
    read = gaps.read_status(
        "a/lab/v1/status",
        b'{"source": "urn:uuid:6f1e0f0a-0000-4000-8000-000000000001#1", "state": "online", "time": "soon",'
        b' "sequences": {"a": 1, "b": -1, "c": "x", "d": true, "e": 1e99, "f": 99999999999999999999}}',
    )
    assert (read.prefix, read.time, dict(read.sequences)) == ("a/lab/v1", None, {"a": 1})
