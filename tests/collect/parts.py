"""Tables, events and a daemon's publisher for the tests of the collector."""

import asyncio
import contextlib
import json

from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.rows import Outgoing
from daq.app.delivery.refill import Refill
from daq.collect import gaps
from daq.collect.database import open_database
from daq.collect.decode import decode
from daq.collect.schema import migrate
from daq.collect.writing import Writer
from tests.support.runs.result_events import SOURCE, TOPICS, own_id, result
from tests.support.runs.stored import T0, begin, conclude, register


class Time:
    """The publisher's clock; a test can advance its monotonic time to skip the wait between requests."""

    def utc_ns(self):
        return T0

    def mono_ns(self):
        self.now = getattr(self, "now", 0) + 6_000_000_000
        return self.now


@contextlib.asynccontextmanager
async def tables(database):
    db = await open_database(database, "test")
    try:
        await migrate(db)
        writer = Writer(db)
        await writer.prepare()
        yield db, writer
    finally:
        await db.close()


def events(*sequences, **more):
    return [decode(*result(n, **more)) for n in sequences]


def status(state="online", source=SOURCE, **sequences):
    return gaps.Status(TOPICS.prefix, source, state, None, {k.replace("_", "-"): n for k, n in sequences.items()}, "{}")


def measure(store, count, stream="bench-1"):
    """Commit results with their messages, as the daemon makes them."""
    store.submit(register()).result(10)
    for _ in range(count):
        with store.reader() as reader:
            number = 1 + reader.query("SELECT coalesce(max(sequence), 0) AS n FROM results WHERE stream = ? AND epoch = ?",
                                      (stream, store.epoch))[0]["n"]  # fmt: skip
        run, own = f"{store.epoch}-{stream}-{number}", own_id(store.source, stream, number)

        def build(sequence, head, digest):
            topic, payload = result(sequence, stream=stream, source=store.source)
            event = json.loads(payload)
            # As the daemon: the result names its place in the audit trail and the digest of its journal.
            event["data"]["origin"] |= {
                "journal_digest": digest, "audit_head": head.head, "audit_number": head.number,
                "audit_before": head.before, "audit_before_number": head.before_number,
            }  # fmt: skip
            return json.dumps(event["data"]), [Outgoing(topic, json.dumps(event).encode())]

        store.submit(begin(run, stream)).result(10)
        store.submit(conclude(run, result_id=own, build=build)).result(10)


@contextlib.asynccontextmanager
async def publishing(store, broker):
    clock = Time()
    refill = Refill(store.uuid, store.epoch, clock.utc_ns, clock.mono_ns)
    publisher = Publisher(store, broker.settings(), clock, topics=TOPICS, refill=refill, seed=1)
    task = asyncio.create_task(publisher.run())
    try:
        yield publisher
    finally:
        publisher.stop()
        await asyncio.wait_for(task, 20)


async def until(query, text, wanted, seconds=90.0):
    end = asyncio.get_running_loop().time() + seconds
    while (now := await asyncio.to_thread(query, text)) != wanted:
        assert asyncio.get_running_loop().time() < end, f"{text}: {now}"
        await asyncio.sleep(0.1)
