"""What the broker remembers of what it acknowledged, and what is published again because it does not.

A broker that is killed may lose messages it had acknowledged.  Two signs, tried with a Mosquitto that was stopped and
killed, with its database switched off, never saved, saved once and saved on every change:

* The session.  We ask the broker to remember us.  That it does not know us any more means that it has lost everything
  (its database was off, or never saved).  That it knows us does not mean that it has lost nothing.
* The retained message under ``last/...``.  A broker that fell back to an old database shows an older one than we know
  it acknowledged.  It shows exactly how far back it fell, so everything of that stream behind it goes out again.

Besides, after a connection that ended unplanned, what was acknowledged shortly before is published again: a broker that
died may not have handed it on.  After a start of ours that follows a kill, only where the broker is not seen to have
the newest results.  Consumers know the ids.
"""

import asyncio
from dataclasses import dataclass
from typing import Final

import structlog

from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.outbox.flight import in_thread
from daq.adapters.store.delivery import NoteSession, RepeatAfter, RepeatSince
from daq.adapters.store.outbox_reading import (
    broker_session,
    last_acknowledged,
    newest_retained,
    retained_topics,
    retained_with,
)
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store

LONGEST_NS: Final = 86_400 * 10**9
"""Of itself the daemon goes back a day at most; for older ones a consumer asks."""
LARGEST_RETAINED: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Repeat:
    """So many messages wait again, and why."""

    messages: int
    why: str


class BrokerMemory:
    """Compares what the broker knows with what the store knows it acknowledged."""

    def __init__(self, store: Store, settings: MqttSettings, client_id: str, last_topics: str) -> None:
        """`last_topics` is the filter of the retained results, ``.../last/+``."""
        self._store, self._settings, self._filter = store, settings, last_topics
        self._broker = f"{settings.place} {client_id}"
        self._lost_utc_ns: int | None = None
        self._retained: dict[str, bytes] = {}
        self._log = structlog.get_logger().bind(part="publisher", broker=settings.place)

    def lost(self, utc_ns: int) -> None:
        """The connection ended without our will."""
        self._lost_utc_ns = utc_ns

    def arrived(self, topic: str, payload: bytes) -> bool:
        """Take a retained message; False where it is not of the results."""
        prefix = self._filter.removesuffix("+")
        if not topic.startswith(prefix) or "/" in topic[len(prefix) :]:
            return False
        if len(payload) <= LARGEST_RETAINED:
            self._retained[topic] = payload
        return True

    async def check(self, connection: Connection, reader: Reader, utc_ns: int) -> list[Repeat]:
        """Ask the broker, put into the outbox again what it may have lost, and note that it knows us now.

        Raises:
            BrokerDownError: the connection was lost meanwhile; the next one checks again.
            StoreError: the store takes nothing.
        """
        before = await in_thread(broker_session, reader)
        repeats: list[Repeat] = []
        if before is not None and before.broker == self._broker:
            if not connection.session_present:
                since = max(before.known_utc_ns, utc_ns - LONGEST_NS)
                repeats.append(await self._since(since, utc_ns, "the broker has forgotten us, so it lost its memory"))
                whole = False
            else:
                fallen, whole = await self._fallen_back(connection, reader, utc_ns)
                repeats += fallen
            # That a process was killed is no sign against a broker that has all its newest results.
            if before.is_open and (self._lost_utc_ns is not None or not whole):
                repeats.append(await self._after_loss(reader, utc_ns))
        await self._store.commit(NoteSession(self._broker, utc_ns, is_open=True))
        self._lost_utc_ns = None
        return [r for r in repeats if r.messages]

    async def farewell(self, utc_ns: int) -> None:
        """We leave of our own will: nothing was lost.

        Raises:
            StoreError: the store takes nothing.
        """
        await self._store.commit(NoteSession(self._broker, utc_ns, is_open=False))

    async def _since(self, since: int, utc_ns: int, why: str) -> Repeat:
        return Repeat(await self._store.commit(RepeatSince(since, utc_ns)), why)

    async def _after_loss(self, reader: Reader, utc_ns: int) -> Repeat:
        span = round(self._settings.repeat_after_loss_s * 1e9)
        # A process that was killed does not know when it lost the connection, only what it had acknowledged last.
        end = self._lost_utc_ns if self._lost_utc_ns is not None else await in_thread(last_acknowledged, reader)
        if span <= 0 or end is None:
            return Repeat(0, "")
        return await self._since(end - span, utc_ns, "the connection was lost")

    async def _fallen_back(self, connection: Connection, reader: Reader, utc_ns: int) -> tuple[list[Repeat], bool]:
        """What was repeated, and whether the broker is seen to have the newest result of every stream."""
        topics = await in_thread(retained_topics, reader)
        if not topics or not await self._ask(connection):
            return [], False
        if not self._retained:
            return [], False  # we may not read there; that none is left while our session is was never seen
        known = await in_thread(newest_retained, reader, topics)
        repeats = []
        whole = True
        for topic, newest in known.items():
            shown = self._retained.get(topic)
            if shown == newest.payload:
                continue
            has = await in_thread(retained_with, reader, topic, shown) if shown is not None else None
            if has is not None and has.seq > newest.seq:
                continue  # it took one whose acknowledgement we have not seen
            whole = False
            if shown is not None and has is None:
                continue  # somebody else's: no sign of a loss
            after = RepeatAfter(newest.stream, has.seq if has is not None else 0, utc_ns - LONGEST_NS, utc_ns)
            why = f"the broker fell back to an older state of {newest.stream}"
            repeats.append(Repeat(await self._store.commit(after), why))
        return repeats, whole

    async def _ask(self, connection: Connection) -> bool:
        """Have the retained results sent; False where the broker does not let us."""
        self._retained.clear()
        try:
            await connection.subscribe(self._filter, qos=0)
        except RefusedError as error:
            self._log.info("whether the broker lost results cannot be seen", reason=str(error))
            return False
        # What it had to send is read before its answer to this.
        await connection.unsubscribe(self._filter)
        await asyncio.sleep(0)
        return True
