"""Time from the commit of a result to the broker's acknowledgement, and the rate at which a full outbox is sent."""

import asyncio
import json
import math
import shutil
import statistics
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from daq.adapters.clock import SystemClock
from daq.adapters.mqtt.connection import WINDOW
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, Conclude, RegisterMethod
from tests.bench.broker import Mosquitto
from tests.bench.goals import Row

RESULTS = 200
WAITING = 4000
ROUNDS = 5
PAYLOAD = 4600
"""Length of a message, as of the result of a run."""
DRAIN = "full outbox, messages of 4.6 kB / pipelined paho"


def main() -> list[Row]:
    if shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin") is None:
        print("Commit to acknowledgement: left out, mosquitto is not installed")
        return [Row(DRAIN, math.nan, 0.8, "x", at_least=True, why="no mosquitto")]
    times = asyncio.run(measure())
    print(f"Result committed to PUBACK, {len(times)} results one by one, local Mosquitto, QoS 1, MQTT 5")
    centiles = statistics.quantiles(times, n=100)
    print(f"  median {statistics.median(times) * 1e3:.1f} ms, 99th percentile {centiles[98] * 1e3:.1f} ms")
    rounds = asyncio.run(drain())
    print(
        f"A full outbox of {WAITING} results of {PAYLOAD} bytes drained, against a bare paho publisher of the same messages and window"
    )
    for name, rates in (("outbox", [ours for ours, _ in rounds]), ("paho", [bare for _, bare in rounds])):
        print(f"  {name:<6} " + ", ".join(f"{rate:,.0f}" for rate in rates) + " messages/s")
    ratio = statistics.median(ours / bare for ours, bare in rounds)
    print(f"  ratio, median of {len(rounds)} rounds: {ratio:.2f}")
    return [Row(DRAIN, ratio, 0.8, "x", at_least=True)]


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
    def build(sequence: int, audit: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
        head = {"sequence": sequence, "head": audit.head, "digest": digest}
        text = json.dumps(head | {"fill": "x" * (PAYLOAD - len(json.dumps(head | {"fill": ""})))})
        return text, [Outgoing(topics.result("bench"), text.encode())]

    return Conclude(
        run=f"run-{number}", result_id=f"id-{number}", outcome="complete", reason="", utc_ns=0, who="bench", build=build
    )


async def drain() -> list[tuple[float, float]]:
    """Return messages per second of the publisher and of a bare client, alternating so that both have the same load."""
    topics = Topics(enterprise="bench")
    rounds: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        async with Mosquitto(Path(folder)) as broker:
            store = Store(Path(folder) / "bench.sqlite")
            store.submit(RegisterMethod("m", "1", "0", "", 0, "bench"))
            for number in range(WAITING):
                store.submit(BeginRun(record(number)))
                last = store.submit(conclusion(number, topics))
            await asyncio.wrap_future(last)
            with store.reader() as reader:
                messages = [(m.topic, m.payload) for m in reader.waiting(limit=WAITING)]
            settings = MqttSettings(host="127.0.0.1", port=broker.port)
            for _ in range(ROUNDS):
                ours = await drain_once(store, settings, topics)
                rounds.append((ours, await asyncio.to_thread(bare, broker.port, messages)))
                again = SendAgain(stream="bench", sequences=(1, WAITING), utc_ns=0, who=None)
                await asyncio.wrap_future(store.submit(again))
            store.close()
    return rounds


async def drain_once(store: Store, settings: MqttSettings, topics: Topics) -> float:
    publisher = Publisher(store, settings, SystemClock(), topics=topics)
    task = asyncio.create_task(publisher.run())
    while not publisher.state.connected:
        await asyncio.sleep(0.001)
    before, began = publisher.state.delivered, time.perf_counter()
    while publisher.state.delivered < WAITING:
        await asyncio.sleep(0.002)
    rate = (WAITING - before) / (time.perf_counter() - began)
    publisher.stop()
    await task
    return rate


def bare(port: int, messages: list[tuple[str, bytes]]) -> float:
    """Return messages per second of the client library alone, in a separate thread, with the same window."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(WINDOW)
    done, connected = threading.Event(), threading.Event()
    left = len(messages)

    def published(*_: object) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            done.set()

    client.on_publish = published
    client.on_connect = lambda *_: connected.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    connected.wait(10)
    began = time.perf_counter()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1)
    done.wait(60)
    rate = len(messages) / (time.perf_counter() - began)
    client.disconnect()
    client.loop_stop()
    return rate
