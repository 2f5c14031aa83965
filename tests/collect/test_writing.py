"""Guarantees of the writer: each event once and none lost, with repeated, concurrent and wrong messages."""

import asyncio
import contextlib
import hashlib
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from daq.collect.database import is_data_error, open_database
from daq.collect.decode import Live, decode
from daq.collect.schema import migrate
from daq.collect.writing import RefusedMessage, Writer, Written
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import SOURCE, T0, TOPICS, curve, own_id, result

pytestmark = needs_postgres


@contextlib.asynccontextmanager
async def writer(database):
    db = await open_database(database, "test")
    try:
        await migrate(db)
        made = Writer(db)
        await made.prepare()
        yield made
    finally:
        await db.close()


def events(*messages):
    return [decode(*m) for m in messages]


@pytest.mark.asyncio
async def test_an_event_comes_into_the_table_with_its_columns_and_its_whole_text(database, query):
    topic, payload = result(7)
    async with writer(database) as w:
        assert await w.take(events((topic, payload))) == Written(taken=1)
    (row,) = query(
        "SELECT s.source, r.id::text, r.time, r.stream, r.sequence, r.prefix, r.sample, r.product, r.value, r.unit, "
        "r.expanded, r.verdict, r.limit_low, r.limit_high, r.began, r.event, k.digest "
        "FROM lab.results r JOIN lab.sources s ON s.no = r.source JOIN lab.keys k ON k.source = r.source AND k.id = r.id"
    )
    assert row[:6] == (SOURCE, own_id(SOURCE, "bench-1", 7), T0 + timedelta(minutes=70), "bench-1", 7,
                       "glaze-works/kiln-street/quality/lab/v1")  # fmt: skip
    assert row[6:10] == ("S-bench-1-7", "clear-glaze", 800.0, "mPa.s")
    assert row[10] == pytest.approx(16.6, rel=0.01)
    data = row[15]["data"]
    assert (row[11], row[12], row[13]) == (
        data["verdict"]["verdict"], data["verdict"]["limits"][0]["low"], data["verdict"]["limits"][0]["high"],
    )  # fmt: skip
    assert row[14] == T0 + timedelta(minutes=70, seconds=-190)
    assert bytes(row[16]) == hashlib.sha256(payload).digest()


@pytest.mark.asyncio
async def test_repeated_events_are_stored_once_in_one_batch_and_over_batches_and_months(database, query):
    same = [result(n, time=T0 + timedelta(days=31 * n)) for n in (1, 2, 3)]
    async with writer(database) as w:
        assert await w.take(events(*same, same[1])) == Written(taken=3, duplicates=1)
        assert await w.take(events(*same, result(4))) == Written(taken=1, duplicates=3)
    assert query("SELECT count(*), count(DISTINCT id) FROM lab.results") == [(4, 4)]


@pytest.mark.asyncio
async def test_other_content_under_a_known_id_is_kept_aside_and_the_first_stands(database, query):
    first = result(1)
    other = result(1, change={"value": 1.0})
    elsewhen = result(1, time=T0 + timedelta(days=400))
    async with writer(database) as w:
        assert await w.take(events(first, other)) == Written(taken=1, conflicts=1)
        assert await w.take(events(elsewhen, other, first)) == Written(duplicates=1, conflicts=2)
    assert query("SELECT value FROM lab.results") == [(800.0,)]
    kept = {bytes(p) for (p,) in query("SELECT payload FROM lab.conflicts")}
    assert kept == {other[1], elsewhen[1]}


@pytest.mark.slow
@pytest.mark.asyncio
async def test_writers_with_the_same_events_at_the_same_time_take_each_once_and_do_not_lock_up(database, query):
    # Large enough for the statements of the three to overlap in the server.
    rounds = [events(*(result(2000 * r + n, time=T0) for n in range(1, 2001))) for r in range(2)]
    async with writer(database) as one, writer(database) as two, writer(database) as three:
        for messages in rounds:
            mixed = [*messages[1000:], *messages[:1000]]
            written = await asyncio.gather(one.take(messages), two.take(messages[::-1]), three.take(mixed))
            assert sum(w.taken for w in written) == 2000
            assert sum(w.duplicates for w in written) == 4000
    assert query("SELECT count(*), count(DISTINCT (source, id)) FROM lab.results") == [(4000, 4000)]


@pytest.mark.asyncio
async def test_a_curve_has_a_table_of_its_own_and_no_place_in_the_sequence(database, query):
    async with writer(database) as w:
        assert await w.take(events(result(5), curve(5), curve(5))) == Written(taken=2, duplicates=1)
    assert query("SELECT result::text, chosen FROM lab.curves") == [(own_id(SOURCE, "bench-1", 5), "power law")]
    assert query("SELECT sequence FROM lab.keys ORDER BY 1") == [(5,), (None,)]


@pytest.mark.asyncio
async def test_months_get_partitions_and_clocks_that_are_wrong_by_years_do_not(database, query):
    times = [datetime(2024, 2, 29, 23, 59, 59, tzinfo=UTC), datetime(2024, 3, 1, tzinfo=UTC)]
    wrong = [datetime(1970, 1, 1, tzinfo=UTC), datetime(2150, 6, 1, tzinfo=UTC)]
    async with writer(database) as w:
        await w.take(events(*(result(n, time=t) for n, t in enumerate([*times, *wrong], 1))))
    places = query("SELECT tableoid::regclass::text, sequence FROM lab.results ORDER BY 2")
    assert places == [
        ("lab.results_2024_02", 1), ("lab.results_2024_03", 2), ("lab.results_elsewhen", 3), ("lab.results_elsewhen", 4),
    ]  # fmt: skip


@pytest.mark.asyncio
async def test_future_rows_move_into_the_partition_of_their_month_when_it_is_made(database, query, monkeypatch):
    early = result(1, time=datetime(2027, 8, 9, tzinfo=UTC))
    async with writer(database) as w:
        monkeypatch.setattr("daq.collect.partitions.AHEAD", -2000)
        await w.take(events(early))
        assert query("SELECT tableoid::regclass::text FROM lab.results") == [("lab.results_elsewhen",)]
        monkeypatch.setattr("daq.collect.partitions.AHEAD", 2000)
        await w.take(events(result(2, time=datetime(2027, 8, 10, tzinfo=UTC))))
    assert query("SELECT DISTINCT tableoid::regclass::text, count(*) OVER () FROM lab.results") == [
        ("lab.results_2027_08", 2)
    ]


@pytest.mark.asyncio
async def test_a_month_that_was_dropped_does_not_come_back(database, query):
    async with writer(database) as w:
        await w.take(events(result(1)))
        await w._db.execute("DROP TABLE lab.results_2026_03")
        assert await w.take(events(result(1))) == Written(duplicates=1)
        assert await w.take(events(result(2))) == Written(taken=1)
    assert query("SELECT tableoid::regclass::text, sequence FROM lab.results") == [("lab.results_elsewhen", 2)]


@pytest.mark.asyncio
async def test_a_long_report_holds_up_nothing_but_a_new_month(database, query, server, monkeypatch):
    monkeypatch.setattr("daq.collect.partitions.LOCK_TIMEOUT", "200ms")
    later = events(result(2, time=T0 + timedelta(days=31)))
    async with writer(database) as w:
        await w.take(events(result(1)))
        with server.connect(database.database) as report, report.transaction():
            report.execute("SELECT count(*) FROM lab.results").fetchall()
            assert await w.take(events(result(3))) == Written(taken=1)
            with pytest.raises(psycopg.errors.LockNotAvailable) as caught:
                await w.take(later)
            assert not is_data_error(caught.value)
        assert await w.take(later) == Written(taken=1)


@pytest.mark.asyncio
async def test_a_row_that_cannot_be_stored_is_distinguished_from_a_fault_of_the_database(database, query):
    wrong = {
        "a sample's name that no index takes": result(1, change={"sample.id": "".join(map(chr, range(256, 12_000)))}),
        "a number beyond numeric": (result(1)[0], result(1)[1].replace(b'"schema_version":1', b'"schema_version":1e200000')),
    }  # fmt: skip
    async with writer(database) as w:
        for what, message in wrong.items():
            with pytest.raises((psycopg.Error, UnicodeError)) as caught:
                await w.take(events(message))
            assert is_data_error(caught.value), (what, caught.value)
        await w.take(events(result(2)))
    assert query("SELECT sequence FROM lab.results") == [(2,)]
    assert not is_data_error(psycopg.errors.DiskFull("no space"))
    assert not is_data_error(psycopg.errors.InsufficientPrivilege("may not"))
    assert not is_data_error(psycopg.OperationalError("server closed the connection unexpectedly"))


@pytest.mark.asyncio
async def test_messages_that_are_not_events_are_kept_byte_for_byte_and_counted(database, query):
    refused = RefusedMessage("a/result/b", b"\x00\xff not JSON", hashlib.sha256(b"x").digest(), "it is not UTF-8 text")
    async with writer(database) as w:
        await w.take([], [refused])
        await w.take(events(result(1)), [refused])
    assert query("SELECT topic, payload, reason, times FROM lab.refused") == [
        ("a/result/b", b"\x00\xff not JSON", "it is not UTF-8 text", 2)
    ]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_live_values_are_kept_once_each(database, query):
    values = [Live(TOPICS.prefix, T0, SOURCE, "bench-1", "r", "viscosity", 801.5, "mPa.s", "Good"),
              Live(TOPICS.prefix, T0, SOURCE, "bench-1", None, "temperature", None, "Cel", "Bad")]  # fmt: skip
    async with writer(database) as w:
        await w.take_live(values)
        await w.take_live(values)
    assert query("SELECT channel, value, unit, quality FROM lab.readings ORDER BY channel") == [
        ("temperature", None, "Cel", "Bad"), ("viscosity", 801.5, "mPa.s", "Good"),
    ]  # fmt: skip
