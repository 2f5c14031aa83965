"""A process that commits results and publishes them as a daemon does, and is killed: real SQLite, real connection.

After a restart it continues from the state in its database.  SIGUSR1 limits the size of its files, which has the effect
of a full disk; SIGUSR2 removes the limit.
"""

import asyncio
import contextlib
import json
import os
import resource
import signal
import sys
import time
import uuid
from pathlib import Path

from daq.adapters.clock import SystemClock
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, Conclude, RegisterMethod
from daq.app.delivery.refill import Refill
from daq.core.errors import StoreError

STREAMS = ("bench-1", "bench-2", "bench-3")
TOPICS = Topics(enterprise="glazeworks", site="kiln-street")
NAMESPACE = uuid.UUID("7b0f6a0e-5a37-4b5b-9b43-0e2c9a3d1f55")


def result_id(number: int) -> str:
    return str(uuid.uuid5(NAMESPACE, str(number)))


def run(number: int) -> RunRecord:
    return RunRecord(
        id=f"run-{number}",
        instrument=STREAMS[number % len(STREAMS)],
        sample=f"GL-{number:05}",
        method_id="glaze-flow",
        method_version="1",
        method_digest="d1",
        began_utc_ns=time.time_ns(),
    )


def conclusion(number: int, source: str) -> Conclude:
    stream = STREAMS[number % len(STREAMS)]

    def build(sequence: int, audit: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
        event = {
            "specversion": "1.0",
            "id": result_id(number),
            "source": source,
            "subject": stream,
            "sequence": f"{sequence:012d}",
            "data": {"run": f"run-{number}", "head": audit.head, "digest": digest, "note": "x" * 400},
        }
        text = json.dumps(event)
        return text, [
            Outgoing(TOPICS.result(stream), text.encode()),
            Outgoing(TOPICS.last(stream), text.encode(), retain=True),
        ]

    return Conclude(
        run=f"run-{number}",
        result_id=result_id(number),
        outcome="complete",
        reason="",
        utc_ns=time.time_ns(),
        who="m.keeper",
        build=build,
    )


async def write(store: Store, results: int, publisher: Publisher, pause_s: float) -> None:
    with store.reader() as reader:
        done = sum(last_sequences(reader, store.epoch).values())
        started = {row["id"] for row in reader.query("SELECT id FROM runs WHERE state = 'running'")}
    await patiently(store, RegisterMethod("glaze-flow", "1", "d1", "", 0, "m.keeper"))
    for number in range(done, results):
        if f"run-{number}" not in started:
            await patiently(store, BeginRun(run(number)))
        await patiently(store, conclusion(number, store.source))
        publisher.wake()
        if pause_s:
            await asyncio.sleep(pause_s)


async def patiently(store: Store, transaction: object) -> None:
    """Commit, and repeat after an error, as the daemon does with a run that ended while the disk was full."""
    while True:
        try:
            await store.commit(transaction)  # type: ignore[arg-type]
        except StoreError as error:
            print(f"the store: {error}", flush=True)
            await asyncio.sleep(0.1)
        else:
            return


def limit_files(folder: Path) -> None:
    """Limit the size of files to that of the longest one, so that no file can grow."""
    longest = max(path.stat().st_size for path in folder.iterdir())
    resource.setrlimit(resource.RLIMIT_FSIZE, (longest, resource.RLIM_INFINITY))


async def main() -> None:
    order = json.loads(sys.argv[1])
    path = Path(order["path"])
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    loop.add_signal_handler(signal.SIGUSR1, limit_files, path.parent)
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    loop.add_signal_handler(signal.SIGUSR2, resource.setrlimit, resource.RLIMIT_FSIZE, unlimited)
    store = Store(path, reserve_bytes=0)
    clock = SystemClock()
    refill = Refill(store.uuid, store.epoch, clock.utc_ns, clock.mono_ns)
    publisher = Publisher(store, MqttSettings(**order["mqtt"]), clock, topics=TOPICS, refill=refill, seed=os.getpid())
    publishing = asyncio.create_task(publisher.run())
    writing = asyncio.create_task(write(store, order["results"], publisher, order["pause_s"]))
    stopping = asyncio.create_task(stop.wait())
    await asyncio.wait([stopping, publishing])
    writing.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await writing
    publisher.stop()
    await publishing
    store.close()


if __name__ == "__main__":
    asyncio.run(main())
