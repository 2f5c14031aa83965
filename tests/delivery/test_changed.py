"""A message that was changed in the database after it was stored is never sent: it is marked, named, and others go on."""

# ruff: noqa: S608 - names of our own tables and columns

import json
import sqlite3

import pytest

from daq.adapters.store.checks import check_outbox
from daq.adapters.store.outgoing.delivery import (
    Acknowledge,
    Refused,
    ReleaseRefused,
    RepeatAfter,
    RepeatSince,
    SendAgain,
)
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.outbox_reading import changed_messages, quarantined
from daq.adapters.store.rows import CHANGED, Outgoing
from daq.adapters.store.store import Store
from daq.app.delivery.resending import outbox_view
from tests.delivery.parts import delivering, depth
from tests.support.processes.mosquitto import TOPICS, eventually
from tests.support.processes.mqtt_listener import Listener
from tests.support.runs.stored import T0, begin, builder, conclude, register

pytestmark = pytest.mark.asyncio

FLAT = "glazeworks/bench-1/lab/v1/flat/rotor-1"
KINDS = {
    "result": TOPICS.result("rotor-1"),
    "last": TOPICS.last("rotor-1"),
    "flat": FLAT,
    "curve": TOPICS.curve("rotor-1"),
}
ALL = [(name, kind) for name in ("a", "b", "c") for kind in KINDS]
#: A statement for each column of a message that decides what is sent.  The middle result is changed.
CHANGES = {
    "payload": "payload = CAST(replace(payload, '\"run\"', '\"ruN\"') AS BLOB)",
    "payload is no UTF-8": "payload = x'ff00'",
    "payload is empty": "payload = x''",
    "topic": "topic = topic || '-2'",
    "topic is no UTF-8": "topic = CAST(CAST(topic AS BLOB) || x'ff' AS TEXT)",
    "id": "id = id || 'x'",
    "id is no UTF-8": "id = CAST(x'ff' AS TEXT)",
    "qos": "qos = 1 - qos",
    "retain": "retain = 1 - retain",
    "properties": 'properties = \'{"content_type": "text/plain"}\'',
    "properties is a list": "properties = '[]'",
    "result": "result = 'c'",
    "result is missing": "result = NULL",
}


def fill_all(store):
    """Store three results, each with the messages of every kind; return the number in the outbox by result and kind."""
    store.submit(register()).result(10)
    topics = [(topic, kind == "last") for kind, topic in KINDS.items() if kind != "curve"]
    for name in ("a", "b", "c"):
        store.submit(begin(name)).result(10)
        store.submit(conclude(name, result_id=name, build=builder(name, topics=topics))).result(10)
        curve = Outgoing(KINDS["curve"], json.dumps({"run": name, "curve": 1}).encode(), id=f"{name}-curve")
        store.submit(AddDerived(name, curve, T0)).result(10)
    return {key: seq for seq, key in enumerate(ALL, 1)}


def change(store, seq, assignment):
    """Change a message as a falsifier does: past the triggers, which are there again afterwards."""
    with sqlite3.connect(store.path) as db:
        sql = "SELECT sql FROM sqlite_schema WHERE name = 'outbox_frozen'"
        (trigger,) = db.execute(sql).fetchone()
        db.execute("DROP TRIGGER outbox_frozen")
        assert db.execute(f"UPDATE outbox SET {assignment} WHERE seq = ?", (seq,)).rowcount == 1
        db.execute(trigger)
    db.close()


def marked(store):
    with store.reader() as reader:
        return [m.seq for m in changed_messages(reader)]


async def sent(store, clock, *, wrong):
    """Publish until nothing waits; return the number in the outbox of each result's message that was sent."""
    async with Listener() as listener, delivering(store, listener.settings(), clock) as publisher:
        listener.answers_at_once = True
        await eventually(lambda: depth(store).waiting == 0, 20)
        assert publisher.state.changed == publisher.state.broker_state.changed == wrong
        return listener.messages()


def of_all(but=()):
    return sorted(KINDS[kind] for name, kind in ALL if (name, kind) not in but)


async def test_unchanged_messages_are_all_sent(store, clock):
    fill_all(store)
    assert sorted(topic for topic, _ in await sent(store, clock, wrong=0)) == of_all()
    assert (depth(store).changed, marked(store)) == (0, [])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("changed", CHANGES)
async def test_a_message_changed_before_its_first_sending_is_not_sent_and_the_next_ones_are(
    store, clock, changed, kind, caplog
):
    seq = fill_all(store)["b", kind]
    change(store, seq, CHANGES[changed])
    messages = await sent(store, clock, wrong=1)
    assert sorted(topic for topic, _ in messages) == of_all(but=[("b", kind)])
    assert all(json.loads(payload)["run"] in "abc" for _, payload in messages)
    assert marked(store) == [seq]
    assert (depth(store).changed, depth(store).quarantined, depth(store).refused) == (1, 0, 0)
    with store.reader() as reader:
        assert quarantined(reader) == []
        finding, view = check_outbox(reader, utc_ns=T0), outbox_view(reader, T0, None)
    assert not finding.ok
    assert "1 messages were changed in the database" in finding.say
    assert (view.changed, view.changed_messages[0].reason) == (1, CHANGED)
    # A second start sends it as little as the first.
    assert await sent(store, clock, wrong=0) == []


@pytest.mark.parametrize("kind", KINDS)
async def test_a_changed_message_that_the_broker_refused_before_is_not_tried_again(store, clock, kind):
    numbers = fill_all(store)
    seqs = [numbers[name, kind] for name in ("a", "b", "c")]
    store.submit(Acknowledge(tuple(s for s in numbers.values() if s not in seqs), T0)).result(10)
    for seq in seqs:
        store.submit(Refused(seq, "Not authorized (code 135)", T0)).result(10)
    change(store, seqs[2], CHANGES["payload"])  # of retained messages the newest is tried first
    async with Listener() as listener, delivering(store, listener.settings(), clock):
        listener.answers_at_once = True
        await eventually(lambda: depth(store).refused == depth(store).waiting == 0, 20)
        topics = [topic for topic, _ in listener.messages()]
    assert set(topics) == {KINDS[kind]}
    assert all(b'"run"' in payload for _, payload in listener.messages())
    assert marked(store) == [seqs[2]]


def again(who):
    return {
        "numbers": SendAgain(stream="rotor-1", sequences=(1, 3), utc_ns=T0, who=who),
        "times": SendAgain(committed=(0, 2 * T0), utc_ns=T0, who=who),
    }


WAYS = {f"refill by {name}": transaction for name, transaction in again(None).items()} | {
    "repeat since": RepeatSince(0, T0),
    "repeat after": RepeatAfter("rotor-1", 0, 0, T0),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("when", ["before the request", "after the request"])
async def test_a_delivered_message_that_was_changed_is_not_sent_by_a_refill_or_repeat(store, clock, way, kind, when):
    numbers = fill_all(store)
    store.submit(Acknowledge(tuple(numbers.values()), T0)).result(10)
    seq = numbers["c", kind]
    wanted = [(name, k) for name, k in ALL if k != "last" or (name == "c" and way.startswith("repeat"))]
    if when == "before the request":
        change(store, seq, CHANGES["payload"])
    store.submit(WAYS[way]).result(10)
    if when == "after the request":
        change(store, seq, CHANGES["payload"])
    wrong = when == "after the request" and ("c", kind) in wanted
    topics = sorted(topic for topic, _ in await sent(store, clock, wrong=int(wrong)))
    assert topics == sorted(KINDS[k] for name, k in wanted if (name, k) != ("c", kind))
    assert marked(store) == ([seq] if wrong else [])


@pytest.mark.parametrize("way", again("m.keeper"))
async def test_a_delivered_message_changed_after_a_persons_command_is_not_sent(store, clock, way):
    numbers = fill_all(store)
    store.submit(Acknowledge(tuple(numbers.values()), T0)).result(10)
    store.submit(again("m.keeper")[way]).result(10)
    change(store, numbers["b", "flat"], CHANGES["payload"])
    messages = await sent(store, clock, wrong=1)
    assert len(messages) == len(ALL) - len("abc") - 1
    assert marked(store) == [numbers["b", "flat"]]


@pytest.mark.parametrize("kind", KINDS)
async def test_a_person_releases_refused_messages_and_changed_ones_stay(store, clock, kind):
    numbers = fill_all(store)
    for seq in numbers.values():
        store.submit(Refused(seq, "larger than the broker takes", T0, for_good=True)).result(10)
    change(store, numbers["c", kind], CHANGES["payload"])
    older = 2  # retained messages with a newer one on their topic are settled
    assert store.submit(ReleaseRefused(T0, "m.keeper")).result(10) == len(ALL) - older - 1
    assert marked(store) == [numbers["c", kind]]
    assert len(await sent(store, clock, wrong=0)) == len(ALL) - older - 1


async def test_a_message_that_was_changed_and_put_right_goes_out_on_a_persons_command(store, clock):
    seq = fill_all(store)["b", "result"]
    change(store, seq, CHANGES["payload"])
    await sent(store, clock, wrong=1)
    change(store, seq, "payload = CAST(replace(payload, '\"ruN\"', '\"run\"') AS BLOB)")
    assert store.submit(ReleaseRefused(T0, "m.keeper")).result(10) == 1
    assert [topic for topic, _ in await sent(store, clock, wrong=0)] == [KINDS["result"]]
    assert depth(store).changed == 0


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM audit WHERE subject = 'b' AND what = 'result_stored'",
        "UPDATE audit SET detail = replace(detail, '\"payload\":\"', '\"payload\":\"0') WHERE subject = 'b'",
        "UPDATE audit SET detail = CAST(x'ff' AS TEXT) WHERE subject = 'b' AND what = 'result_stored'",
        "UPDATE audit SET hash = CAST(x'ff' AS TEXT) WHERE subject = 'b' AND what = 'result_stored'",
    ],
)
async def test_without_a_valid_seal_nothing_of_that_result_is_sent(tmp_path, clock, statement):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        fill_all(store)
        with sqlite3.connect(store.path) as db:
            triggers = db.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall()
            for (name,) in triggers:
                db.execute(f"DROP TRIGGER {name}")
            db.execute("PRAGMA ignore_check_constraints = ON")
            db.execute(statement)
        db.close()
        async with Listener() as listener, delivering(store, listener.settings(), clock) as publisher:
            listener.answers_at_once = True
            await eventually(lambda: publisher.state.changed >= 3, 20)
            await eventually(lambda: depth(store).waiting == 0, 20)
            runs = sorted({json.loads(payload)["run"] for _, payload in listener.messages() if b"curve" not in payload})
        assert runs == ["a", "c"]
