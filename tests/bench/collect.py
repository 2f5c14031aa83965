"""The collector's rows per second against a bare COPY of the same rows, in the same run."""

import asyncio
import math
import tempfile
import time
from pathlib import Path

import aiomqtt
import psycopg

from daq.collect.columns import RESULT, names_of
from daq.collect.database import open_database
from daq.collect.decode import Event, decode
from daq.collect.schema import migrate
from daq.collect.settings import CollectSettings
from daq.collect.worker import Worker
from daq.collect.writing import Writer, row_of
from tests.bench.goals import Row
from tests.support.processes.collector import worker_settings
from tests.support.processes.mosquitto import MOSQUITTO, PASSWORD, Mosquitto
from tests.support.processes.postgres import Server, binaries
from tests.support.runs.result_events import result

ROWS = 10_000
BATCH = 500
DAEMONS = 20
TAKEN = "collector, broker to table / bare COPY"


def main() -> list[Row]:
    if binaries() is None or MOSQUITTO is None:
        print("Collector: left out, PostgreSQL or mosquitto is not installed")
        return [Row(TAKEN, math.nan, 0.8, "x", at_least=True, why="no PostgreSQL or mosquitto")]
    server = Server(fsync=True).start()
    try:
        return [Row(TAKEN, asyncio.run(measure(server)), 0.8, "x", at_least=True)]
    finally:
        server.remove()


async def measure(server: Server) -> float:
    """Return the collector's rate as a share of that of a bare COPY."""
    messages = [
        result(n // DAEMONS + 1, source=f"urn:uuid:6f1e0f0a-0000-4000-8000-{n % DAEMONS:012d}#1") for n in range(ROWS)
    ]
    size = sum(len(p) for _, p in messages) / ROWS
    print(f"Collector, {ROWS} results of {size:.0f} bytes, batches of {BATCH}, PostgreSQL with fsync on this machine")
    with server.connect() as db:
        for name in ("bare", "written", "taken"):
            db.execute(f"CREATE DATABASE {name}")
    began = time.perf_counter()
    events = [decode(*m) for m in messages]
    decoding = time.perf_counter() - began
    bare = await copy_bare(await open_database(server.settings("bare"), "bench"), events)
    writing = await write(await open_database(server.settings("written"), "bench"), events)
    taking = await take(server, messages)
    for what, seconds in (
        ("bare COPY into a table without indexes", bare),
        ("writer: keys, partitions, seven indexes, events decoded before", writing),
        ("decoding alone", decoding),
        ("writer with decoding", writing + decoding),
        ("broker to table: one worker, acknowledged after the commit", taking),
    ):
        print(f"  {what:<66}{ROWS / seconds:8.0f} rows/s  {bare / seconds:5.2f} of bare COPY")
    return bare / taking


async def copy_bare(db: psycopg.AsyncConnection, events: list[Event]) -> float:
    """Return the seconds for COPY of the same columns, with one transaction per batch."""
    await migrate(db)
    await db.execute("CREATE TABLE bare (LIKE lab.results INCLUDING DEFAULTS)")
    columns = names_of(RESULT)
    began = time.perf_counter()
    for i in range(0, len(events), BATCH):
        async with db.cursor() as cursor, cursor.copy(f"COPY bare ({', '.join(columns)}) FROM STDIN") as copy:
            for e in events[i : i + BATCH]:
                row = row_of(e, 1)
                await copy.write_row([row[name] for name in columns])
    seconds = time.perf_counter() - began
    await db.close()
    return seconds


async def write(db: psycopg.AsyncConnection, events: list[Event]) -> float:
    """Return the seconds for the collector's writer."""
    await migrate(db)
    writer = Writer(db)
    await writer.prepare()
    taken = 0
    began = time.perf_counter()
    for i in range(0, len(events), BATCH):
        taken += (await writer.take(events[i : i + BATCH])).taken
    seconds = time.perf_counter() - began
    await db.close()
    assert taken == len(events)
    return seconds


async def take(server: Server, messages: list[tuple[str, bytes]]) -> float:
    """Return the seconds in which a worker takes the messages that wait at the broker and commits them."""
    with tempfile.TemporaryDirectory() as folder:
        extra = "max_queued_messages 0\nmax_inflight_messages 500\nautosave_on_changes false\nautosave_interval 1800\n"
        broker = Mosquitto(Path(folder), extra=extra).start()
        try:
            settings = worker_settings(broker, server.settings("taken"), window=BATCH)
            async with aiomqtt.Client("127.0.0.1", broker.port, username="daq", password=PASSWORD) as client:
                await drained(settings, 0)
                for topic, payload in messages:
                    await client.publish(topic, payload, qos=1, timeout=30)
                return await drained(settings, len(messages))
        finally:
            broker.stop()


async def drained(settings: CollectSettings, wanted: int) -> float:
    """Run a worker until it has taken `wanted` messages; the broker keeps its session."""
    db = await open_database(settings.postgres, "bench")
    await migrate(db)
    await db.close()
    worker = Worker(settings)
    task = asyncio.create_task(worker.run())
    while not worker.state.connected:
        await asyncio.sleep(0.002)
    began = time.perf_counter()
    while worker.state.taken < wanted:
        await asyncio.sleep(0.005)
    seconds = time.perf_counter() - began
    worker.stop()
    await task
    return seconds
