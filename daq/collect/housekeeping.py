"""What a worker does beside taking: its own row, partitions ahead, and, one of all workers, the watch over gaps.

An advisory lock of the database says which worker watches; it goes free with the connection of a worker that died.
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
from daq.adapters.mqtt.client import BrokerDownError, ignore_answer
from daq.adapters.outbox.flight import Backoff
from daq.collect import gaps
from daq.collect.broker import ManualAckClient, worker_session
from daq.collect.database import error_text, is_data_error, open_database
from daq.collect.decode import NotAnEventError
from daq.collect.partitions import AHEAD, after, make_partitions, month_of
from daq.collect.schema import LOCK, migrate
from daq.collect.settings import BEAT_S, CollectSettings
from daq.collect.worker import WorkerState
from daq.core.errors import DaqError, StoreError

NAME_LOCK: Final = LOCK + 1
WATCH_LOCK: Final = LOCK + 2
LOCK_PATIENCE_S: Final = 15.0
"""The server needs a moment to notice that a killed worker is gone."""
RIGHTS: Final = (
    "; its tables stand in a schema of their own, lab: make {0.user} the database's owner, or let it make the schema "
    "with GRANT CREATE ON DATABASE {0.database} TO {0.user}"
)
STATUS_WINDOW: Final = 1_000

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
    """What the worker that watches sees of all daemons.

    Attributes:
        missing: results that daemons counted and that are not here.
        oldest_s: how long the oldest of them has been missing, s.
        daemons: number of daemons by the state they are in.
    """

    missing: int
    oldest_s: float
    daemons: dict[str, int]


class Watch:
    """Listens to the daemons' statuses and publishes requests, over a connection of its own."""

    def __init__(self, settings: CollectSettings, rng: random.Random) -> None:
        self._settings = settings
        self._rng = rng
        self._log = structlog.get_logger().bind(part="watch", worker=settings.worker)
        self._client: ManualAckClient | None = None
        self._news: dict[str, gaps.Status] = {}

    async def run(self) -> None:
        """Until it is cancelled."""
        s = self._settings
        backoff = Backoff(1.0, 60.0, self._rng)
        while True:
            try:
                # The same name for whoever watches: a worker that lost the lock unnoticed is put out by its successor.
                async with worker_session(s.mqtt, f"daq-collect-{s.group}:watch", window=STATUS_WINDOW) as client:
                    await client.listen(s.status_filters)
                    backoff.reset()
                    self._client = client
                    await self._listen(client)
            except DaqError as error:
                self._log.warning("statuses are not heard, and nothing can be asked for", reason=str(error))
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
        """The newest status of every daemon that said something since the last call."""
        news, self._news = self._news, {}
        return list(news.values())

    def ask(self, request: gaps.Request) -> bool:
        """Publish a request; False while there is no connection."""
        if self._client is None:
            return False
        try:
            self._client.start_publish(request.topic, request.payload, 1, False, None, ignore_answer)
        except BrokerDownError:
            return False
        self._log.info("asked for results again", stream=request.stream, first=request.first, last=request.last,
                       source=request.source)  # fmt: skip
        return True


class Housekeeper:
    """Runs beside a worker until it is cancelled."""

    def __init__(self, settings: CollectSettings, state: Callable[[], WorkerState], *, seed: int | None = None) -> None:
        self._settings = settings
        self._state = state
        self._rng = random.Random(seed)  # noqa: S311 - spreads requests, protects nothing
        self._log = structlog.get_logger().bind(part="housekeeper", worker=settings.worker)
        self._started = datetime.now(UTC)
        self._db: psycopg.AsyncConnection | None = None
        self._watch: tuple[Watch, asyncio.Task[None]] | None = None
        self.fleet: Fleet | None = None
        """As of the last look; None on a worker that does not watch."""

    @property
    def watches(self) -> bool:
        """Whether this worker is the one that looks after gaps."""
        return self._watch is not None

    async def claim(self) -> None:
        """Bring the tables up to date and take the worker's name.

        Raises:
            StoreError: the database is away, belongs to a newer version, or another process has the name.
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
        """Beat, watch, and come back after the database was away."""
        backoff = Backoff(1.0, 30.0, self._rng)
        try:
            while True:
                try:
                    if self._db is None:
                        await self.claim()
                    await self._keep(backoff)
                except (psycopg.Error, StoreError) as error:
                    self._log.warning("the database is away", reason=error_text(error))
                    await self._no_watch()
                    await self.close()
                await asyncio.sleep(backoff.next())
        finally:
            await self._no_watch()
            with contextlib.suppress(psycopg.Error):
                await self._beat()
            await self.close()

    async def forget(self) -> None:
        """Take the worker's row out of the list."""
        if self._db is not None:
            s = self._settings
            await self._db.execute('DELETE FROM lab.workers WHERE "group" = %s AND worker = %s', (s.group, s.worker))

    async def close(self) -> None:
        """Close the connection, which frees its locks."""
        db, self._db = self._db, None
        if db is not None:
            await db.close()

    async def _keep(self, backoff: Backoff) -> None:
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
                with contextlib.suppress(psycopg.errors.LockNotAvailable):  # the next look is soon
                    for month in range(AHEAD + 1):
                        await make_partitions(self._db, after(now, month))
                await self._look_after(self._watch[0])
            backoff.reset()
            # However many streams there are, looking at them is no more than a fifth of the work.
            await asyncio.sleep(max(BEAT_S, 4 * (loop.time() - began)))

    async def _look_after(self, watch: Watch) -> None:
        assert self._db is not None  # noqa: S101 - called by `_keep` only
        db, settings = self._db, self._settings.gaps
        await self._note(db, watch.news())
        await gaps.find_gaps(db, history=settings.history)
        for request in await gaps.due_requests(db, settings):
            if watch.ask(request):
                await gaps.record_request(db, request, settings, self._rng)
        missing, oldest_s = (await (await db.execute(_MISSING)).fetchall())[0]
        self.fleet = Fleet(missing, oldest_s, dict(await (await db.execute(_STATES)).fetchall()))

    async def _note(self, db: psycopg.AsyncConnection, news: list[gaps.Status]) -> None:
        try:
            await gaps.store_statuses(db, news)
        except (psycopg.Error, UnicodeError) as error:
            if not is_data_error(error):
                raise
            if len(news) == 1:
                self._log.warning("a status cannot be stored", prefix=news[0].prefix, reason=error_text(error))
                return
            for status in news:
                await self._note(db, [status])

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

    async def _no_watch(self) -> None:
        watch, self._watch, self.fleet = self._watch, None, None
        if watch is not None:
            watch[1].cancel()
            await asyncio.gather(watch[1], return_exceptions=True)
