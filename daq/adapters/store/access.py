"""What a transaction works with: the connection, the database's identity, named points between statements."""

import shutil
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from daq.adapters.store.errors import StorageError

#: Called with a point's name just before the statement it names; a test may end the process there.
CrashHook = Callable[[str], None]


class Access:
    """Runs statements for one transaction kind at a time."""

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
        self._connection = connection
        self._path = path
        self._reserve = reserve_bytes
        self._hook = hook
        self.source = source
        self.epoch = epoch
        self.kind = ""

    def point(self, name: str) -> None:
        """Tell the hook that ``kind.name`` is next."""
        if self._hook is not None:
            self._hook(f"{self.kind}.{name}")

    def run(self, point: str, sql: str, parameters: Sequence[Any] = ()) -> sqlite3.Cursor:
        """One statement."""
        self.point(point)
        return self._connection.execute(sql, parameters)

    def many(self, point: str, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """One statement for each of `rows`."""
        self.point(point)
        self._connection.executemany(sql, rows)

    def one(self, point: str, sql: str, parameters: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """The first row, or None."""
        row: tuple[Any, ...] | None = self.run(point, sql, parameters).fetchone()
        return row

    def require_space(self) -> None:
        """Refuse what would begin something that a nearly full disk could not see to its end."""
        free = shutil.disk_usage(self._path.parent).free
        if free < self._reserve:
            raise StorageError(
                f"{self._path}: only {free // 2**20} MiB of disk are free and {self._reserve // 2**20} MiB are kept so "
                "that runs can end: no new run begins; free some space"
            )
