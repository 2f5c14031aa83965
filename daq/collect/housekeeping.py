"""Background work of a worker: its row in `lab.workers`, and, on one of all workers, the watch.

The watch makes partitions, reads statuses, requests missing results and announces the highest stored ones.

An advisory lock of the database selects the worker that watches over gaps.  The lock is freed with the connection, so
another worker takes over from one that died.
"""

import asyncio
import contextlib
import os
import random
import socket
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import psycopg
import structlog

import daq
from daq.adapters.mqtt.client import AnswerCallback, BrokerDownError, ignore_answer
from daq.adapters.mqtt.connection import REFUSED_FROM
from daq.adapters.outbox.flight import Backoff
from daq.collect import gaps
from daq.collect.broker import ManualAckClient, worker_session
from daq.collect.collected import Announcement, Announcer
from daq.collect.database import error_text, is_data_error, open_database
from daq.collect.decode import NotAnEventError
from daq.collect.partitions import AHEAD, after, make_partitions, month_of
from daq.collect.schema import LOCK, migrate
from daq.collect.settings import BEAT_S, CollectSettings
from daq.collect.worker import WorkerState
from daq.core.errors import DaqError, StoreError

NAME_LOCK: Final = LOCK + 1
"""Class of the advisory locks on workers' names."""
WATCH_LOCK: Final = LOCK + 2
"""Class of the advisory locks on the watch over gaps, one for each group."""
LOCK_PATIENCE_S: Final = 15.0
"""Longest wait (s) for a name; the server notices the end of a killed worker with a delay."""
RIGHTS: Final = (
    "; the collector's tables are in the separate schema lab: make {0.user} the database's owner, or let it make the "
    "schema with GRANT CREATE ON DATABASE {0.database} TO {0.user}"
)
STATUS_WINDOW: Final = 1_000
"""Maximum number of statuses the broker sends without acknowledgement."""

_BEAT: Final = """
INSERT INTO lab.workers ("group", worker, host, pid, version, started, watches, taken, duplicates, conflicts, refused,
    in_hand, trouble)
VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
ON CONFLICT ("group", worker) DO UPDATE SET host = EXCLUDED.host, pid = EXCLUDED.pid, version = EXCLUDED.version,
    started = EXCLUDED.started, beat = now(), watches = EXCLUDED.watches, taken = EXCLUDED.taken,
    duplicates = EXCLUDED.duplicates, conflicts = EXCLUDED.conflicts, refused = EXCLUDED.refused,
    in_hand = EXCLUDED.in_hand, trouble = EXCLUDED.trouble
"""
_MISSING: Final = """
SELECT coalesce(sum(last - first + 1), 0)::bigint, coalesce(extract(epoch FROM now() - min(seen)), 0)::float8
FROM lab.gaps
"""
_STATES: Final = "SELECT state, count(*) FROM lab.daemons GROUP BY state"


@dataclass(frozen=True, slots=True)
class Fleet:
    """State of all daemons, as the watching worker sees it.

    Attributes:
        missing: number of results that daemons counted and that are not stored.
        oldest_s: time (s) for which the oldest of them has been missing.
        daemons: number of daemons by the state they are in.
    """

    missing: int
    oldest_s: float
    daemons: dict[str, int]


class Watch:
    """Reception of the daemons' statuses, and sending of requests and announcements, over a separate connection.

    Attributes:
        announcer: announces the highest stored results.
    """

    def __init__(self, settings: CollectSettings, rng: random.Random) -> None:
        self._settings = settings
        self._rng = rng
        self._log = structlog.get_logger().bind(part="watch", worker=settings.worker)
        self._client: ManualAckClient | None = None
        self._news: dict[str, gaps.Status] = {}
        self._is_refusal_named = False
        self.announcer = Announcer()

    async def run(self) -> None:
        """Receive statuses and reconnect, until the task is cancelled."""
        s = self._settings
        backoff = Backoff(1.0, 60.0, self._rng)
        while True:
            try:
                # All watching workers use one client id.  The broker then disconnects a worker that has lost the lock
                # without noticing, when its successor connects.
                async with worker_session(s.mqtt, f"daq-collect-{s.group}:watch", window=STATUS_WINDOW) as client:
                    await client.listen(s.status_filters)
                    backoff.reset()
                    self.announcer.forget()
                    self._is_refusal_named = False
                    self._client = client
                    await self._listen(client)
            except DaqError as error:
                self._log.warning("no connection for statuses and requests", reason=str(error))
            finally:
                self._client = None
            await asyncio.sleep(backoff.next())

    async def _listen(self, client: ManualAckClient) -> None:
        never = asyncio.Event()
        while True:
            for message in await client.take(STATUS_WINDOW, never):
                client.acknowledge([message])
                try:
                    status = gaps.read_status(message.topic, message.payload)
                except NotAnEventError as error:
                    self._log.warning("a status cannot be read", topic=message.topic, reason=str(error))
                else:
                    self._news[status.prefix] = status

    def news(self) -> list[gaps.Status]:
        """Return the newest status of every daemon that has sent one since the last call."""
        news, self._news = self._news, {}
        return list(news.values())

    def ask(self, request: gaps.Request) -> bool:
        """Publish a request; return False without a connection."""
        if self._client is None:
            return False
        try:
            self._client.start_publish(request.topic, request.payload, 1, False, None, ignore_answer)
        except BrokerDownError:
            return False
        self._log.info("asked for results again", stream=request.stream, first=request.first, last=request.last,
                       source=request.source)  # fmt: skip
        return True

    def announce(self, message: Announcement, answered: AnswerCallback) -> bool:
        """Publish an announcement; return False without a connection.  A refusal is logged once for each connection."""

        def note(code: int) -> None:
            if code >= REFUSED_FROM and not self._is_refusal_named:
                self._is_refusal_named = True
                self._log.warning(
                    "the broker refuses to announce stored results; check its access rules",
                    topic=message.topic,
                    code=code,
                )
            answered(code)

        if self._client is None:
            return False
        try:
            self._client.start_publish(message.topic, message.payload, 1, True, None, note)
        except BrokerDownError:
            return False
        return True


class Housekeeper:
    """Background task of a worker; it runs until it is cancelled."""

    def __init__(self, settings: CollectSettings, state: Callable[[], WorkerState], *, seed: int | None = None) -> None:
        self._settings = settings
        self._state = state
        self._rng = random.Random(seed)  # noqa: S311 - spreads requests, protects nothing
        self._log = structlog.get_logger().bind(part="housekeeper", worker=settings.worker)
        self._started = datetime.now(UTC)
        self._db: psycopg.AsyncConnection | None = None
        self._watch: tuple[Watch, asyncio.Task[None]] | None = None
        self.fleet: Fleet | None = None
        """State at the last check; None on a worker that does not watch."""

    @property
    def watches(self) -> bool:
        """True while this worker is the one that watches over gaps."""
        return self._watch is not None

    async def claim(self) -> None:
        """Apply pending migrations and lock the worker's name.

        Raises:
            StoreError: the database is away, its tables belong to a newer version, or another process has the name.
        """
        s = self._settings
        self._db = db = await open_database(s.postgres, f"daq collect {s.worker} housekeeper")
        try:
            if done := await migrate(db):
                self._log.info("tables are up to date", applied=done)
            await self._take_name()
            await self._beat()
        except psycopg.Error as error:
            await self.close()
            todo = RIGHTS.format(s.postgres) if isinstance(error, psycopg.errors.InsufficientPrivilege) else ""
            raise StoreError(f"the database {s.postgres.place} cannot be used: {error_text(error)}{todo}") from error
        except BaseException:
            await self.close()
            raise

    async def _take_name(self) -> None:
        s = self._settings
        deadline = asyncio.get_running_loop().time() + LOCK_PATIENCE_S
        while not await self._lock(NAME_LOCK, f"{s.group}/{s.worker}"):
            if asyncio.get_running_loop().time() > deadline:
                raise StoreError(
                    f"a worker {s.worker!r} of the group {s.group!r} is running already; give this one another name "
                    "with --worker"
                )
            await asyncio.sleep(0.2)

    async def run(self) -> None:
        """Update the worker's row, watch over gaps, and reconnect after an absence of the database."""
        backoff = Backoff(1.0, 30.0, self._rng)
        try:
            while True:
                try:
                    if self._db is None:
                        await self.claim()
                    await self._work(backoff)
                except (psycopg.Error, StoreError) as error:
                    self._log.warning("the database is away", reason=error_text(error))
                    await self._stop_watch()
                    await self.close()
                await asyncio.sleep(backoff.next())
        finally:
            await self._stop_watch()
            with contextlib.suppress(psycopg.Error):
                await self._beat()
            await self.close()

    async def forget(self) -> None:
        """Delete the worker's row."""
        if self._db is not None:
            s = self._settings
            await self._db.execute('DELETE FROM lab.workers WHERE "group" = %s AND worker = %s', (s.group, s.worker))

    async def close(self) -> None:
        """Close the connection, which frees its locks."""
        db, self._db = self._db, None
        if db is not None:
            await db.close()

    async def _work(self, backoff: Backoff) -> None:
        assert self._db is not None  # noqa: S101 - `run` has opened it
        loop = asyncio.get_running_loop()
        while True:
            began = loop.time()
            await self._beat()
            if self._watch is None and await self._lock(WATCH_LOCK, self._settings.group):
                watch = Watch(self._settings, self._rng)
                self._watch = watch, asyncio.create_task(watch.run(), name="watch")
                self._log.info("watching over gaps")
            if self._watch is not None:
                now = month_of(datetime.now(UTC))
                with contextlib.suppress(psycopg.errors.LockNotAvailable):  # the next turn tries again
                    for month in range(AHEAD + 1):
                        await make_partitions(self._db, after(now, month))
                await self._watch_gaps(self._watch[0])
            backoff.reset()
            # The pause is four times as long as the turn, so the checks take at most a fifth of the time, with any
            # number of streams.
            await asyncio.sleep(max(BEAT_S, 4 * (loop.time() - began)))

    async def _watch_gaps(self, watch: Watch) -> None:
        assert self._db is not None  # noqa: S101 - called by `_work` only
        db, settings = self._db, self._settings.gaps
        await self._note(db, watch.news())
        await gaps.find_gaps(db, history=settings.history, most_missing=settings.most_missing)
        for request in await gaps.due_requests(db, settings):
            if watch.ask(request):
                await gaps.record_request(db, request, settings, self._rng)
        await watch.announcer.announce(db, asyncio.get_running_loop().time(), watch.announce)
        missing, oldest_s = (await (await db.execute(_MISSING)).fetchall())[0]
        self.fleet = Fleet(missing, oldest_s, dict(await (await db.execute(_STATES)).fetchall()))

    async def _note(self, db: psycopg.AsyncConnection, news: list[gaps.Status]) -> None:
        try:
            for foreign in await gaps.store_statuses(db, news):
                self._log.warning(
                    "a status is under other topics than its database is bound to, and is not believed",
                    prefix=foreign.prefix,
                    source=foreign.source,
                )
        except (psycopg.Error, UnicodeError) as error:
            if not is_data_error(error):
                raise
            if len(news) == 1:
                self._log.warning("a status cannot be stored", prefix=news[0].prefix, reason=error_text(error))
                return
            half = len(news) // 2
            await self._note(db, news[:half])
            await self._note(db, news[half:])

    async def _beat(self) -> None:
        if self._db is None:
            return
        s, state = self._settings, self._state()
        values = (
            s.group, s.worker, socket.gethostname(), os.getpid(), daq.__version__, self._started, self.watches,
            state.taken, state.duplicates, state.conflicts, state.refused, state.in_hand, state.trouble,
        )  # fmt: skip
        await self._db.execute(_BEAT, values)

    async def _lock(self, kind: int, name: str) -> bool:
        assert self._db is not None  # noqa: S101 - called with an open connection only
        found = await self._db.execute("SELECT pg_try_advisory_lock(%s, hashtext(%s))", (kind, name))
        return await found.fetchone() == (True,)

    async def _stop_watch(self) -> None:
        watch, self._watch, self.fleet = self._watch, None, None
        if watch is not None:
            watch[1].cancel()
            await asyncio.gather(watch[1], return_exceptions=True)
