"""Detection of acknowledged messages that the broker has lost, and their repetition.

A broker that is killed may lose messages it had acknowledged.  Two signs show it.  They were tried with Mosquitto 2.0,
stopped and killed, with persistence off, never saved, saved once and saved on every change:

* The session.  The daemon asks the broker to keep a session.  A missing session means that the broker has lost
  everything (persistence off, or never saved).  An existing session does not exclude a partial loss.
* The retained message under ``last/...``.  A broker that fell back to an old database shows an older result than the
  one it acknowledged.  All later messages of that stream are published again.

In addition, messages acknowledged shortly before an unplanned end of the connection are published again, because a
broker that died may not have forwarded them.  After a kill of the daemon this is done only where the broker does not
show the newest results.  Consumers recognise repetitions by their ids.
"""

import asyncio
from dataclasses import dataclass
from typing import Final

import structlog

from daq.adapters.mqtt.client import RefusedError
from daq.adapters.mqtt.connection import Connection
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.outbox.flight import in_thread
from daq.adapters.store.outgoing.delivery import NoteSession, RepeatAfter, RepeatSince
from daq.adapters.store.outgoing.outbox_reading import (
    broker_session,
    last_acknowledged,
    newest_retained,
    retained_topics,
    retained_with,
)
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store

LONGEST_NS: Final = 86_400 * 10**9
"""Greatest age (ns) of messages that the daemon repeats by itself; consumers can ask for older ones."""
LARGEST_RETAINED: Final = 1 << 20
"""Largest retained payload (bytes) that is compared; a larger one is not from daq."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """Number of messages put into the outbox again, and the reason."""

    messages: int
    why: str


class BrokerMemory:
    """Comparison of the broker's session and retained results with the acknowledgements in the store."""

    def __init__(self, store: Store, settings: MqttSettings, client_id: str, last_topics: str) -> None:
        """Make a comparison; `last_topics` is the topic filter of the retained results, ``.../last/+``."""
        self._store, self._settings, self._filter = store, settings, last_topics
        self._broker = f"{settings.place} {client_id}"
        self._lost_utc_ns: int | None = None
        self._retained: dict[str, bytes] = {}
        self._log = structlog.get_logger().bind(part="publisher", broker=settings.place)

    def lost(self, utc_ns: int) -> None:
        """Note that the connection ended unplanned at `utc_ns`."""
        self._lost_utc_ns = utc_ns

    def arrived(self, topic: str, payload: bytes) -> bool:
        """Take a retained message; return False where it is not a result."""
        prefix = self._filter.removesuffix("+")
        if not topic.startswith(prefix) or "/" in topic[len(prefix) :]:
            return False
        if len(payload) <= LARGEST_RETAINED:
            self._retained[topic] = payload
        return True

    async def check(self, connection: Connection, reader: Reader, utc_ns: int) -> list[Repeat]:
        """Find what the broker may have lost, put it into the outbox again, and store the new session.

        Raises:
            BrokerDownError: the connection was lost; the next connection checks again.
            StoreError: the store cannot be written.
        """
        before = await in_thread(broker_session, reader)
        repeats: list[Repeat] = []
        if before is not None and before.broker == self._broker:
            if not connection.session_present:
                since = max(before.known_utc_ns, utc_ns - LONGEST_NS)
                repeats.append(
                    await self._since(
                        since, utc_ns, "the broker has no session of this daemon any more, so it lost its memory"
                    )
                )
                whole = False
            else:
                fallen, whole = await self._fallen_back(connection, reader, utc_ns)
                repeats += fallen
            # An open session without a lost connection means that the daemon was killed.  That says nothing about the
            # broker, so nothing is repeated where it shows all newest results.
            if before.is_open and (self._lost_utc_ns is not None or not whole):
                repeats.append(await self._after_loss(reader, utc_ns))
        await self._store.commit(NoteSession(self._broker, utc_ns, is_open=True))
        self._lost_utc_ns = None
        return [r for r in repeats if r.messages]

    async def farewell(self, utc_ns: int) -> None:
        """Store an orderly end of the session, after which no message needs repetition.

        Raises:
            StoreError: the store cannot be written.
        """
        await self._store.commit(NoteSession(self._broker, utc_ns, is_open=False))

    async def _since(self, since: int, utc_ns: int, why: str) -> Repeat:
        return Repeat(await self._store.commit(RepeatSince(since, utc_ns)), why)

    async def _after_loss(self, reader: Reader, utc_ns: int) -> Repeat:
        span = round(self._settings.repeat_after_loss_s * 1e9)
        # After a kill the time of the loss is unknown; the last acknowledgement is used instead.
        end = self._lost_utc_ns if self._lost_utc_ns is not None else await in_thread(last_acknowledged, reader)
        if span <= 0 or end is None:
            return Repeat(0, "")
        return await self._since(end - span, utc_ns, "the connection was lost")

    async def _fallen_back(self, connection: Connection, reader: Reader, utc_ns: int) -> tuple[list[Repeat], bool]:
        """Return the repetitions, and whether the broker shows the newest result of every stream."""
        topics = await in_thread(retained_topics, reader)
        if not topics or not await self._ask(connection):
            return [], False
        if not self._retained:
            # No right to read these topics.  A broker that kept the session and lost all retained messages was never
            # seen.
            return [], False
        known = await in_thread(newest_retained, reader, topics)
        repeats = []
        whole = True
        for topic, newest in known.items():
            shown = self._retained.get(topic)
            if shown == newest.payload:
                continue
            has = await in_thread(retained_with, reader, topic, shown) if shown is not None else None
            if has is not None and has.seq > newest.seq:
                continue  # the broker has a newer result, whose acknowledgement did not arrive
            whole = False
            if shown is not None and has is None:
                continue  # another program published there: no sign of a loss
            after = RepeatAfter(newest.stream, has.seq if has is not None else 0, utc_ns - LONGEST_NS, utc_ns)
            why = f"the broker fell back to an older state of {newest.stream}"
            repeats.append(Repeat(await self._store.commit(after), why))
        return repeats, whole

    async def _ask(self, connection: Connection) -> bool:
        """Let the broker send its retained results; return False where it refuses the subscription."""
        self._retained.clear()
        try:
            await connection.subscribe(self._filter, qos=0)
        except RefusedError as error:
            self._log.info("lost results cannot be detected at the broker", reason=str(error))
            return False
        # The broker sends the retained results before its answer to this.
        await connection.unsubscribe(self._filter)
        await asyncio.sleep(0)
        return True
