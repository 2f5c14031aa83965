"""The publisher: brings what is committed to the broker, in order, at least once, and says how it stands.

A message leaves the outbox only by an acknowledgement whose reason code is below 0x80.
What the broker refuses is kept, named, and tried again now and then without holding up
the rest.
"""

import asyncio
import contextlib
import json
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import structlog

from daq.adapters.clock import utc_text
from daq.adapters.mqtt import Connection, MqttSettings, Version, Will, connect, tls_context
from daq.adapters.mqtt_client import BrokerDownError, RefusedError
from daq.adapters.outbox_flight import Backoff, Flight, in_thread
from daq.adapters.store import Store
from daq.adapters.store_read import Reader
from daq.adapters.store_rows import Message
from daq.adapters.store_transactions import Acknowledge, Refused
from daq.adapters.topics import Topics
from daq.core.errors import DaqError, StoreError

PULSE_S: Final = 1.0
"""The publisher looks around at least this often, also to show that it lives."""
FRUITLESS: Final = 3
"""After so many connections in a row that were lost before anything was acknowledged, one message is sent at a time."""
POISON: Final = 2
"""A message during which alone the connection was lost so often counts as refused."""
INVISIBLE: Final = (
    "MQTT 3.1.1 has no way to refuse a message visibly: what the broker's access rules drop looks delivered. "
    "Check the topics' rules, or use a broker with MQTT 5."
)


class Clock(Protocol):
    """What the publisher needs of a clock."""

    def utc_ns(self) -> int:
        """UTC now, ns since 1970."""


@dataclass(slots=True)
class PublisherState:
    """How the publisher stands, for `status`, screens and the watchdog."""

    connected: bool = False
    protocol: str = ""
    trouble: str = ""
    """Why there is no connection, or what is amiss with it; "" where all is well."""
    turns: int = 0
    """Grows at least every second while the publisher lives."""
    delivered: int = 0
    refused: dict[int, str] = field(default_factory=dict)
    """Reason by number of the message, of those refused since the start."""
    in_flight: int = 0
    most_in_flight: int = 0


class Publisher:
    """Runs until it is stopped; a broker that is away, slow or strict never stops it.

    Attributes:
        state: see `PublisherState`.
        on_change: called after the connection came or went, with the state.
    """

    def __init__(
        self,
        store: Store,
        settings: MqttSettings,
        clock: Clock,
        *,
        topics: Topics,
        about: Mapping[str, Any] | None = None,
        schemas: Mapping[str, bytes] | None = None,
        seed: int | None = None,
    ) -> None:
        """Make a publisher.

        Args:
            store: where the messages are.
            settings: how to reach the broker.
            clock: for the times in status messages and marks.
            topics: where `status` goes.
            about: goes into every status message, e.g. ``{"software": {"daq": "0.1.0"}}``.
            schemas: payload of each schema topic, published retained after each connect.
            seed: fixes the jitter of waits, for tests.

        Raises:
            SettingError: a certificate file is wrong.
        """
        tls_context(settings)  # a wrong file is said now, not with every attempt to connect
        self._store = store
        self._settings = settings
        self._clock = clock
        self._topics = topics
        self._about = dict(about or {})
        self._schemas = dict(schemas or {})
        self._chance = random.Random(seed)  # noqa: S311 - spreads reconnects, protects nothing
        self._log = structlog.get_logger().bind(part="publisher", broker=settings.place)
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._connection: Connection | None = None
        self._owed: set[int] = set()
        """Acknowledged by the broker, not yet marked in the store."""
        self._retries: dict[int, tuple[float, Backoff]] = {}
        """When (loop time) each refused message is tried again."""
        self._fruitless = 0
        self._alone: Counter[int] = Counter()
        self._troubles: dict[str, str] = {}
        self.state = PublisherState()
        self.on_change: Callable[[PublisherState], None] | None = None

    def wake(self) -> None:
        """Something was committed: look at once.  To be called from the loop's thread."""
        self._wake.set()

    def stop(self) -> None:
        """Say farewell and end `run`."""
        self._stopping.set()
        self._wake.set()

    def publish_live(self, instrument: str, payload: bytes) -> bool:
        """Send readings at most once; False where they were dropped: nobody is connected or the network is slow."""
        return self._connection is not None and self._connection.publish_live(self._topics.live(instrument), payload)

    async def run(self) -> None:
        """Connect, deliver, reconnect, until `stop`."""
        backoff = Backoff(self._settings.backoff_first_s, self._settings.backoff_most_s, self._chance)
        reader = self._store.reader()
        try:
            for message in await in_thread(reader.refused, limit=-1):
                self._plan_retry(message.seq, at_once=True)
            while not self._stopping.is_set():
                try:
                    async with connect(self._settings, self._client_id(), self._wills()) as connection:
                        await self._serve(connection, reader, backoff)
                except DaqError as error:
                    self._down(str(error))
                    await self._pause(backoff.next())
        finally:
            self._connection = None
            self.state.connected = False
            reader.close()

    async def _serve(self, connection: Connection, reader: Reader, backoff: Backoff) -> None:
        await self._greet(connection)
        backoff.reset()
        self._connection = connection
        self.state.connected, self.state.protocol = True, connection.version
        self._trouble("connection", "")
        self._log.info("connected to the broker", protocol=connection.version)
        self._changed()
        flight = Flight(connection)
        try:
            while not self._stopping.is_set():
                self.state.turns += 1
                self._wake.clear()
                await self._fill(flight, reader, connection)
                await flight.wait(self._wake, PULSE_S)
                await self._settle(flight)
                if reason := flight.broken():
                    raise BrokerDownError(reason)
            await self._farewell(connection)
        finally:
            self._connection = None
            lost = await flight.abandon()
            await self._settle(flight)
            await self._suspect(lost, flight)

    # filling and settling the window

    async def _fill(self, flight: "Flight", reader: Reader, connection: Connection) -> None:
        if connection.lost.done():
            return
        window = 1 if self._fruitless >= FRUITLESS else connection.window
        free = window - len(flight.tasks)
        if free > 0:
            skip = flight.seqs | self._owed
            messages = await in_thread(reader.waiting, limit=free + len(skip))
            for message in [m for m in messages if m.seq not in skip][:free]:
                flight.send(message)
                free -= 1
        if free > 0:
            await self._retry_one(flight, reader)
        self.state.in_flight = len(flight.tasks)
        self.state.most_in_flight = max(self.state.most_in_flight, len(flight.tasks))

    async def _retry_one(self, flight: "Flight", reader: Reader) -> None:
        now = asyncio.get_running_loop().time()
        due = min((t, seq) for seq, (t, _) in self._retries.items()) if self._retries else None
        if due is None or due[0] > now or due[1] in flight.seqs | self._owed:
            return
        message = await in_thread(reader.message, due[1])
        if message is None or message.state == "acknowledged":
            self._retries.pop(due[1], None)
        else:
            flight.send(message)

    async def _settle(self, flight: "Flight") -> None:
        acknowledged, refused = flight.collect()
        self.state.in_flight = len(flight.tasks)
        if acknowledged:
            self._fruitless = 0
            self._alone.clear()
            self.state.delivered += len(acknowledged)
            for seq in acknowledged:
                self._retries.pop(seq, None)
                self.state.refused.pop(seq, None)
        self._owed.update(acknowledged)
        await self._mark()
        for message, reason in refused:
            await self._refuse(message, reason)

    async def _mark(self) -> None:
        if not self._owed:
            return
        seqs = tuple(sorted(self._owed))
        try:
            await self._store.commit(Acknowledge(seqs, self._clock.utc_ns()))
        except StoreError as error:
            # They are delivered; the marks are written when the store can again, and nothing is sent twice till then.
            self._trouble("store", f"acknowledgements cannot be stored: {error}")
            return
        self._trouble("store", "")
        self._owed.difference_update(seqs)

    async def _refuse(self, message: Message, reason: str) -> None:
        self.state.refused[message.seq] = reason
        self._plan_retry(message.seq)
        self._log.warning(
            "the broker refused a message; it is kept and tried again",
            topic=message.topic,
            id=message.id,
            reason=reason,
        )
        try:
            await self._store.commit(Refused(message.seq, reason))
        except StoreError as error:
            self._log.error("a refusal cannot be stored", reason=str(error))

    def _plan_retry(self, seq: int, *, at_once: bool = False) -> None:
        now = asyncio.get_running_loop().time()
        _, backoff = self._retries.get(
            seq, (0.0, Backoff(self._settings.retry_first_s, self._settings.retry_most_s, self._chance))
        )
        self._retries[seq] = (now if at_once else now + backoff.next(), backoff)

    async def _suspect(self, lost: list[Message], flight: "Flight") -> None:
        """A message that makes the broker hang up must not keep the others from being delivered for ever."""
        if self._stopping.is_set():
            return
        for message in lost:
            if message.seq in self._retries:
                self._plan_retry(message.seq)
        if not lost or flight.delivered:
            return
        self._fruitless += 1
        if self._fruitless > FRUITLESS and len(lost) == 1:
            (message,) = lost
            self._alone[message.seq] += 1
            if self._alone[message.seq] >= POISON:
                self._fruitless = 0
                await self._refuse(message, "the broker hung up each time it was sent alone")

    # status

    async def _greet(self, connection: Connection) -> None:
        try:
            await self._introduce(connection)
        except BrokerDownError as error:
            raise BrokerDownError(f"{error}, while saying hello: check the broker's rules for status topics") from error

    async def _introduce(self, connection: Connection) -> None:
        try:
            await connection.publish(self._topics.status(), self._status("online", connection.version), retain=True)
            for topic, payload in self._schemas.items():
                await connection.publish(topic, payload, retain=True)
        except RefusedError as error:
            self._trouble("status", f"the broker refused status or schema: {error}; check its access rules")
        else:
            self._trouble("status", "")

    async def _farewell(self, connection: Connection) -> None:
        payload = self._status("offline", connection.version, reason="stopped")
        try:
            await connection.publish(self._topics.status(), payload, retain=True)
        except DaqError as error:
            self._log.warning("no farewell to the broker", reason=str(error))

    def _status(self, state: str, version: Version, *, reason: str = "") -> bytes:
        status: dict[str, Any] = {
            "state": state,
            "source": self._store.source,
            "epoch": self._store.epoch,
            "time": utc_text(self._clock.utc_ns()),
            "mqtt": {"protocol": version, "refusals_visible": version == "5"},
            **self._about,
        }
        if reason:
            status["reason"] = reason
        if version != "5":
            status["note"] = INVISIBLE
        return json.dumps(status, ensure_ascii=False).encode()

    def _wills(self) -> dict[Version, Will]:
        versions: tuple[Version, ...] = ("5", "3.1.1")
        topic = self._topics.status()
        return {v: Will(topic, self._status("offline", v, reason="the connection was lost")) for v in versions}

    def _client_id(self) -> str:
        return f"daq-{self._store.uuid[:13]}-{self._store.epoch}"

    def _down(self, reason: str) -> None:
        self.state.connected, self.state.in_flight = False, 0
        self._trouble("connection", reason)
        self._changed()

    def _trouble(self, kind: str, text: str) -> None:
        """Note or clear one kind of trouble; each is logged once."""
        if text == self._troubles.get(kind, ""):
            return
        self._troubles[kind] = text
        self.state.trouble = "; ".join(t for t in self._troubles.values() if t)
        if text:
            self._log.warning("messages wait in the outbox", reason=text)

    def _changed(self) -> None:
        if self.on_change is not None:
            self.on_change(self.state)

    async def _pause(self, seconds: float) -> None:
        """Wait, in pieces that show life, and no longer than until `stop`."""
        loop = asyncio.get_running_loop()
        end = loop.time() + seconds
        while (left := end - loop.time()) > 0 and not self._stopping.is_set():
            self.state.turns += 1
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(left, PULSE_S)):
                    await self._stopping.wait()
