"""A database that was put back, also by a snapshot of the whole disk, is noticed at the broker before anything is published."""

import asyncio
import json
import random
import shutil
import uuid

import pytest
from structlog.testing import capture_logs

from daq.adapters.outbox.put_back import MOST_EPOCHS_AHEAD, sign
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.methods.messages.envelope import envelope
from tests.delivery.parts import delivering, depth
from tests.support.processes.mosquitto import TOPICS, eventually, listening, needs_mosquitto
from tests.support.runs.stored import T0, begin, conclude, register

OWN = "f81d4fae-7dec-41d0-a765-00a0c91e6bf6"
STREAM = "rotor-1"


def event(source, number, result):
    made = envelope(
        {"run": result}, id=result, source=source, sequence=number, time="2026-01-01T00:00:00Z", type="lab.result.v1",
        subject=STREAM,
    )  # fmt: skip
    return json.dumps(made).encode()


def status(source, number):
    return json.dumps({"state": "offline", "source": source, "sequences": {STREAM: number}}).encode()


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
    is_own = owner == OWN
    assert (of_last is not None) == (is_own and (later or (shown_epoch == 3 and (number > 5 or not is_known))))
    assert (of_status is not None) == (is_own and (later or (shown_epoch == 3 and number > 5)))
    for found in (of_last, of_status):
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


# ---- with Mosquitto


def measure(store, names):
    """Commit a result with its messages for each name, as a run does; return (source, number, id) of each."""
    store.submit(register()).result(10)
    out = []
    for name in names:
        result = str(uuid.uuid5(uuid.NAMESPACE_OID, name))

        def build(sequence, _audit, _journal, result=result):
            payload = event(store.source, sequence, result)
            last = Outgoing(TOPICS.last(STREAM), payload, retain=True)
            return payload.decode(), [Outgoing(TOPICS.result(STREAM), payload), last]

        store.submit(begin(name)).result(10)
        done = store.submit(conclude(name, result_id=result, build=build)).result(10)
        out.append((store.source, done.sequence, result))
    return out


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
