"""Damaged and forged messages: each is named, none makes results missing without bound, replaces a result or blocks."""

import itertools
import json
import math
import random
from dataclasses import replace

import pytest

from daq.adapters.mqtt.settings import MqttSettings
from daq.collect import gaps
from daq.collect.broker import ReceivedMessage
from daq.collect.decisions import retry_refused
from daq.collect.decode import Live, decode
from daq.collect.settings import CollectSettings, GapSettings
from daq.collect.sources import rebind
from daq.collect.worker import Worker
from daq.collect.writing import Writer, Written
from tests.collect.parts import tables
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import SOURCE, T0, TOPICS, curve, own_head, own_id, result

pytestmark = needs_postgres
OTHER = "glaze-works/kiln-street/packing/lab/v1"
SECOND_ID = "00000000-0000-4000-8000-00000000000f"


def events(*messages):
    return [decode(*m) for m in messages]


def status(state="online", source=SOURCE, prefix=TOPICS.prefix, **sequences):
    return gaps.Status(prefix, source, state, None, {k.replace("_", "-"): n for k, n in sequences.items()}, "{}")


def elsewhere(message):
    """Return a message under the prefix of another bench."""
    topic, payload = message
    return topic.replace(TOPICS.prefix, OTHER), payload


async def missing_count(db):
    found = await db.execute("SELECT coalesce(sum(last - first + 1), 0)::bigint FROM lab.gaps")
    return (await found.fetchone())[0]


def settings_for(database):
    return CollectSettings(
        group="historian",
        worker="a",
        levels=("glaze-works/+/+",),
        mqtt=MqttSettings(host="127.0.0.1"),
        postgres=database,
    )


# the source and its topics


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_database_is_bound_to_the_topics_of_its_first_message_until_a_person_moves_it(database, query):
    async with tables(database) as (db, writer):
        assert await writer.take(events(result(1))) == Written(taken=1)
        forged = [elsewhere(result(2)), elsewhere(curve(1)), elsewhere(result(1, source=SOURCE.replace("#1", "#2")))]
        assert await writer.take(events(result(3), *forged)) == Written(taken=1, foreign=3)
        assert query("SELECT sequence FROM lab.results ORDER BY 1") == [(1,), (3,)]
        ((reason, kept),) = query("SELECT reason, payload FROM lab.refused WHERE payload = %s", forged[0][1])
        assert (TOPICS.prefix in reason, OTHER in reason, "--bind" in reason) == (True, True, True)
        assert bytes(kept) == forged[0][1]
        await rebind(db, SOURCE, OTHER)
        assert await writer.take(events(result(4))) == Written(foreign=1), "the worker sees the new topics at once"
    assert await retry_refused(settings_for(database)) == (3, 1)
    assert query("SELECT sequence, prefix FROM lab.results WHERE sequence = 2") == [(2, OTHER)]


@pytest.mark.asyncio
async def test_live_values_and_statuses_under_foreign_topics_are_not_believed(database, query):
    live = Live(TOPICS.prefix, T0, SOURCE, "bench-1", None, "viscosity", 801.5, "mPa.s", "Good")
    async with tables(database) as (db, writer):
        assert await writer.take_live([live]) == 0
        assert await writer.take_live([replace(live, prefix=OTHER, channel="speed")]) == 1
        forged = status(prefix=OTHER, bench_1=500)
        assert await gaps.store_statuses(db, [forged, status(bench_1=2)]) == [forged]
        await gaps.find_gaps(db, history=True)
        assert await missing_count(db) == 2
        (request,) = await gaps.due_requests(db, GapSettings(patience_s=0.0))
        assert request.prefix == TOPICS.prefix
    assert query("SELECT channel FROM lab.readings") == [("viscosity",)]


# the sequence


@pytest.mark.asyncio
async def test_a_second_id_for_a_sequence_number_is_a_conflict_and_the_first_stands_disputed(database, query):
    second = result(1, own=SECOND_ID, change={"value": 1.0})
    async with tables(database) as (_, writer):
        assert await writer.take(events(result(1), second)) == Written(taken=1, conflicts=1)
        assert await writer.take(events(second, result(1), result(2))) == Written(taken=1, duplicates=1, conflicts=1)
        assert await writer.take(events(result(1, stream="bench-2"), curve(1))) == Written(taken=2)
    assert query(
        "SELECT value, sequence, disputed FROM lab.results_in_force WHERE instrument = 'bench-1' ORDER BY sequence"
    ) == [(800.0, 1, True), (800.0, 2, False)]
    assert query("SELECT id::text, stream, sequence, payload FROM lab.conflicts") == [
        (SECOND_ID, "bench-1", 1, second[1])
    ]
    assert query("SELECT count(*) FROM lab.control_chart WHERE sample = 'S-bench-1-1'") == [(0,)]


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("seed", range(6))
async def test_in_any_mixture_one_id_has_each_number_and_every_other_message_is_named(database, query, seed):
    """Seeded batches with repeated, altered and second messages: the table holds the first of each number."""
    rng = random.Random(seed)
    firsts, seen, wanted_conflicts = {}, {}, set()
    async with tables(database) as (_, writer):
        for _ in range(8):
            batch = []
            for _ in range(rng.randint(1, 12)):
                n = rng.randint(1, 10)
                own = rng.choice(["", "", SECOND_ID[:-1] + rng.choice("abcdef")])
                message = result(n, own=own, change={"value": rng.choice([800.0, 800.0, 1.0])})
                batch.append((n, own or own_id(SOURCE, "bench-1", n), message))
            written = await writer.take(events(*(m for _, _, m in batch)))
            taken = 0
            for n, own, message in batch:
                if n not in firsts and own not in seen:
                    firsts[n], seen[own], taken = (own, message[1]), message[1], taken + 1
                elif seen.get(own) != message[1]:
                    wanted_conflicts.add(message[1])
            assert written.taken == taken
            assert written.taken + written.duplicates + written.conflicts == len(batch)
    assert dict(query("SELECT sequence, id::text FROM lab.results")) == {n: own for n, (own, _) in firsts.items()}
    assert {bytes(p) for (p,) in query("SELECT payload FROM lab.conflicts")} == wanted_conflicts


# the end of a stream


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("seed", range(8))
async def test_hostile_numbers_do_not_make_thousands_missing_and_the_true_ones_are_found(database, seed):
    """Seeded sequences: results 1 to 60 of which some are lost, hostile numbers and forged statuses among them."""
    rng = random.Random(seed)
    true = list(range(1, 61))
    lost = set(rng.sample(true, 7))
    hostile = [rng.choice([61 + rng.randrange(5000), 10 ** rng.randint(3, 14)]) for _ in range(5)]
    arriving = [n for n in true if n not in lost] + hostile
    rng.shuffle(arriving)
    forged = [status(state, bench_1=10 ** rng.randint(2, 14)) for state in ("online", "offline", "online")]
    async with tables(database) as (db, writer):
        while arriving:
            batch, arriving = arriving[:9], arriving[9:]
            await writer.take(events(*(result(n, time=T0) for n in batch)))
            if forged and rng.random() < 0.5:
                await gaps.store_statuses(db, [forged.pop()])
            if rng.random() < 0.5:
                await gaps.store_statuses(db, [status(bench_1=60)])
            await gaps.find_gaps(db, history=True, most_missing=2000)
            assert await missing_count(db) <= 2000
        await gaps.store_statuses(db, [status(bench_1=60)])
        for _ in range(2):
            await gaps.find_gaps(db, history=True, most_missing=2000)
        found = await (await db.execute("SELECT first, last FROM lab.gaps")).fetchall()
        missing = {n for first, last in found for n in range(first, last + 1)}
        assert missing == lost


@pytest.mark.slow
@pytest.mark.asyncio
async def test_without_any_status_at_most_a_thousand_are_missing_whatever_arrives(database):
    rng = random.Random(11)
    async with tables(database) as (db, writer):
        for _ in range(6):
            await writer.take(events(*(result(rng.randrange(1, 10 ** rng.randint(2, 14)), time=T0) for _ in range(20))))
            await gaps.find_gaps(db, history=True)
            assert await missing_count(db) <= gaps.UNCONFIRMED


@pytest.mark.asyncio
async def test_a_forged_end_is_not_believed_and_the_next_true_status_takes_a_smaller_one_back(database):
    async with tables(database) as (db, writer):
        await writer.take(events(result(1), result(2)))
        await gaps.store_statuses(db, [status(bench_1=10**15 - 1)])
        await gaps.find_gaps(db, history=True)
        assert await missing_count(db) == 0
        await gaps.store_statuses(db, [status(bench_1=50_000)])
        await gaps.find_gaps(db, history=True)
        assert await missing_count(db) == 49_998
        await gaps.store_statuses(db, [status(bench_1=5)])
        await gaps.find_gaps(db, history=True)
        found = await (await db.execute("SELECT first, last FROM lab.gaps")).fetchall()
        assert found == [(3, 5)]


@pytest.mark.asyncio
async def test_a_forgotten_gap_stays_forgotten_and_a_result_of_it_is_still_stored(database, query):
    async with tables(database) as (db, writer):
        await writer.take(events(result(1), result(6)))
        await gaps.store_statuses(db, [status(bench_1=9)])
        await gaps.find_gaps(db, history=True)
        numbers = {first: no for no, first in query("SELECT no, first FROM lab.gaps")}
        assert await gaps.forget_gap(db, numbers[2]) == ("bench-1", 2, 5)
        assert await gaps.forget_gap(db, numbers[2]) is None
        await db.execute("UPDATE lab.streams SET looked = 0")
        await gaps.find_gaps(db, history=True)
        found = await (await db.execute("SELECT first, last FROM lab.gaps")).fetchall()
        assert set(found) == {(7, 9)}
        assert await writer.take(events(result(3))) == Written(taken=1)
        # A forged end was forgotten: true results above the true end are asked for again when they are lost.
        await gaps.store_statuses(db, [status(bench_1=500)])
        await gaps.find_gaps(db, history=True)
        for (no,) in query("SELECT no FROM lab.gaps WHERE last > 9"):
            await gaps.forget_gap(db, no)
        await gaps.store_statuses(db, [status(bench_1=9)])
        await gaps.find_gaps(db, history=True)
        await gaps.store_statuses(db, [status(bench_1=12)])
        await gaps.find_gaps(db, history=True)
        found = await (await db.execute("SELECT max(last) FROM lab.gaps")).fetchall()
        assert found == [(12,)]


@pytest.mark.parametrize("sequences", [{f"bench-{n}": 1 for n in range(1001)}, {"a/b": 1, "a\x00": 2, "#": 3, "": 4}])
def test_a_status_with_too_many_or_impossible_streams(sequences):
    payload = json.dumps({"source": SOURCE, "state": "online", "sequences": sequences}).encode()
    if len(sequences) > gaps.MAX_STREAMS:
        with pytest.raises(gaps.NotAnEventError, match="1000 streams"):
            gaps.read_status("a/lab/v1/status", payload)
    else:
        assert gaps.read_status("a/lab/v1/status", payload).sequences == {}


# corrections


def correction(n, of, *, epoch=1, source=None, stream="bench-1", **more):
    return result(
        n, source=SOURCE.replace("#1", f"#{epoch}"), stream=stream,
        change={"supersedes": {"source": source or SOURCE, "id": own_id(source or SOURCE, "bench-1", of)}}, **more,
    )  # fmt: skip


BELIEVED = {
    "same epoch": (correction(2, 1), True),
    "later epoch": (correction(1, 1, epoch=2), True),
    "names another source": (
        result(2, change={"supersedes": {"source": SOURCE.replace("#1", "#7"), "id": own_id(SOURCE, "bench-1", 1)}}),
        False,
    ),
    "another database": (
        result(2, source="urn:uuid:6f1e0f0a-0000-4000-8000-00000000ffff#1",
               change={"supersedes": {"source": SOURCE, "id": own_id(SOURCE, "bench-1", 1)}}), False),
    "another stream": (correction(2, 1, stream="bench-2"), False),
    "itself": (result(2, change={"supersedes": {"source": SOURCE, "id": own_id(SOURCE, "bench-1", 2)}}), None),
}  # fmt: skip


@pytest.mark.asyncio
@pytest.mark.parametrize("name", BELIEVED)
async def test_a_correction_is_believed_from_the_same_database_and_stream_only(database, query, name):
    message, is_believed = BELIEVED[name]
    async with tables(database) as (_, writer):
        assert (await writer.take(events(result(1), message))).taken == 2
    in_force = {i for (i,) in query("SELECT id::text FROM lab.results_in_force")}
    assert json.loads(message[1])["id"] in in_force
    assert (own_id(SOURCE, "bench-1", 1) in in_force) == (not is_believed)
    assert query("SELECT count(*) FROM lab.corrections") == [(int(bool(is_believed)),)]


@pytest.mark.asyncio
async def test_two_results_cannot_replace_each_other(database, query):
    both = [
        result(n, change={"supersedes": {"source": SOURCE, "id": own_id(SOURCE, "bench-1", 3 - n)}}) for n in (1, 2)
    ]
    async with tables(database) as (_, writer):
        await writer.take(events(*both))
    assert query("SELECT sequence FROM lab.results_in_force") == [(2,)]


# the audit trail


def trail(*numbers, source=SOURCE, **changes):
    return [result(n, source=source, change={f"origin.{k}": v for k, v in changes.items()}) for n in numbers]


BREAKS = {
    "whole": ([result(n) for n in range(1, 7)], None),
    "one missing": ([result(n) for n in (1, 2, 4, 5)], None),
    "none before": ([result(n) for n in (4, 5)], None),
    "another head before": ([*trail(1, 2), *trail(3, audit_before="0" * 64), *trail(4)], 3),
    "an altered head": ([*trail(1), *trail(2, audit_head="0" * 64), *trail(3, 4)], 3),
    "one entry twice": ([*trail(1, 2), *trail(3, audit_number=2, audit_before_number=1, audit_before=own_head(SOURCE, 1))], 3),
    "one between": ([*trail(1, 2), *trail(3, audit_before_number=1), *trail(4)], 3),
    "follows itself": ([*trail(1, 2), *trail(3, audit_before_number=3)], 3),
    "restored from a copy": (
        [*trail(1, 2, 3), *(result(1, source=SOURCE.replace("#1", "#2"), change={
            "origin.audit_number": 4, "origin.audit_before_number": 2,
            "origin.audit_before": json.loads(result(2)[1])["data"]["origin"]["audit_head"]}) for _ in "1")], None),
    "restored from another database": (
        [*trail(1, 2, 3), *(result(1, source=SOURCE.replace("#1", "#2"), change={
            "origin.audit_number": 4, "origin.audit_before_number": 2, "origin.audit_before": "0" * 64})
            for _ in "1")], 1),
}  # fmt: skip


@pytest.mark.asyncio
@pytest.mark.parametrize("name", BREAKS)
async def test_the_first_result_that_does_not_continue_the_audit_trail_is_named(database, query, name):
    messages, first = BREAKS[name]
    random.Random(3).shuffle(messages)  # the order of arrival is not the order of the trail
    async with tables(database) as (_, writer):
        await writer.take(events(*messages))
    found = query("SELECT sequence FROM lab.audit_breaks WHERE position = 1")
    assert found == ([] if first is None else [(first,)])
    if name == "one entry twice":
        assert query("SELECT reason FROM lab.audit_breaks") == [("two results have this entry of the audit trail",)]


@pytest.mark.asyncio
@pytest.mark.parametrize("seed", range(12))
async def test_every_changed_head_or_number_of_the_trail_is_named(database, query, seed):
    rng = random.Random(seed)
    messages = [result(n) for n in range(1, 9)]
    at = rng.randrange(1, 7)
    topic, payload = messages[at]
    event = json.loads(payload)
    origin = event["data"]["origin"]
    key = ("audit_head", "audit_before", "audit_number", "audit_before_number")[seed % 4]
    origin[key] = "f" * 64 if isinstance(origin[key], str) else origin[key] + rng.choice([-2, -1, 1, 2])
    messages[at] = topic, json.dumps(event).encode()
    async with tables(database) as (_, writer):
        await writer.take(events(*messages))
    ((first,),) = query("SELECT min(sequence) FROM lab.audit_breaks")
    assert first in (at - 1, at, at + 1, at + 2, at + 3)


# the pace


FAULTY = {
    "a zero character": result(1000, change={"sample.id": "a\x00b"}),
    "a name that no index takes": result(1000, change={"sample.id": "".join(map(chr, range(256, 12_000)))}),
    "a number beyond numeric": (
        result(1000)[0], result(1000)[1].replace(b'"schema_version":1', b'"schema_version":1e200000')),
    "an integer beyond 64 bits": result(1000, change={"sample.replicate": 2**70}),
    "a topic that no index takes": (f"{TOPICS.prefix}/result/" + "".join(map(chr, range(256, 3000))), b"nonsense"),
    "a stream that no index takes": result(1000, stream="".join(map(chr, range(256, 3000)))),
}  # fmt: skip


@pytest.mark.asyncio
@pytest.mark.parametrize("name", FAULTY)
@pytest.mark.parametrize("copies", [1, 3])
async def test_a_message_that_cannot_be_stored_costs_a_batch_few_transactions(
    database, query, monkeypatch, name, copies
):
    calls = itertools.count()
    take = Writer.take

    async def counted(self, *given):
        next(calls)
        return await take(self, *given)

    monkeypatch.setattr(Writer, "take", counted)
    size = 256
    messages = [result(n) for n in range(1, size)]
    for at in range(copies):
        topic, payload = FAULTY[name]
        messages.insert(100 * at, (topic, payload.replace(b"run-1000", f"run-{1000 + at}".encode())))
    async with tables(database):
        pass
    worker = Worker(settings_for(database), seed=1)
    assert await worker._write([ReceivedMessage(t, p, 1) for t, p in messages])
    await worker._close()
    assert query("SELECT count(*) FROM lab.results") == [(size - 1,)]
    assert worker.state.refused >= 1
    assert query("SELECT count(*) >= 1 FROM lab.refused") == [(True,)]
    used = next(calls)
    assert used <= 1 + copies * (2 * math.log2(size) + 2), used
    if name in ("a zero character", "an integer beyond 64 bits", "a topic that no index takes"):
        assert used == 1


@pytest.mark.asyncio
async def test_one_live_value_that_cannot_be_stored_drops_no_other(database, query):
    payload = {
        "time": "2026-03-02T05:43:10Z", "source": SOURCE, "instrument": "bench-1", "run": None,
        "values": {f"c{n}": {"value": 1.0, "unit": "", "quality": "Good"} for n in range(9)}
        | {"".join(map(chr, range(256, 3000))): {"value": 1.0, "unit": "", "quality": "Good"}},
    }  # fmt: skip
    async with tables(database):
        pass
    worker = Worker(settings_for(database), seed=1)
    assert await worker._write([ReceivedMessage(TOPICS.live("bench-1"), json.dumps(payload).encode(), 0)])
    await worker._close()
    assert query("SELECT count(*) FROM lab.readings") == [(9,)]
    assert worker.state.live_dropped == 1
