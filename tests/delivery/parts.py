"""Parts shared by the tests of this folder: a clock moved by hand, and a publisher that answers consumers."""

import asyncio
import contextlib
import json

import aiomqtt

from daq.adapters.outbox.publisher import Publisher
from daq.app.delivery.refill import Refill
from tests.support.processes.mosquitto import PASSWORD, TOPICS
from tests.support.runs.stored import SECOND, T0

MINUTE = 60 * SECOND


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
