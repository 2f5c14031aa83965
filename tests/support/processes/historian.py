"""A historian in this process: an MQTT 5 subscriber that keeps all messages."""

import json
from dataclasses import dataclass, field
from typing import Any, Self

import paho.mqtt.client as mqtt

from tests.support.processes.laboratory import eventually
from tests.support.processes.mosquitto import PASSWORD

PREFIX = "works/lab/v1"


@dataclass
class Historian:
    """An MQTT 5 subscriber; it keeps all messages as (topic, payload, retained)."""

    port: int
    name: str = "historian-e2e"
    subscriptions: int = 0
    got: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def __enter__(self) -> Self:
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=self.name, protocol=mqtt.MQTTv5)
        self._client.username_pw_set("historian", PASSWORD)
        self._client.on_connect = lambda client, *_: client.subscribe("works/#", qos=1)
        self._client.on_subscribe = self._subscribed
        self._client.on_message = lambda _client, _data, m: self.got.append((m.topic, bytes(m.payload), m.retain))
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()
        eventually(lambda: self.subscriptions, what="subscription")
        return self

    def _subscribed(self, *_: Any) -> None:
        self.subscriptions += 1

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def on(self, topic: str) -> list[dict[str, Any]]:
        """Return the payloads of a topic below the prefix, in order."""
        return [json.loads(payload) for t, payload, _ in list(self.got) if t == f"{PREFIX}/{topic}"]

    def status(self) -> str:
        found = self.on("status")
        return found[-1]["state"] if found else ""
