"""Read-only access to a database that may be damaged or falsified: a damaged text is read, so that it can be named."""

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.errors import FAULTS, explain
from daq.adapters.store.forms.opening import connect_read_only
from daq.adapters.store.reading import NO_DATABASE
from daq.adapters.store.rows import json_or_none
from daq.core.errors import StoreError

Row = dict[str, Any]
CACHE_KIB: Final = 8192
"""Memory of SQLite for pages, KiB; the inner pages of the indexes of 60,000 runs fit into it."""
MOST_KNOWN: Final = 16
"""Number of subjects whose audit entries are kept for the comparisons of one run."""
MANY: Final = 2000
"""Number of audit entries that are read at a time."""


@dataclass(frozen=True, slots=True)
class Entry:
    """An audit entry with its detail as decoded JSON; an empty dictionary where it cannot be decoded."""

    stored: AuditEntry
    detail: Row

    @property
    def where(self) -> str:
        """The entry, for a sentence."""
        return f"audit entry {self.stored.seq} ({self.stored.what})"


class Stored:
    """A database, open for comparison.  Every method raises `StoreError` where the file cannot be read."""

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        if not self.path.exists():
            raise StoreError(f"{self.path}: {NO_DATABASE}")
        try:
            self._connection = connect_read_only(self.path)
            self._connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        except FAULTS as error:
            raise explain(error, self.path) from error
        self._connection.text_factory = _tolerant
        self._connection.row_factory = _row
        self._of_subjects: dict[str, list[Entry]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let all reads of the context see the same commits."""
        self._execute("BEGIN")
        self._of_subjects = {}
        try:
            yield
        finally:
            self._of_subjects = None
            with contextlib.suppress(*FAULTS):
                self._connection.execute("COMMIT")

    def interrupt(self) -> None:
        """End a read that another thread waits for; that thread gets a `StoreError`."""
        self._connection.interrupt()

    def size(self) -> int:
        """Return the size of the database in bytes."""
        row = self.one("SELECT page_count * page_size AS size FROM pragma_page_count(), pragma_page_size()")
        return int(row["size"]) if row else 0

    def rows(self, sql: str, *parameters: Any) -> list[Row]:
        """Return all rows of a SELECT."""
        return list(self.each(sql, *parameters))

    def each(self, sql: str, *parameters: Any) -> Iterator[Row]:
        """Yield the rows of a SELECT, without keeping them in memory."""
        cursor = self._execute(sql, parameters)
        while True:
            try:
                row = cursor.fetchone()
            except FAULTS as error:
                raise explain(error, self.path) from error
            if row is None:
                return
            yield row

    def one(self, sql: str, *parameters: Any) -> Row | None:
        """Return the first row of a SELECT, or None."""
        return next(iter(self.rows(sql, *parameters)), None)

    def entries(self, subject: str, *what: str) -> list[Entry]:
        """Return the audit entries about a subject, in order, of these kinds only where given."""
        known = {} if self._of_subjects is None else self._of_subjects
        if subject in known:
            # Several comparisons of one run ask for the same entries.
            return [e for e in known[subject] if not what or e.stored.what in what]
        if what:
            kinds = json.dumps(what)
            sql = "SELECT * FROM audit WHERE subject = ? AND what IN (SELECT value FROM json_each(?)) ORDER BY seq"
            return [_entry(row) for row in self.rows(sql, subject, kinds)]
        found = [_entry(row) for row in self.rows("SELECT * FROM audit WHERE subject = ? ORDER BY seq", subject)]
        if len(known) >= MOST_KNOWN:
            known.clear()
        known[subject] = found
        return found

    def trail(self, after: int) -> Iterator[Entry]:
        """Yield the audit entries with a number above `after`, in order."""
        while True:
            rows = self.rows("SELECT * FROM audit WHERE seq > ? ORDER BY seq LIMIT ?", after, MANY)
            if not rows:
                return
            yield from map(_entry, rows)
            after = rows[-1]["seq"]

    def _execute(self, sql: str, parameters: Sequence[Any] = ()) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql, [_bindable(p) for p in parameters])
        except FAULTS as error:
            raise explain(error, self.path) from error


def oldest(entries: Sequence[Entry], what: str) -> Entry | None:
    """Return the first entry of a kind, or None."""
    return next((e for e in entries if e.stored.what == what), None)


def newest(entries: Sequence[Entry], what: str) -> Entry | None:
    """Return the last entry of a kind, or None."""
    return next((e for e in reversed(entries) if e.stored.what == what), None)


def _entry(row: Row) -> Entry:
    detail = json_or_none(row["detail"])
    return Entry(AuditEntry(**row), detail if isinstance(detail, dict) else {})


def _row(cursor: sqlite3.Cursor, values: tuple[Any, ...]) -> Row:
    return {column[0]: value for column, value in zip(cursor.description, values, strict=True)}


def _bindable(value: Any) -> Any:
    """Return a parameter for SQLite; damaged text becomes bytes, which are equal to no text of the database."""
    if isinstance(value, str):
        try:
            value.encode()
        except UnicodeEncodeError:
            return value.encode("utf-8", "surrogateescape")
    return value


def _tolerant(raw: bytes) -> str:
    return raw.decode("utf-8", "surrogateescape")
