"""A collecting worker in this process, and a daemon that publishes to it."""

import asyncio
import contextlib
import json
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from daq.adapters.mqtt.settings import MqttSettings
from daq.collect.housekeeping import Housekeeper
from daq.collect.settings import CollectSettings, GapSettings
from daq.collect.worker import Worker
from tests.support.processes.mosquitto import PASSWORD, Mosquitto
from tests.support.runs.result_events import SOURCE, TOPICS


def worker_settings(broker: Mosquitto, database: Any, worker: str = "a", **changes: Any) -> CollectSettings:
    settings: dict[str, Any] = {
        "group": "historian", "worker": worker, "levels": ("glaze-works/+/+",),
        "mqtt": MqttSettings(host="127.0.0.1", port=broker.port, user="historian", password=PASSWORD),
        "postgres": database, "session_s": 600, "gaps": GapSettings(patience_s=0.0, again_s=1.0),
    }  # fmt: skip
    return CollectSettings(**(settings | changes))


@contextlib.asynccontextmanager
async def collecting(settings: CollectSettings):
    """A worker with its housekeeper, as the command runs them."""
    worker = Worker(settings, seed=1)
    housekeeper = Housekeeper(settings, lambda: worker.state, seed=1)
    await housekeeper.claim()
    tasks = [asyncio.create_task(housekeeper.run()), asyncio.create_task(worker.run())]
    try:
        yield worker, housekeeper
    finally:
        worker.stop()
        await asyncio.wait_for(tasks[1], 30)
        tasks[0].cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@dataclass
class PublishingDaemon:
    """A publishing daemon: records the requests it receives, and answers only those in `answers`."""

    client: aiomqtt.Client
    asked: list[dict[str, Any]] = field(default_factory=list)
    answers: dict[int, tuple[str, bytes]] = field(default_factory=dict)

    async def publish(self, *messages: tuple[str, bytes]) -> None:
        for topic, payload in messages:
            await self.client.publish(topic, payload, qos=1, timeout=20)

    async def status(self, state: str = "online", source: str = SOURCE, **sequences: int) -> None:
        names = {name.replace("_", "-"): n for name, n in sequences.items()}
        status = {"state": state, "source": source, "time": "2026-03-02T06:00:00.000Z", "sequences": names}
        await self.client.publish(TOPICS.status(), json.dumps(status), qos=1, retain=True)

    async def listen(self) -> None:
        async for message in self.client.messages:
            asked = json.loads(message.payload)
            self.asked.append(asked)
            for n in range(asked["first"], asked["last"] + 1):
                if n in self.answers:
                    await self.client.publish(*self.answers[n], qos=1)


@contextlib.asynccontextmanager
async def daemon(broker: Mosquitto):
    async with aiomqtt.Client("127.0.0.1", broker.port, username="daq", password=PASSWORD) as client:
        await client.subscribe(f"{TOPICS.prefix}/refill", 1)
        made = PublishingDaemon(client)
        task = asyncio.create_task(made.listen())
        try:
            yield made
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
