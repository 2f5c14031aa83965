"""Time from a result's commit to the broker's acknowledgement."""

import asyncio
import json
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from daq.adapters.clock import SystemClock
from daq.adapters.mqtt import MqttSettings
from daq.adapters.outbox import Publisher
from daq.adapters.store import Store
from daq.adapters.store_rows import Outgoing, RunRecord
from daq.adapters.store_transactions import BeginRun, Conclude, RegisterMethod
from daq.adapters.topics import Topics
from tests.bench.broker import Mosquitto

RESULTS = 200


def main() -> None:
    if shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin") is None:
        print("Commit to acknowledgement: left out, mosquitto is not installed")
        return
    times = asyncio.run(measure())
    print(f"Result committed to PUBACK, {len(times)} results one by one, local Mosquitto, QoS 1, MQTT 5")
    centiles = statistics.quantiles(times, n=100)
    print(f"  median {statistics.median(times) * 1e3:.1f} ms, 99th percentile {centiles[98] * 1e3:.1f} ms")


async def measure() -> list[float]:
    topics = Topics(enterprise="bench")
    times: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        async with Mosquitto(Path(folder)) as broker:
            store = Store(Path(folder) / "bench.sqlite")
            publisher = Publisher(store, MqttSettings(host="127.0.0.1", port=broker.port), SystemClock(), topics=topics)
            task = asyncio.create_task(publisher.run())
            while not publisher.state.connected:
                await asyncio.sleep(0.01)
            await asyncio.wrap_future(store.submit(RegisterMethod("m", "1", "0", "", 0, "bench")))
            for number in range(RESULTS):
                await asyncio.wrap_future(store.submit(BeginRun(record(number))))
                before = publisher.state.delivered
                await asyncio.wrap_future(store.submit(conclusion(number, topics)))
                began = time.perf_counter()
                publisher.wake()
                while publisher.state.delivered == before:
                    await asyncio.sleep(0)
                times.append(time.perf_counter() - began)
            publisher.stop()
            await task
            store.close()
    return times


def record(number: int) -> RunRecord:
    return RunRecord(
        id=f"run-{number}", instrument="bench", method_id="m", method_version="1", method_digest="0", began_utc_ns=0
    )


def conclusion(number: int, topics: Topics) -> Conclude:
    def build(sequence: int, head: str, digest: str) -> tuple[str, list[Outgoing]]:
        body = json.dumps({"sequence": sequence, "head": head, "digest": digest, "fill": "x" * 400})
        return body, [Outgoing(topics.result("bench"), body.encode())]

    return Conclude(
        run=f"run-{number}", result_id=f"id-{number}", outcome="complete", reason="", utc_ns=0, who="bench", build=build
    )
