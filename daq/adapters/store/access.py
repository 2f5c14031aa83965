"""The base of transactions, and their access to the database: statements, its identity, named points."""

import shutil
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, ClassVar, Final, Generic, TypeVar

from daq.adapters.store.errors import StorageError

RESERVE_BYTES: Final = 64 * 2**20
"""Free disk space (bytes) below which no run starts."""

#: Is called with the name of a point just before its statement; a test can end the process there.
CrashHook = Callable[[str], None]
T = TypeVar("T")


class Access:
    """Statements of one transaction at a time.

    Attributes:
        connection: of the writer, for queries within a transaction.
        path: the file.
        source, epoch: identity of the database.
        audited: number and hash of the newest audit entry written through this access; None before the first.
        kind: kind of the transaction that runs now; the first part of the names of points.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        *,
        source: str,
        epoch: int,
        reserve_bytes: int,
        hook: CrashHook | None,
    ) -> None:
        self.connection = connection
        self.path = path
        self._reserve = reserve_bytes
        self._hook = hook
        self.source = source
        self.epoch = epoch
        self.audited: tuple[int, str] | None = None
        self.kind = ""

    def point(self, name: str) -> None:
        """Call the hook with ``kind.name``, the point before the next statement."""
        if self._hook is not None:
            self._hook(f"{self.kind}.{name}")

    def run(self, point: str, sql: str, parameters: Sequence[Any] = ()) -> sqlite3.Cursor:
        """Run one statement."""
        self.point(point)
        return self.connection.execute(sql, parameters)

    def many(self, point: str, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """Run one statement for each of `rows`."""
        self.point(point)
        self.connection.executemany(sql, rows)

    def one(self, point: str, sql: str, parameters: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """Run one statement and return its first row, or None."""
        row: tuple[Any, ...] | None = self.run(point, sql, parameters).fetchone()
        return row

    def require_space(self) -> None:
        """Check that enough disk space is left for a new run to end.

        Raises:
            StorageError: less than the reserve is free.
        """
        free = shutil.disk_usage(self.path.parent).free
        if free < self._reserve:
            raise StorageError(
                f"{self.path}: only {free // 2**20} MiB of disk are free, and {self._reserve // 2**20} MiB are "
                "reserved for runs to end: no new run starts; free some space"
            )


class Transaction(Generic[T]):
    """One unit of writing; `kind` names it in the names of crash points."""

    kind: ClassVar[str]
    together: ClassVar[bool] = False
    """True if it may share a commit with other transactions for which this is true."""

    def apply(self, access: Access) -> T:
        """Run the statements; the caller begins and commits."""
        raise NotImplementedError
