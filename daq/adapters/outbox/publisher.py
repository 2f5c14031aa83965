"""The publisher: delivers committed messages to the broker, in order, at least once, and reports its state.

A message leaves the outbox only by an acknowledgement with a reason code below 0x80.  A refused message is kept with
the reason and tried again later, while the other topics go on.  A message refused for good is put into quarantine until
a person sends it again.

Reading messages, sending them and marking the acknowledged ones run concurrently: while some messages are marked as
delivered, the next ones are in flight.
"""

import asyncio
import contextlib
import json
import random
import uuid
from collections.abc import Callable, Mapping
from typing import Any, Final

import structlog

from daq.adapters.clock import TimeSource
from daq.adapters.mqtt.client import BrokerDownError, RefusedError, Reply
from daq.adapters.mqtt.connection import Connection, connect
from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.answers import Answers
from daq.adapters.outbox.backlog import Backlog
from daq.adapters.outbox.broker_memory import BrokerMemory
from daq.adapters.outbox.changed import ChangedMessages
from daq.adapters.outbox.flight import Backoff, Flight, in_thread
from daq.adapters.outbox.greeting import EpochStartedError, Greeting
from daq.adapters.outbox.jobs import PULSE_S, Jobs
from daq.adapters.outbox.neighbours import Neighbours
from daq.adapters.outbox.publisher_state import PublisherState, Troubles
from daq.adapters.outbox.refused import PoisonMessages, Refusals, RefusedTopics
from daq.adapters.outbox.requests import Refill, Requests
from daq.adapters.outbox.status import Status
from daq.adapters.outbox.status_publisher import StatusPublisher
from daq.adapters.store.outgoing.outbox_reading import next_try, refused_topics
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.core.errors import DaqError, StoreError

LIVE_EXPIRY_S: Final = 10
"""Time (s) after which the broker drops a live message that it could not deliver."""
_LIVE: Final = json.dumps({"content_type": "application/json", "expiry_s": LIVE_EXPIRY_S})


class Publisher:
    """Delivery of the outbox.  It runs until it is stopped; an absent, slow or strict broker does not stop it.

    Attributes:
        state: see `PublisherState`.
    """

    def __init__(
        self,
        store: Store,
        settings: MqttSettings,
        clock: TimeSource,
        *,
        topics: Topics,
        about: Mapping[str, Any] | None = None,
        schemas: Mapping[str, bytes] | None = None,
        refill: Refill | None = None,
        bench: Callable[[], Mapping[str, Any]] | None = None,
        seed: int | None = None,
    ) -> None:
        """Make a publisher.

        Args:
            store: holds the outbox.
            settings: address and limits of the broker.
            clock: gives the times in status messages and marks.
            topics: topic names of this bench.
            about: is a part of every status message, e.g. ``{"versions": {"daq": "0.1.0"}}``.
            schemas: payload of each schema topic, published retained after each connection.
            refill: decides on requests of consumers; None: no subscription to requests.
            bench: returns the facts of the bench for the status, by key; called before each status message.
            seed: seed of the random part of waits, for tests.

        Raises:
            SettingError: a certificate file is wrong.
        """
        tls_context(settings)  # report a wrong file now, not at every attempt to connect
        self._store, self._settings, self._clock, self._topics = store, settings, clock, topics
        self._rng = random.Random(seed)  # noqa: S311 - spreads reconnects, protects nothing
        self._log = structlog.get_logger().bind(part="publisher", broker=settings.place)
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._connection: Connection | None = None
        self._new_epoch: EpochStartedError | None = None
        """Set where a new epoch was started during a connection, which then ends."""
        self._jobs = Jobs(self._wake.set)
        self._topics_refused = RefusedTopics(settings.retry_first_s, settings.retry_most_s, self._rng)
        self._memory = BrokerMemory(store, settings, self._client_id(), topics.last_of_all())
        self._checked = False
        self._poison = PoisonMessages()
        self.state = PublisherState()
        self._changed = ChangedMessages(store, clock, self.state, self._log)
        self._requests = Requests(refill, self.state, Answers(topics, lambda: store.source))
        self._troubles = Troubles(self.state, self._log)
        self._backlog = Backlog(store, clock, self._changed, self._troubles)
        self._refusals = Refusals(store, clock, self._topics_refused, self._backlog, self.state, self._log)
        self._greeting = Greeting(store, settings, topics, clock, self.state)
        instance = str(uuid.uuid4())
        self._neighbours = Neighbours(instance, self.state)
        status = Status(topics.status(), store.source, store.epoch, about or {}, instance=instance)
        self._status_publisher = StatusPublisher(status, store, clock, self._troubles, schemas or {})
        self._status_publisher.bench = bench or dict

    def wake(self) -> None:
        """Look for new messages at once, after a commit.  Call it from the event loop's thread."""
        self._backlog.news = True
        self._wake.set()

    def stop(self) -> None:
        """Publish the offline status and end `run`."""
        self._stopping.set()
        self._wake.set()

    def publish_live(self, instrument: str, payload: bytes) -> bool:
        """Send readings at most once; return False where they are dropped: no connection, or a slow network."""
        topic = self._topics.live(instrument)
        return self._connection is not None and self._connection.publish_live(topic, payload, properties=_LIVE)

    async def run(self) -> None:
        """Connect, deliver, reconnect, until `stop`."""
        backoff = Backoff(self._settings.backoff_first_s, self._settings.backoff_most_s, self._rng)
        try:
            while not self._stopping.is_set():
                try:
                    with self._store.reader() as reader:
                        await self._session(reader, backoff)
                except EpochStartedError:
                    self.state.connected = False
                    self._memory = BrokerMemory(
                        self._store, self._settings, self._client_id(), self._topics.last_of_all()
                    )
                except DaqError as error:
                    self._down(str(error))
                    await self._pause(backoff.next())
                except Exception as error:  # noqa: BLE001 - it is logged
                    # A programming error must not end the delivery for good: log it and start a new session.
                    self._log.exception("the publisher failed")
                    self._down(f"fault of the software: {type(error).__name__}: {error}")
                    await self._pause(backoff.next())
        finally:
            self._connection = None
            self.state.connected = False

    async def _session(self, reader: Reader, backoff: Backoff) -> None:
        for found in await in_thread(refused_topics, reader):
            if found.topic not in self._topics_refused:  # refused before the start of this process
                self._topics_refused.at_once(found.topic, self._now())
                self.state.refused[found.topic] = found.reason
        wills = await self._status_publisher.wills(reader)
        session_s = self._settings.session_s
        async with connect(
            self._settings, self._client_id(), wills, session_s=session_s, spoken=self._greeting.spoken
        ) as connection:
            await self._serve(connection, reader, backoff)

    async def _serve(self, connection: Connection, reader: Reader, backoff: Backoff) -> None:
        connection.on_arrival(self._arrived)
        self._checked = False
        self._new_epoch = None
        # The birth replaces the status that the broker shows, so the comparison is made before it.
        await self._greeting.greet(connection, reader)
        await self._publish_birth(connection, reader)
        backoff.reset()
        self._connection = connection
        self.state.connected, self.state.protocol = True, connection.version
        self._troubles.note("connection", "")
        self._log.info("connected to the broker", protocol=connection.version)
        self._backlog.news = True
        flight = Flight(connection, self._wake.set, self._backlog.ready, self._window(connection))
        try:
            while not self._stopping.is_set():
                self.state.turns += 1
                self._wake.clear()
                await self._settle(flight)
                if self._new_epoch is not None:
                    raise self._new_epoch
                if reason := flight.broken():
                    raise BrokerDownError(reason)
                await self._fill_window(flight, reader, connection)
                self._begin_jobs(connection, reader)
                await self._rest(flight, connection)
            flight.window = 0
            if await self._status_publisher.publish_offline(connection, reader):
                await self._memory.farewell(self._clock.utc_ns())
        finally:
            self._connection = None
            await self._end(flight)

    async def _end(self, flight: Flight) -> None:
        """Store the answers that arrived, and drop the messages without answer from memory."""
        flight.window = 0
        await self._jobs.end()
        await self._settle(flight)
        if self._new_epoch is not None:
            # Marks of messages of the lost database would hide other messages that have their numbers now.
            self._backlog.drop()
        await self._backlog.mark()
        lost = flight.abandon()
        self._backlog.drop_unsent()
        self.state.in_flight = 0
        if not self._stopping.is_set() and self._new_epoch is None:
            self._memory.lost(self._clock.utc_ns())
            if not flight.delivered and (message := self._poison.connection_lost(lost)) is not None:
                how = "closed the connection" if flight.connection_ended else "did not answer"
                await self._refusals.refuse(
                    message, f"the broker {how} each time this message was sent alone", for_good=flight.connection_ended
                )

    async def _rest(self, flight: Flight, connection: Connection) -> None:
        """Wait for an answer, a commit, or the next scheduled work."""
        seconds = min(PULSE_S, flight.time_left_s)
        if len(flight) < self._window(connection):
            seconds = min(seconds, self._topics_refused.wait_s(self._now()))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._wake.wait()
        if not self._wake.is_set():
            self._backlog.news = True  # a pulse without a wake-up: a commit may have been missed

    # background tasks, at most one of each kind

    def _begin_jobs(self, connection: Connection, reader: Reader) -> None:
        begin = self._jobs.begin
        if self._greeting.has_news:
            begin("compare", self._compare, reader)
        if self._backlog.wants_more:
            begin("read", self._backlog.read, reader)
        if self._backlog.owed:
            begin("mark", self._mark)
        if self._requests:
            begin("refill", self._answer_requests, connection)
        if not self._checked:
            begin("check", self._check, connection, reader)
        if self._neighbours.is_false:
            begin("put right", self._put_right, connection, reader)
        begin("status", self._publish_status, connection, reader)

    async def _compare(self, reader: Reader) -> None:
        try:
            await self._greeting.compare(reader)
        except EpochStartedError as error:
            self._new_epoch = error

    async def _mark(self) -> None:
        if not await self._backlog.mark():
            self._jobs.rest("mark", PULSE_S)

    async def _answer_requests(self, connection: Connection) -> None:
        await self._requests.answer(self._store, connection)
        self._backlog.news = True

    async def _check(self, connection: Connection, reader: Reader) -> None:
        try:
            repeats = await self._memory.check(connection, reader, self._clock.utc_ns())
        except StoreError as error:
            self._troubles.note(
                "memory", f"messages the broker may have lost cannot be put into the outbox again: {error}"
            )
            raise
        self._troubles.note("memory", "")
        self._checked = True
        for repeat in repeats:
            self.state.repeated += repeat.messages
            self._backlog.news = True
            self._log.warning("messages are published again", reason=repeat.why, messages=repeat.messages)

    async def _publish_status(self, connection: Connection, reader: Reader) -> None:
        """Publish the status where it has changed; the next comparison is after `status_every_s`."""
        self._jobs.rest("status", self._settings.status_every_s)
        await self._status_publisher.publish_changes(connection, reader)

    async def _put_right(self, connection: Connection, reader: Reader) -> None:
        self._neighbours.is_false = False
        await self._status_publisher.publish_now(connection, reader)

    def _arrived(self, topic: str, payload: bytes, retained: bool, reply: Reply | None) -> None:
        if self._greeting.arrived(topic, payload, retained=retained):
            self._wake.set()
            return
        if topic == self._topics.status():
            if not retained and not self._stopping.is_set():
                self._neighbours.arrived(payload)
                self._wake.set()
            return
        if retained and self._memory.arrived(topic, payload):
            return
        if retained or topic != self._topics.refill():
            # Another topic, or a request that was retained by mistake: a request counts once.
            return
        self._requests.arrived(payload, reply)
        self._wake.set()

    # filling and settling the window

    def _window(self, connection: Connection) -> int:
        return 1 if self._poison.one_by_one else connection.window

    async def _fill_window(self, flight: Flight, reader: Reader, connection: Connection) -> None:
        window = self._window(connection)
        flight.window = window
        flight.fill()
        if len(flight) < window and (topic := self._topics_refused.due(self._now())) is not None:
            message = await in_thread(next_try, reader, topic)
            if message is not None and not await self._changed.without(reader, [message]):
                self._topics_refused.at_once(topic, self._now())  # try the next message of the topic
            elif message is None:
                self._topics_refused.taken(topic)
                self.state.refused.pop(topic, None)
            elif message.seq not in self._backlog.held and flight.send(message):
                self._backlog.held.add(message.seq)
        self.state.in_flight = len(flight)
        self.state.most_in_flight = max(self.state.most_in_flight, len(flight))

    async def _settle(self, flight: Flight) -> None:
        answers = flight.collect()
        self.state.in_flight = len(flight)
        if answers.taken:
            self._poison.reset()
            self.state.delivered += len(answers.taken)
            self._backlog.taken(answers.taken)
            for message in answers.taken:
                if message.topic in self._topics_refused:
                    await self._refusals.release(message)
        if answers.refused:
            await asyncio.gather(*(self._refusals.refuse(m, str(e), for_good=e.for_good) for m, e in answers.refused))

    # birth, status and offline message

    async def _publish_birth(self, connection: Connection, reader: Reader) -> None:
        try:
            await self._status_publisher.publish_birth(connection)
            with contextlib.suppress(StoreError):  # the background task repeats the check
                await self._check(connection, reader)
            await self._listen(connection)
        except BrokerDownError as error:
            raise BrokerDownError(
                f"{error}, at the first messages of the connection: check the broker's rules for status topics"
            ) from error

    async def _listen(self, connection: Connection) -> None:
        if not self._requests.are_accepted:
            return
        try:
            await connection.subscribe(self._topics.refill())
        except RefusedError as error:
            self._troubles.note("refill", f"consumers cannot ask for results again: {error}")
        else:
            self._troubles.note("refill", "")

    def _client_id(self) -> str:
        return self._settings.client_id or f"daq-{self._store.uuid[:13]}-{self._store.epoch}"

    def _down(self, reason: str) -> None:
        self.state.connected, self.state.in_flight = False, 0
        self._troubles.note("connection", reason)

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    async def _pause(self, seconds: float) -> None:
        """Wait until the time is over or `stop` is called; count turns meanwhile for the watchdog."""
        end = self._now() + seconds
        while (left := end - self._now()) > 0 and not self._stopping.is_set():
            self.state.turns += 1
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(left, PULSE_S)):
                    await self._stopping.wait()
