"""A database that was put back, also by a snapshot of the whole disk, is noticed at the broker before anything is published."""

import asyncio
import json
import random
import shutil

import aiomqtt
import pytest
from structlog.testing import capture_logs

from daq.adapters.outbox.put_back import HIGHEST, LARGEST, MOST_EPOCHS_AHEAD, sign
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.store import Store
from tests.delivery.parts import STREAM, a_result, delivering, depth, event, measure, status, stored
from tests.support.processes.mosquitto import PASSWORD, TOPICS, eventually, listening, needs_mosquitto
from tests.support.runs.stored import T0

OWN = "f81d4fae-7dec-41d0-a765-00a0c91e6bf6"


SHOWN_EPOCHS = (1, 2, 3, 4, 3 + MOST_EPOCHS_AHEAD, 4 + MOST_EPOCHS_AHEAD)


@pytest.mark.parametrize("shown_epoch", SHOWN_EPOCHS)
@pytest.mark.parametrize("number", [0, 4, 5, 6, 10**15])
@pytest.mark.parametrize("is_known", [True, False])
@pytest.mark.parametrize("owner", [OWN, "00000000-7dec-41d0-a765-00a0c91e6bf6"])
def test_every_combination_of_source_epoch_number_and_id(shown_epoch, number, is_known, owner):
    """The database is in epoch 3 with five results."""
    source = f"urn:uuid:{owner}#{shown_epoch}"
    later = 3 < shown_epoch <= 3 + MOST_EPOCHS_AHEAD
    of_last = sign({"last/rotor-1": event(source, number, "x")}, OWN, 3, {STREAM: 5}, lambda _: is_known)
    of_status = sign({"status": status(source, number)}, OWN, 3, {STREAM: 5}, lambda _: is_known)
    at_collector = {f"plant/lab/v1/collected/{STREAM}": stored(source, number, a_result())}
    of_collector = sign(at_collector, OWN, 3, {STREAM: 5}, lambda _: is_known)
    is_own = owner == OWN
    assert (of_last is not None) == (is_own and (later or (shown_epoch == 3 and (number > 5 or not is_known))))
    assert (of_status is not None) == (is_own and (later or (shown_epoch == 3 and number > 5)))
    is_believed = 0 < number < HIGHEST
    assert (of_collector is not None) == (is_believed and of_last is not None)
    for found in (of_last, of_status, of_collector):
        assert found is None or found.least == shown_epoch + 1


def test_no_payload_of_another_program_is_a_sign_or_an_error():
    rng = random.Random(11)
    whole = event(f"urn:uuid:{OWN}#3", 5, "x")
    assert sign({"last/rotor-1": whole}, OWN, 3, {STREAM: 5}, lambda _: True) is None
    payloads = [b"", b"\x00", b"[]", b"3", b"null", b"[" * 5000, b'{"source": 3, "sequences": 4}', b'"x"']
    payloads += [rng.randbytes(rng.randrange(80)) for _ in range(200)]
    payloads += [
        json.dumps({"source": f"urn:uuid:{OWN}#3", "sequences": s}).encode() for s in (3, [], {"a": "9"}, {"a": True})
    ]
    for payload in payloads:
        assert sign({"last/rotor-1": payload}, OWN, 3, {STREAM: 5}, lambda _: True) is None


FORGED = {
    "no JSON": b"[" * 5000,
    "no object": b"[3]",
    "no text": b"\xff\x00",
    "another stream": stored(f"urn:uuid:{OWN}#3", 6, a_result(), stream="rotor-2"),
    "a number as text": stored(f"urn:uuid:{OWN}#3", 6, a_result(), sequence="6"),
    "a truth value": stored(f"urn:uuid:{OWN}#3", 6, a_result(), sequence=True),
    "a fraction": stored(f"urn:uuid:{OWN}#3", 6, a_result(), sequence=6.5),
    "zero": stored(f"urn:uuid:{OWN}#3", 0, a_result()),
    "below zero": stored(f"urn:uuid:{OWN}#3", -6, a_result()),
    "too high": stored(f"urn:uuid:{OWN}#3", HIGHEST, a_result()),
    "no id": stored(f"urn:uuid:{OWN}#3", 6, None),
    "an id of another kind": stored(f"urn:uuid:{OWN}#3", 6, "x" * 10_000),
    "another epoch": stored(f"urn:uuid:{OWN}#3", 6, a_result(), epoch=4),
    "an epoch as text": stored(f"urn:uuid:{OWN}#3", 6, a_result(), epoch="3"),
    "an epoch far ahead": stored(f"urn:uuid:{OWN}#{4 + MOST_EPOCHS_AHEAD}", 6, a_result()),
    "no source": stored(f"urn:uuid:{OWN}#3", 6, a_result(), source=None),
    "a source of another kind": stored(f"urn:uuid:{OWN}#3", 6, a_result(), source=f"urn:uuid:{OWN}#3 "),
}


@pytest.mark.parametrize("payload", FORGED.values(), ids=FORGED)
def test_a_forged_message_about_stored_results_is_ignored_with_a_line_in_the_log(payload):
    with capture_logs() as logs:
        assert sign({f"lab/v1/collected/{STREAM}": payload}, OWN, 3, {STREAM: 5}, lambda _: False) is None
    assert [e["log_level"] for e in logs] == ["warning"]
    assert "is ignored" in logs[0]["event"]
    assert logs[0]["reason"]


def test_every_cut_and_every_lost_key_of_a_message_about_stored_results_is_ignored():
    whole = stored(f"urn:uuid:{OWN}#3", 6, a_result())
    topic = f"lab/v1/collected/{STREAM}"
    assert sign({topic: whole}, OWN, 3, {STREAM: 5}, lambda _: False) is not None
    cut = [whole[:n] for n in range(len(whole))]
    cut += [json.dumps({k: v for k, v in json.loads(whole).items() if k != key}).encode() for key in json.loads(whole)]
    for payload in cut:
        with capture_logs() as logs:
            assert sign({topic: payload}, OWN, 3, {STREAM: 5}, lambda _: False) is None, payload
        assert len(logs) == 1, payload


# ---- with Mosquitto


async def deliver(store, broker, clock, names=(), **options):
    """Connect, then measure and deliver; return what was measured."""
    async with delivering(store, broker.settings(), clock, **options) as publisher:
        await eventually(lambda: publisher.state.connected)
        measured = await asyncio.to_thread(measure, store, names)
        publisher.wake()
        await eventually(lambda: depth(store).waiting == 0)
    return measured


def seen(historian):
    return [(p["source"], int(p["sequence"]), p["id"]) for t, p, _ in historian.received if "/result/" in t]


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("farewell", [True, False])
@pytest.mark.parametrize(("copied_after", "lost"), [(0, 1), (0, 3), (2, 1), (2, 3)])
async def test_after_a_snapshot_no_number_is_used_twice(tmp_path, broker, clock, farewell, copied_after, lost):
    path = tmp_path / "daq.db"
    with capture_logs() as logs:
        async with listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian:
            with Store(path, utc_ns=T0) as store:
                await deliver(store, broker, clock, [f"run-{n}" for n in range(copied_after)])
            shutil.copy2(path, tmp_path / "copy.db")
            with Store(path) as store:
                await deliver(store, broker, clock, [f"lost-{n}" for n in range(lost)], farewell=farewell)
            shutil.copy2(tmp_path / "copy.db", path)
            before = len(historian.received)
            with Store(path) as store:
                sent = await deliver(store, broker, clock, ["new-0", "new-1"])
                assert store.epoch == 2
                with store.reader() as reader:
                    found = last_epoch_start(reader)
            await historian.until(lambda: set(sent) <= set(seen(historian)))
    assert [(s[-2:], n) for s, n, _ in sent] == [("#2", 1), ("#2", 2)]
    numbers = {(source, number): set() for source, number, _ in seen(historian)}
    for source, number, result in seen(historian):
        numbers[source, number].add(result)
    assert all(len(results) == 1 for results in numbers.values()), numbers
    statuses = [p for t, p, _ in historian.received[before:] if t == TOPICS.status() and p["state"] == "online"]
    assert statuses[0]["source"].endswith("#2")
    assert "the broker shows" in found.reason
    assert [e["log_level"] for e in logs if "was put back" in e["event"]] == ["error"]


async def replace_retained(broker, *messages):
    """Take every retained message of the prefix from the broker, as one that lost its memory; then publish some."""
    async with (
        listening(broker.port, topic=f"{TOPICS.prefix}/#") as shown,
        aiomqtt.Client("127.0.0.1", broker.port, username="historian", password=PASSWORD) as client,
    ):
        await shown.until(lambda: TOPICS.status() in {topic for topic, _, _ in shown.received})
        for topic in {topic for topic, _, _ in shown.received}:
            await client.publish(topic, b"", qos=1, retain=True)
        for topic, payload in messages:
            await client.publish(topic, payload, qos=1, retain=True)


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("sign_", ["a higher number", "another id", "a later epoch", "none", "forged"])
async def test_the_highest_result_of_a_collector_shows_a_database_that_was_put_back(tmp_path, broker, clock, sign_):
    """The broker lost its retained messages with the snapshot, so that only the collector's are there."""
    path = tmp_path / "daq.db"
    with Store(path, utc_ns=T0) as store:
        measured = await deliver(store, broker, clock, ["a", "b"])
    source, number, result = measured[-1]
    later = source.replace("#1", "#4")
    payload = {
        "a higher number": stored(source, number + 1, a_result("lost")),
        "another id": stored(source, number, a_result("other")),
        "a later epoch": stored(later, 1, a_result("lost")),
        "none": stored(source, number, result),
        "forged": stored(source, number + 1, a_result("lost"), stream="rotor-2"),
    }[sign_]
    too_large = b"[" + b" " * LARGEST + b"]"
    messages = [(TOPICS.collected(STREAM), payload), (TOPICS.collected("rotor-9"), too_large)]
    await replace_retained(broker, *messages)
    with capture_logs() as logs, Store(path) as store:
        ((new_source, new_number, _),) = await deliver(store, broker, clock, ["new"])
        with store.reader() as reader:
            start = last_epoch_start(reader)
    is_put_back = sign_ not in ("none", "forged")
    epoch = {"a later epoch": 5}.get(sign_, 2) if is_put_back else 1
    assert (new_source.partition("#")[2], new_number) == (str(epoch), 1 if is_put_back else number + 1)
    assert is_put_back == (start is not None and TOPICS.collected(STREAM) in start.reason)
    assert [e["log_level"] for e in logs if "was put back" in e["event"]] == ["error"] * is_put_back
    assert ("is ignored" in " ".join(e["event"] for e in logs)) == (sign_ == "forged")
    assert any(e["event"] == "a retained message is not compared" for e in logs)


@needs_mosquitto
@pytest.mark.asyncio
async def test_results_measured_before_the_broker_answered_are_named_with_their_numbers(tmp_path, broker, clock):
    """They were numbered before the sign was seen.  They are delivered, each with an id of its own."""
    path = tmp_path / "daq.db"
    with Store(path, utc_ns=T0) as store:
        await deliver(store, broker, clock, ["a"])
    shutil.copy2(path, tmp_path / "copy.db")
    with Store(path) as store:
        lost = await deliver(store, broker, clock, ["lost-1", "lost-2"])
    shutil.copy2(tmp_path / "copy.db", path)
    async with listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian:
        with Store(path) as store:
            (offline,) = await asyncio.to_thread(measure, store, ["offline"])
            assert offline[:2] == lost[0][:2]
            sent = await deliver(store, broker, clock, ["new"])
            with store.reader() as reader:
                assert last_epoch_start(reader).waiting == {STREAM: {"first": 2, "last": 2, "results": 1}}
                retained = [m for m in reader.messages(offline[2]) if m.retain]
                assert [m.acknowledged_utc_ns for m in retained] == [None]  # the broker has a newer one
        await historian.until(lambda: {offline, *sent} <= set(seen(historian)))
    async with listening(broker.port, topic=TOPICS.last_of_all()) as late:
        await late.until(lambda: late.received)
        assert late.received[0][1]["id"] == sent[0][2]


@needs_mosquitto
@pytest.mark.asyncio
async def test_a_database_that_goes_on_stays_in_its_epoch_through_every_kind_of_end(tmp_path, broker, clock):
    path = tmp_path / "daq.db"
    numbered = []
    for n, farewell in enumerate((True, False, False, True)):
        with Store(path, utc_ns=T0) as store:
            numbered += await deliver(store, broker, clock, [f"a-{n}", f"b-{n}"], farewell=farewell)
            await asyncio.to_thread(measure, store, [f"offline-{n}"])
    assert {source[-2:] for source, _, _ in numbered} == {"#1"}
    assert [number for _, number, _ in numbered] == [1, 2, 4, 5, 7, 8, 10, 11]
