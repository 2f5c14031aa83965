"""Payloads of delivered messages are packed, and rebuilt byte for byte when they are sent again."""

# ruff: noqa: S608 - our own columns

import asyncio
import json
import random
import sqlite3

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.checks import check_content, check_outside
from daq.adapters.store.forms.packed import MARK, packed, unpacked
from daq.adapters.store.outgoing.delivery import Acknowledge, RepeatSince, SendAgain
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.outbox_reading import newest_retained, retained_topics, retained_with
from daq.adapters.store.outgoing.packing import PackDelivered
from daq.adapters.store.outgoing.sealed import changed
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.app.delivery.payload_retention import PayloadRetention, packed_before
from daq.app.laboratory.acts import carry_out
from daq.core.errors import StoreError
from tests.support.runs.archived import LATER, TOPICS, FixedClock, copied, works
from tests.support.runs.full_database import falsified
from tests.support.runs.virtual_bench import T0

SEED = 20260113


@pytest.fixture(scope="module")
def delivered(measured, tmp_path_factory):
    """A state directory with delivered messages of every kind, and their payloads by number."""
    state, runs = measured
    state = copied(state, tmp_path_factory.mktemp("delivered") / "state")
    with works(state) as lab:
        carry_out(lab, "run_correct", {"run": runs[0], "because": "mistyped", "sample": "G-9"})
        carry_out(lab, "run_annul", {"run": runs[1], "because": "spilled"})
        with lab.reader() as reader:
            curved = reader.newest_result(runs[2])
        points = random.Random(SEED).choices(range(10**6), k=400)
        curve = json.dumps({"id": "curve", "type": "lab.flow_curve.v1", "data": {"points": points}}).encode()
        lab.store.submit(AddDerived(curved.id, Outgoing(TOPICS.curve("bench-1"), curve, id="curve"), T0)).result()
        with lab.reader() as reader:
            messages = reader.waiting(limit=1000)
        lab.store.submit(Acknowledge(tuple(m.seq for m in messages), T0)).result()
    return state, {m.seq: m.payload for m in messages}


def pack(store, before=LATER):
    after, total = 0, 0
    while (done := store.submit(PackDelivered(after, before)).result()).last is not None:
        after, total = done.last, total + done.messages
    return total


def stored_payloads(state):
    with sqlite3.connect(database_path(state)) as db:
        found = dict(db.execute("SELECT seq, payload FROM outbox"))
    db.close()
    return found


def test_messages_of_every_kind_are_packed_and_rebuilt_byte_for_byte(delivered, tmp_path):
    state, payloads = delivered
    state = copied(state, tmp_path / "state")
    kinds = {(json.loads(p)["type"], json.loads(p)["data"].get("supersedes") is None) for p in payloads.values()}
    assert {k for k, _ in kinds} == {"lab.result.v1", "lab.result-flat.v1", "lab.flow_curve.v1", "lab.reportable.v1"}
    assert {first for _, first in kinds} == {True, False}
    with Store(database_path(state)) as store:
        assert pack(store) == len(payloads)
        assert pack(store) == 0
        small = stored_payloads(state)
        assert all(p.startswith(MARK) and len(p) < len(payloads[seq]) for seq, p in small.items())
        assert sum(map(len, small.values())) < sum(map(len, payloads.values())) / 3
        assert [f for f in check_content(store.path) if not f.ok] == []
        # Sent again: the same bytes, and they agree with the digest in the audit trail.
        count = store.submit(SendAgain(committed=(0, 2 * LATER), utc_ns=LATER, who="m.keeper")).result()
        with store.reader() as reader:
            again = reader.waiting(limit=1000)
            assert changed(again, reader.rows) == []
        assert count == len(again) > 5
        assert {m.seq: m.payload for m in again}.items() <= payloads.items()
        store.submit(RepeatSince(0, LATER)).result()
        with store.reader() as reader:
            assert {m.topic for m in reader.waiting(limit=1000)} >= {TOPICS.last("bench-1")}
    for seq, payload in payloads.items():
        found = check_outside(database_path(state), [(f"{seq}.json", json.loads(payload))], [])
        assert all(f.ok for f in found) or b"flow_curve" in payload, found


def test_retained_messages_of_the_broker_are_recognised(delivered, tmp_path):
    state, payloads = delivered
    state = copied(state, tmp_path / "state")
    with Store(database_path(state)) as store:
        pack(store)
        with store.reader() as reader:
            topic = TOPICS.last("bench-1")
            retained = [m for seq in payloads if (m := reader.message(seq)).retain]
            assert len(retained) > 1
            assert retained_topics(reader) == [topic]
            assert newest_retained(reader, [topic])[topic].payload == payloads[retained[-1].seq]
            for m in retained:
                assert retained_with(reader, topic, payloads[m.seq]).seq == m.seq
            assert retained_with(reader, topic, payloads[retained[0].seq] + b" ") is None
            assert retained_with(reader, topic, b"\xff") is None


def test_a_message_that_cannot_be_rebuilt_is_refused_by_name(delivered, tmp_path):
    state, _ = delivered
    state = copied(state, tmp_path / "state")
    with Store(database_path(state)) as store:
        pack(store)
    for number, sql in enumerate(
        (
            "UPDATE results SET data = json_set(data, '$.value', 1.5)",
            "UPDATE outbox SET payload = substr(payload, 1, length(payload) - 9) WHERE seq = 1",
            "UPDATE outbox SET payload = x'0001' WHERE seq = 1",
            "UPDATE outbox SET payload = x'00' WHERE seq = 1",
            "UPDATE outbox SET payload = CAST(payload || x'00' AS BLOB) WHERE seq = 1",
        )
    ):
        path = tmp_path / f"{number}.db"
        with falsified(database_path(state), path) as db:
            db.execute(sql)
        with Store(path) as store:
            with pytest.raises(StoreError, match=r"message \d+ \(topic .*\) was changed after it was stored"):
                store.submit(SendAgain(committed=(0, 2 * LATER), utc_ns=LATER, who="m.keeper")).result()
            store.submit(RepeatSince(0, LATER)).result()
            with store.reader() as reader:
                assert 1 not in {m.seq for m in reader.waiting(limit=1000)}
        assert any(not f.ok and "outbox 1, payload" in f.say for f in check_content(path)), sql


def test_the_database_refuses_every_other_change_of_a_message(delivered, tmp_path):
    state, _ = delivered
    state = copied(state, tmp_path / "state")
    with sqlite3.connect(database_path(state), isolation_level=None) as db:
        columns = [row[1] for row in db.execute("PRAGMA table_info(outbox)") if row[1] != "payload"]
        small = "payload = x'000101'"
        numbers = ("seq", "sequence", "created_utc_ns")
        texts = ("id", "stream", "topic")
        assert {*numbers, *texts, "qos", "retain", "result", "properties"} == set(columns)
        changes = [f"{small}, {c} = {c} + 1000" for c in numbers] + [f"{small}, {c} = {c} || '1'" for c in texts]
        changes += [f"{small}, qos = 0", f"{small}, retain = 1 - retain", f"{small}, result = NULL"]
        changes += [f"{small}, properties = '[]'", "payload = x'7b7d'", "payload = CAST(x'00' || payload AS BLOB)"]
        for change in changes:
            with pytest.raises(sqlite3.IntegrityError, match="frozen|FOREIGN KEY"):
                db.execute(f"UPDATE outbox SET {change} WHERE seq = 1")
        db.execute("UPDATE delivery SET state = 'waiting' WHERE seq = 1")
        with pytest.raises(sqlite3.IntegrityError, match="frozen"):
            db.execute(f"UPDATE outbox SET {small} WHERE seq = 1")
    db.close()


def test_only_what_was_delivered_before_the_time_is_packed(delivered, tmp_path):
    state, payloads = delivered
    state = copied(state, tmp_path / "state")
    last = max(payloads)
    with Store(database_path(state)) as store:
        store.submit(SendAgain(committed=(0, T0 + 10**15), utc_ns=LATER, who="m.keeper")).result()
        with store.reader() as reader:
            waiting = {m.seq for m in reader.waiting(limit=1000)}
        store.submit(Acknowledge((last,), LATER + 5)).result()
        pack(store, LATER + 1)
        whole = {seq for seq, p in stored_payloads(state).items() if not p.startswith(MARK)}
        assert whole == waiting | {last}
        assert pack(store, T0 - 1) == 0


@pytest.mark.asyncio
async def test_the_daemon_packs_after_the_period_and_goes_on_where_it_ended(delivered, tmp_path):
    state, payloads = delivered
    state = copied(state, tmp_path / "state")
    with Store(database_path(state)) as store:
        clock, period = FixedClock(T0), "90 days"
        packing = PayloadRetention(store, clock, lambda: period)
        assert await packing.make_pass(0.0) == 0
        clock.now = LATER + 91 * 86_400 * 10**9
        period = None
        assert await packing.make_pass(0.0) == 0
        period = "90 days"
        saved = await packing.make_pass(0.0)
        assert saved == sum(map(len, payloads.values())) - sum(map(len, stored_payloads(state).values())) > 0
        assert await packing.make_pass(0.0) == 0
    assert packed_before("90 days", clock.now) <= clock.now - 90 * 86_400 * 10**9
    assert packed_before("9000 years", clock.now) == 0
    await asyncio.sleep(0)


def any_json(rng, depth=0):
    kind = rng.randrange(6 if depth < 4 else 4)
    if kind == 0:
        return rng.choice([None, True, False, 0, -1, 2**53])
    if kind == 1:
        return rng.uniform(-1e9, 1e9)
    if kind in (2, 3):
        return "".join(rng.choices('aB9 "\\/µ°€\U0001f9ea\n', k=rng.randrange(40)))
    if kind == 4:
        return [any_json(rng, depth + 1) for _ in range(rng.randrange(6))]
    return {f"k{rng.randrange(99)}": any_json(rng, depth + 1) for _ in range(rng.randrange(8))}


@pytest.mark.parametrize("part", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 8))])
def test_any_payload_is_rebuilt_from_any_result(part):
    """Payloads that repeat their result in another order, with more or with nothing of it, up to 200 kB."""
    rng = random.Random(SEED + part)
    for _ in range(60):
        data = {f"k{n}": any_json(rng) for n in range(rng.choice([1, 10, 300]))}
        basis = json.dumps(data, sort_keys=True).encode()
        names = rng.sample(sorted(data), rng.randrange(len(data) + 1))
        payload = json.dumps(
            {"id": "x", "data": {n: data[n] for n in names}, "more": any_json(rng)}, ensure_ascii=False
        ).encode()
        small = packed(payload, basis)
        assert unpacked(small, basis) == payload
        assert unpacked(payload, basis) == unpacked(payload, None) == payload
        assert unpacked(small, None) == b""
        assert unpacked(small[:-1], basis) == unpacked(small + b"x", basis) == b""
        flipped = bytearray(basis)
        flipped[-1] ^= 1
        assert unpacked(small, bytes(flipped)) != payload
