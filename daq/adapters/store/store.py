"""The store: one SQLite file and one writer thread that runs whole transactions.

`submit` queues a transaction and returns a future, so a caller need not wait for the disk.  Readers have separate
connections and never block the writer.
"""

import asyncio
import contextlib
import os
import queue
import sqlite3
import threading
import time
import uuid
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, Final, Protocol, Self, TypeVar

from daq.adapters.paths import make_private, sync
from daq.adapters.store.access import RESERVE_BYTES, Access, CrashHook, Transaction
from daq.adapters.store.audit import source_uri
from daq.adapters.store.errors import FAULTS, StorageError, explain
from daq.adapters.store.reading import Reader
from daq.adapters.store.schema import migrate
from daq.core.errors import StoreError

T = TypeVar("T")
_Item = tuple[Transaction[Any], "Future[Any]"]

APPLICATION_ID: Final = 0x6C616271
"""Identifies the file as a database of daq in SQLite's header."""
BUSY_SECONDS: Final = 5.0
"""Longest wait for another program that holds the database, s."""
WAL_LIMIT_BYTES: Final = 64 * 2**20
"""Size (bytes) to which the write-ahead log is cut back after a checkpoint."""
MOST_TOGETHER: Final = 256
"""Maximum number of transactions in one commit.

Journal blocks and acknowledgements that wait at the same time share a commit, which costs one wait for the disk.
"""


class Writing(Protocol):
    """The part of a store that a computation needs, here or in another process: it reads, and submits transactions.

    Attributes:
        uuid: identity of the database.
    """

    uuid: str

    def reader(self) -> Reader:
        """Return a new read-only connection."""
        ...

    def submit(self, transaction: Transaction[T]) -> Future[T]:
        """Queue a transaction; see `Store.submit`."""
        ...


class Store:
    """The only writer of a database file.

    Attributes:
        path: the file.
        uuid, epoch: identity of the database; a restored backup starts a new epoch, and so does `StartEpoch`.
        trouble: the present fault of file or disk, or None.  The next successful transaction clears it, unless the
            file is damaged.
        handled: number of transactions done or refused, for the watchdog of the writer.
        commits, commit_s: number of commits, and their total time (s).
        on_fault: is called in the writer's thread with every `StorageError`.
        on_audit: is called in the writer's thread with number and hash of the last audit entry, after each commit that
            added one.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        crash_hook: CrashHook | None = None,
        on_fault: Callable[[StorageError], None] | None = None,
        utc_ns: int | None = None,
        reserve_bytes: int = RESERVE_BYTES,
    ) -> None:
        """Open or create the file and apply pending migrations.

        Args:
            path: the file; its folder must exist.
            crash_hook: is called with a name before each statement, for tests of crashes.
            on_fault: see the attributes.
            utc_ns: time of creation (UTC ns) for a new file; None reads the clock.
            reserve_bytes: free disk space below which no run starts.

        Raises:
            StoreError: the file cannot be used; the text names the action to take.
        """
        self.path = Path(path)
        self.on_fault = on_fault
        self.on_audit: Callable[[int, str], None] | None = None
        self.trouble: StorageError | None = None
        self.handled = self.commits = 0
        self._submitted = 0
        self.commit_s = 0.0
        self._queue: queue.SimpleQueue[tuple[Transaction[Any], Future[Any]] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._closed = False
        created = time.time_ns() if utc_ns is None else utc_ns
        try:
            self._connection = open_writer(self.path)
        except FAULTS as error:
            raise explain(error, self.path) from error
        try:
            migrate(self._connection, before=self._keep_copy)
            self.uuid, self.epoch = _identity(self._connection, created)
        except FAULTS as error:
            self._connection.close()
            raise explain(error, self.path) from error
        except StoreError:
            self._connection.close()
            raise
        self._access = Access(
            self._connection,
            self.path,
            source=self.uuid,
            epoch=self.epoch,
            reserve_bytes=reserve_bytes,
            hook=crash_hook,
        )
        self._thread = threading.Thread(target=self._work, name="store-writer", daemon=True)
        self._thread.start()

    def _keep_copy(self, number: int) -> None:
        """Copy the database, of format `number`, into the file `NAME.format-N` before a migration changes it."""
        target = self.path.with_name(f"{self.path.name}.format-{number}")
        part = target.with_name(target.name + ".part")
        try:
            make_private(part)
            self._connection.execute("VACUUM INTO ?", (str(part),))
            sync(part)
            part.replace(target)
            sync(target.parent)
        except OSError as error:
            raise StoreError(
                f"{target}: the copy before the update of the database cannot be made: {error.strerror}; nothing was "
                "changed"
            ) from error
        finally:
            part.unlink(missing_ok=True)

    @property
    def source(self) -> str:
        """Identity with epoch, as the `source` of a CloudEvent."""
        return source_uri(self.uuid, self.epoch)

    @property
    def backlog(self) -> int:
        """Number of transactions that wait for the writer."""
        return self._queue.qsize()

    @property
    def idle(self) -> bool:
        """True when every submitted transaction has ended."""
        return self.handled == self._submitted

    def submit(self, transaction: Transaction[T]) -> Future[T]:
        """Queue a transaction and return a future, which gives the transaction's result once it is on the disk.

        The future raises the transaction's own error, `StorageError` for a fault of file or disk, or `StoreError` for
        a request that contradicts the stored data.  In each case nothing of the transaction is written.  A future
        cancelled before its turn cancels the transaction.
        """
        future: Future[T] = Future()
        with self._lock:
            if self._closed:
                future.set_exception(StoreError(f"{self.path}: the store is closed"))
                return future
            self._submitted += 1
            self._queue.put((transaction, future))
        return future

    async def commit(self, transaction: Transaction[T]) -> T:
        """Submit a transaction and wait without blocking the event loop.  It runs even if the caller is cancelled."""
        waiting = asyncio.wrap_future(self.submit(transaction))
        # A cancelled caller never reads the outcome.  Read it here, so that asyncio logs no error.  `on_fault` still
        # gets every fault.
        waiting.add_done_callback(lambda done: done.cancelled() or done.exception())
        return await asyncio.shield(waiting)

    def reader(self) -> Reader:
        """Return a new read-only connection; close it, or use it as a context manager."""
        return Reader(self.path)

    def close(self) -> None:
        """Finish all submitted transactions, then close the file.  Later calls do nothing."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _work(self) -> None:
        following: list[_Item | None] = []
        while (item := following.pop() if following else self._queue.get()) is not None:
            group = [item]
            while group[-1][0].together and len(group) < MOST_TOGETHER and not following:
                try:
                    following.append(self._queue.get_nowait())
                except queue.Empty:
                    break
                if following[0] is not None and following[0][0].together:
                    group.append(following.pop())  # type: ignore[arg-type]  # not None, as just seen
            wanted = [(t, future) for t, future in group if future.set_running_or_notify_cancel()]
            if len(wanted) < 2 or not self._carry_out_together(wanted):
                for transaction, future in wanted:
                    self._carry_out(transaction, future)
            self.handled += len(group)
        # A fault was reported at its first transaction.  Committed data are safe in the write-ahead log.
        with contextlib.suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()

    def _carry_out_together(self, group: "list[_Item]") -> bool:
        """Run several transactions in one commit; return False, with nothing written, where one of them fails."""
        if self.trouble is not None:
            return False
        access = self._access
        answers = []
        try:
            access.kind = "together"
            access.run("begin", "BEGIN IMMEDIATE")
            for transaction, _ in group:
                access.kind = transaction.kind
                answers.append(transaction.apply(access))
            access.kind = "together"
            self._commit(access)
        except BaseException:  # noqa: BLE001 - the error is raised again, for its owner, when each runs alone
            self._undo()
            return False
        for (_, future), answer in zip(group, answers, strict=True):
            future.set_result(answer)
        return True

    def _commit(self, access: Access) -> None:
        began = time.perf_counter()
        access.run("commit", "COMMIT")
        self.commit_s += time.perf_counter() - began
        self.commits += 1
        self.epoch = access.epoch
        if access.audited is not None and self.on_audit is not None:
            self.on_audit(*access.audited)
        access.audited = None

    def _carry_out(self, transaction: Transaction[Any], future: "Future[Any]") -> None:
        if self.trouble is not None and self.trouble.damaged:
            future.set_exception(self.trouble)
            return
        access = self._access
        access.kind = transaction.kind
        try:
            access.run("begin", "BEGIN IMMEDIATE")
            answer = transaction.apply(access)
            self._commit(access)
            access.point("committed")
        except BaseException as error:  # noqa: BLE001 - the future passes any error on to the caller; the writer must go on
            self._undo()
            reason = explain(error, self.path) if isinstance(error, sqlite3.Error) else error
            if reason is not error:
                reason.__cause__ = error
            if isinstance(reason, StorageError):
                self._report(reason)
            future.set_exception(reason)
            return
        self.trouble = None
        future.set_result(answer)

    def _undo(self) -> None:
        self._access.epoch, self._access.audited = self.epoch, None
        # SQLite itself rolls back on some errors, and cannot roll back on a dead disk.  The next BEGIN reports that.
        with contextlib.suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def _report(self, trouble: StorageError) -> None:
        self.trouble = trouble
        if self.on_fault is not None:
            try:
                self.on_fault(trouble)
            except Exception:  # noqa: BLE001 - an error of the callback must not end the writer
                import structlog  # noqa: PLC0415 - as good as never needed

                structlog.get_logger().exception("a fault of the store could not be reported", trouble=str(trouble))


def open_writer(path: Path) -> sqlite3.Connection:
    """Open a connection for writing: WAL, every commit synchronous, foreign keys and recursive triggers on.

    Raises:
        sqlite3.Error: the file cannot be opened.
        StoreError: the file is another program's database, is a symbolic link, or is on a file system without support
            for WAL.
    """
    refuse_links(path)
    with contextlib.suppress(OSError):
        # Measured data are confidential, so only the owner may read them.  SQLite copies the mode to its log files.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_NOFOLLOW, 0o600))
    # isolation_level None: only this module begins and ends transactions.
    connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False)
    try:
        _set_up(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def refuse_links(path: Path) -> None:
    """Refuse a database, or a log file of it, that is a symbolic link: its target may be anybody's file.

    Raises:
        StoreError: one of them is a link.
    """
    # The file is not opened here: closing it would release the locks that this process has on it (POSIX, fcntl).
    for suffix in ("", "-wal", "-shm", "-journal"):
        if Path(f"{path}{suffix}").is_symlink():
            raise StoreError(
                f"{path}{suffix} is a symbolic link, which daq does not follow: put the file itself there, or name the "
                "directory of the file with --state"
            )


def _set_up(connection: sqlite3.Connection, path: Path) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application != APPLICATION_ID and (application or tables):
        raise StoreError(f"{path}: this is the database of another program: choose another path")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise StoreError(f"{path}: the file system does not support a write-ahead log: keep it on a local disk")
    if not application:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA recursive_triggers = ON")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")


def _identity(db: sqlite3.Connection, created_utc_ns: int) -> tuple[str, int]:
    db.execute(
        "INSERT INTO meta (id, source, epoch, created_utc_ns) SELECT 1, ?, 1, ? WHERE NOT EXISTS (SELECT 1 FROM meta)",
        (str(uuid.uuid4()), created_utc_ns),
    )
    source, epoch = db.execute("SELECT source, epoch FROM meta WHERE id = 1").fetchone()
    return str(source), int(epoch)
