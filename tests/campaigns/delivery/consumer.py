"""A historian: it keeps a session, stores every message that it receives, and can request missing results."""

import contextlib
import json
import threading
import time
from collections import Counter, defaultdict

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.campaigns.delivery.daemon import TOPICS

ASKS_EVERY_S = 5.2
"""Seconds between two requests for a stream: a daemon answers one request per stream in 5 s."""
MOST_ASKED = 500


class Consumer:
    """Subscriber of ``result/+``.

    Attributes:
        copies: all received payloads by (source, id).
        marked: number of messages with the mark "resent".
    """

    def __init__(self, port: int, password: str) -> None:
        self.copies: defaultdict[tuple[str, str], list[bytes]] = defaultdict(list)
        self.marked = 0
        self.asked = 0
        self._last_ask: dict[tuple[str, str], float] = {}
        self._lock = threading.Lock()
        self._ready = threading.Event()
        self._password = password
        self._port = port

    def join(self) -> None:
        """Connect and subscribe; the broker keeps the session over interruptions."""
        self._client = self._make_client()
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 86_400
        self._client.connect("127.0.0.1", self._port, clean_start=False, properties=properties, keepalive=5)
        self._client.loop_start()
        assert self._ready.wait(20), "the consumer cannot subscribe"

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="tower", protocol=mqtt.MQTTv5)
        client.username_pw_set("historian", self._password)
        client.reconnect_delay_set(1, 1)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_disconnect = lambda *_: self._ready.clear()
        client.on_message = self._on_message
        return client

    def leave(self) -> None:
        """Disconnect; the broker keeps the session and the messages that arrive meanwhile."""
        properties = Properties(PacketTypes.DISCONNECT)
        properties.SessionExpiryInterval = 86_400
        self._client.disconnect(properties=properties)
        self._client.loop_stop()
        self._ready.clear()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.leave()

    def received(self) -> int:
        with self._lock:
            return sum(len(found) for found in self.copies.values())

    def ids(self) -> set[str]:
        with self._lock:
            return {found for _, found in self.copies}

    def ask(self, tops: dict[tuple[str, str], int]) -> bool:
        """Request the missing results up to the last sequence of each (source, stream); return False if none is missing."""
        here: defaultdict[tuple[str, str], set[int]] = defaultdict(set)
        with self._lock:
            for (source, _), payloads in self.copies.items():
                event = json.loads(payloads[0])
                here[source, event["subject"]].add(int(event["sequence"]))
        missing = False
        for (source, stream), top in tops.items():
            gone = sorted(set(range(1, top + 1)) - here[source, stream])
            if not gone:
                continue
            missing = True
            now = time.monotonic()
            if now - self._last_ask.get((source, stream), -ASKS_EVERY_S) < ASKS_EVERY_S:
                continue
            self._last_ask[source, stream] = now
            last = min(gone[-1], gone[0] + MOST_ASKED - 1)
            wanted = {"source": source, "stream": stream, "first": gone[0], "last": last}
            self._client.publish(TOPICS.refill(), json.dumps(wanted), qos=1)
            self.asked += 1
        return missing

    def judge(self, committed: dict[tuple[str, str], bytes]) -> Counter[str]:
        """Compare the received payloads with the committed ones; return the counts."""
        found: Counter[str] = Counter()
        with self._lock:
            for key, payloads in self.copies.items():
                found["received"] += len(payloads)
                found["duplicates"] += len(payloads) - 1
                found["foreign"] += key not in committed
                found["changed"] += sum(p != committed.get(key, p) for p in payloads)
            found["missing"] = len(committed.keys() - self.copies.keys())
        return found

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(TOPICS.prefix + "/result/+", qos=1)

    def _on_message(self, client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        event = json.loads(message.payload)
        user = getattr(message.properties, "UserProperty", [])
        with self._lock:
            self.copies[event["source"], event["id"]].append(bytes(message.payload))
            self.marked += ("resent", "1") in user
