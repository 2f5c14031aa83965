"""Parts shared by the tests of this folder: a clock moved by hand, and a publisher that answers consumers."""

import asyncio
import contextlib
import json
import uuid

import aiomqtt

from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.rows import Outgoing
from daq.app.delivery.refill import Refill
from daq.methods.messages.envelope import envelope
from tests.support.processes.mosquitto import PASSWORD, TOPICS
from tests.support.runs.stored import SECOND, T0, begin, conclude, register

MINUTE = 60 * SECOND
STREAM = "rotor-1"


class HandClock:
    """UTC and monotonic time, moved by hand."""

    def __init__(self) -> None:
        self.now = T0

    def utc_ns(self) -> int:
        return self.now

    def mono_ns(self) -> int:
        return self.now

    def pass_s(self, seconds: float) -> None:
        self.now += round(seconds * 1e9)


@contextlib.asynccontextmanager
async def delivering(store, settings, clock, *, farewell=True, **options):
    """Run a publisher with refill.  Without `farewell` it ends as after a kill: without an offline status."""
    refill = Refill(store.uuid, store.epoch, clock.utc_ns, clock.mono_ns)
    publisher = Publisher(store, settings, clock, topics=TOPICS, refill=refill, seed=1, **options)
    task = asyncio.create_task(publisher.run())
    try:
        yield publisher
    finally:
        if farewell:
            publisher.stop()
            await asyncio.wait_for(task, 20)
        else:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def ask(port, **wanted):
    """Publish a request, as a consumer does."""
    await ask_raw(port, json.dumps(wanted).encode())


async def ask_raw(port, *payloads, **options):
    async with aiomqtt.Client("127.0.0.1", port, username="historian", password=PASSWORD) as client:
        for payload in payloads:
            await client.publish(TOPICS.refill(), payload, qos=1, **options)


def depth(store):
    with store.reader() as reader:
        return reader.outbox_depth()


def states(store):
    """State of each message that is not retained, by id."""
    with store.reader() as reader:
        return {m.id: m.state for m in reader.outbox("NOT m.retain ORDER BY d.seq", [], -1)}


def event(source, number, result):
    made = envelope(
        {"run": result}, id=result, source=source, sequence=number, time="2026-01-01T00:00:00Z", type="lab.result.v1",
        subject=STREAM,
    )  # fmt: skip
    return json.dumps(made).encode()


def stored(source, number, result, /, **changes):
    message = {
        "source": source,
        "epoch": int(source.partition("#")[2]),
        "stream": STREAM,
        "sequence": number,
        "id": result,
    }
    return json.dumps(message | changes).encode()


def status(source, number):
    return json.dumps({"state": "offline", "source": source, "sequences": {STREAM: number}}).encode()


def a_result(name="x"):
    return str(uuid.uuid5(uuid.NAMESPACE_OID, name))


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
