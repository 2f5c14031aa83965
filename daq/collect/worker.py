"""One worker: receives messages, commits them, and only then acknowledges them.

Each event is in the table once.  The broker repeats a message until it is acknowledged, which happens only after the
commit.  A repeated event finds its (source, id) in `lab.keys`, in the same transaction that would store it.  So a kill
at any moment leaves either nothing, or a committed batch whose repetition is counted as duplicates.
"""

import asyncio
import contextlib
import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Final

import psycopg
import structlog

from daq.adapters.outbox.flight import Backoff
from daq.collect.broker import ManualAckClient, ReceivedMessage, worker_session
from daq.collect.database import error_text, is_data_error, open_database
from daq.collect.decode import Event, Live, NotAnEventError, decode, decode_live, split
from daq.collect.settings import CollectSettings
from daq.collect.writing import RefusedMessage, Writer, Written
from daq.core.errors import DaqError, StoreError

BACKOFF_FIRST_S: Final = 0.5
BACKOFF_MOST_S: Final = 30.0
"""First and longest wait (s) between attempts to reach broker or database."""
QUIET_S: Final = 2.0
"""Time (s) without messages after which a session to be deleted counts as empty."""


@dataclass(slots=True)
class WorkerState:
    """State of a worker, and its counts of messages since its start."""

    taken: int = 0
    duplicates: int = 0
    conflicts: int = 0
    refused: int = 0
    live_dropped: int = 0
    in_hand: int = 0
    """Number of messages received and not yet committed."""
    connected: bool = False
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Sorted:
    """A batch, sorted by the kind of its messages."""

    events: list[Event]
    live: list[Live]
    refused: list[RefusedMessage]


class Worker:
    """A worker.  It runs until it is stopped; an absent broker or database does not stop it.

    Attributes:
        state: see `WorkerState`.
    """

    def __init__(self, settings: CollectSettings, *, seed: int | None = None) -> None:
        self._settings = settings
        self._rng = random.Random(seed)  # noqa: S311 - spreads reconnects, protects nothing
        self._stop = asyncio.Event()
        self._log = structlog.get_logger().bind(part="collector", worker=settings.worker)
        self._db: psycopg.AsyncConnection | None = None
        self._writer: Writer | None = None
        self.state = WorkerState()

    @property
    def name(self) -> str:
        """Name of the worker in its group."""
        return self._settings.worker

    def stop(self) -> None:
        """Receive no more messages; commit and acknowledge those in hand, and end."""
        self._stop.set()

    async def pause(self, seconds: float) -> bool:
        """Wait until the time (s) is over or `stop` is called; return whether it was called."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._stop.wait()
        return self._stop.is_set()

    async def run(self) -> None:
        """Receive and store messages until `stop`; the tables must exist."""
        await self._with_sessions(self._serve)

    async def retire(self) -> None:
        """Store the messages that the broker keeps for this worker, then delete the session.

        Raises:
            DaqError: the broker or the database is away; the session is kept.
        """
        await self._open()
        try:
            async with self._session() as client:
                await client.unsubscribe(self._settings.shared_filters)
                quiet = asyncio.Event()
                while not quiet.is_set() or client.waiting:
                    quiet.clear()
                    timer = asyncio.get_running_loop().call_later(QUIET_S, quiet.set)
                    batch = await client.take(self._settings.window, quiet)
                    timer.cancel()
                    if not await self._write(batch):
                        raise StoreError("stopped before the broker's messages were stored; the session is kept")
                    client.acknowledge(batch)
                await client.leave_for_good()
        finally:
            await self._close()

    async def _with_sessions(self, serve: Callable[[ManualAckClient], Awaitable[None]]) -> None:
        backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, self._rng)
        try:
            while not self._stop.is_set():
                try:
                    # The database first: without it the messages of the broker could not be stored.
                    await self._open()
                    async with self._session() as client:
                        await client.listen(self._settings.shared_filters)
                        backoff.reset()
                        self._log.info("taking results", broker=self._settings.mqtt.place, again=client.session_present)
                        self.state.connected = True
                        self._trouble("")
                        await serve(client)
                except DaqError as error:
                    self._trouble(str(error))
                    await self.pause(backoff.next())
                finally:
                    self.state.connected = False
                    self.state.in_hand = 0
        finally:
            await self._close()

    def _session(self) -> contextlib.AbstractAsyncContextManager[ManualAckClient]:
        s = self._settings
        return worker_session(s.mqtt, s.client_id, window=s.window, session_s=s.session_s)

    async def _serve(self, client: ManualAckClient) -> None:
        while batch := await client.take(self._settings.window, self._stop):
            self.state.in_hand = len(batch)
            if not await self._write(batch):
                return
            client.acknowledge(batch)
            self.state.in_hand = 0
            self.state.live_dropped += client.forget_dropped()

    async def _write(self, batch: Sequence[ReceivedMessage]) -> bool:
        """Commit a batch, waiting for an absent database; return False where the worker is stopped before that."""
        found = self._sort(batch)
        backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, self._rng)
        while True:
            try:
                await self._commit(found)
            except (psycopg.Error, StoreError) as error:
                self._trouble(f"the database does not accept results, they wait at the broker: {error_text(error)}")
                await self._close()
            else:
                self._trouble("")
                return True
            if self._stop.is_set():
                return False
            await self.pause(backoff.next())

    async def _commit(self, found: _Sorted) -> None:
        await self._open()
        assert self._writer is not None  # noqa: S101 - opened in the line before
        await self._store(self._writer, found.events, found.refused)
        await self._store_live(self._writer, found.live)

    async def _store(self, writer: Writer, events: list[Event], refused: list[RefusedMessage]) -> None:
        """Store events; halve a batch that the database cannot store, until the faulty message is alone."""
        try:
            self._count(await writer.take(events, refused), len(refused))
        except (psycopg.Error, UnicodeError) as error:
            if not is_data_error(error):
                raise
            if len(events) == 1 and not refused:
                event = events[0]
                reason = f"the database cannot store it: {error_text(error)}"
                faulty = RefusedMessage.of(event.topic, event.text.encode(), reason)
                self._name(faulty)
                self._count(await writer.take([], [faulty]), 1)
                return
            if not events:
                raise
            half = len(events) // 2
            if refused:
                await self._store(writer, [], refused)
            for part in (events[:half], events[half:]):
                if part:
                    await self._store(writer, part, [])

    async def _store_live(self, writer: Writer, values: list[Live]) -> None:
        """Store live values as `_store` does; a faulty one is dropped and counted."""
        try:
            self.state.live_dropped += await writer.take_live(values)
        except (psycopg.Error, UnicodeError) as error:
            if not is_data_error(error):
                raise
            if len(values) == 1:
                self.state.live_dropped += 1
                self._log.warning("a live value cannot be stored", reason=error_text(error))
                return
            half = len(values) // 2
            await self._store_live(writer, values[:half])
            await self._store_live(writer, values[half:])

    def _sort(self, batch: Sequence[ReceivedMessage]) -> _Sorted:
        found = _Sorted([], [], [])
        for message in batch:
            try:
                if split(message.topic)[1] == "live":
                    found.live.extend(decode_live(message.topic, message.payload))
                else:
                    found.events.append(decode(message.topic, message.payload))
            except NotAnEventError as error:
                refused = RefusedMessage.of(message.topic, message.payload, str(error))
                found.refused.append(refused)
                self._name(refused)
        return found

    def _name(self, refused: RefusedMessage) -> None:
        self._log.warning(
            "a message is not a result; it is kept in lab.refused", topic=refused.topic, reason=refused.reason
        )

    def _count(self, written: Written, refused: int) -> None:
        self.state.taken += written.taken
        self.state.duplicates += written.duplicates
        self.state.conflicts += written.conflicts
        self.state.refused += refused + written.foreign
        if written.foreign:
            self._log.error(
                "messages are under other topics than their database is bound to; see lab.refused",
                messages=written.foreign,
            )
        if written.conflicts:
            self._log.error(
                "a message contradicts a stored one: the same id with other content, or another id with the same "
                "sequence number; see lab.conflicts",
                messages=written.conflicts,
            )

    async def _open(self) -> None:
        if self._db is not None and not self._db.closed:
            return
        self._db = await open_database(self._settings.postgres, f"daq collect {self._settings.worker}")
        self._writer = Writer(self._db)
        try:
            await self._writer.prepare()
        except psycopg.Error as error:
            await self._close()
            raise StoreError(
                f"the database {self._settings.postgres.place} cannot be used: {error_text(error)}"
            ) from error

    async def _close(self) -> None:
        if self._db is not None:
            await self._db.close()
        self._db = self._writer = None

    def _trouble(self, text: str) -> None:
        if text and text != self.state.trouble:
            self._log.warning("results wait", reason=text)
        self.state.trouble = text
