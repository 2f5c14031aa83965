"""Join the rows about some runs from several archives of one database into one archive, to read them together."""

# ruff: noqa: S608 - our own names

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.archiving.contents import parts_of
from daq.adapters.store.archiving.records_about import Subjects, subjects_of
from daq.adapters.store.errors import FAULTS, explain
from daq.adapters.store.forms.opening import ARCHIVE_ID, connect_read_only
from daq.adapters.store.schema import migrate

#: Tables of which archives of different times have different rows: of the time of writing, or computed anew.
_OF_ONE: Final = ("meta", "instruments", "health", "record_keys")


def join_archives(archives: Sequence[Path], joined: Path, runs: Sequence[str]) -> list[str]:
    """Write the rows about runs from several archives into a new archive; return what differs between them, in words.

    Keys of a record come from the archive with its newest revision.

    Args:
        archives: archives of one database.
        joined: a file that does not exist.
        runs: the runs.

    Raises:
        StoreError: an archive cannot be read; the text names it.
    """
    asked, differing, subjects = json.dumps(list(runs)), [], Subjects()
    # An archive without these runs has the verifications of their instruments all the same, if its own runs need them.
    for archive in archives:
        with _opened(archive) as source:
            subjects |= subjects_of(source, asked)
    with contextlib.closing(sqlite3.connect(joined, isolation_level=None)) as target:
        target.execute("PRAGMA journal_mode = OFF")
        target.execute(f"PRAGMA application_id = {ARCHIVE_ID}")
        migrate(target)
        # The audit entries of some runs are not numbered without gaps.
        target.execute("DROP TRIGGER audit_in_order")
        target.execute("BEGIN")
        keys: dict[tuple[str, str], tuple[int, list[tuple[Any, ...]]]] = {}
        for archive in archives:
            with _opened(archive) as source:
                differing += _add(source, target, (asked, subjects), archive.name, keys)
        for _, rows in keys.values():
            target.executemany("INSERT OR IGNORE INTO record_keys VALUES (?, ?, ?, ?)", rows)
        target.execute("COMMIT")
    return differing


@contextlib.contextmanager
def _opened(archive: Path) -> Iterator[sqlite3.Connection]:
    """Open an archive for reading; a fault of it is a `StoreError` that names it."""
    try:
        with contextlib.closing(connect_read_only(archive)) as source:
            yield source
    except FAULTS as error:
        raise explain(error, archive) from error


def _add(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    wanted: tuple[str, Subjects],
    name: str,
    keys: dict[tuple[str, str], tuple[int, list[tuple[Any, ...]]]],
) -> list[str]:
    differing = []
    for table, found in parts_of(source, *wanted):
        rows = found.fetchall()
        columns = [c[0] for c in found.description]
        if table == "record_keys":
            _newer_keys(source, columns, rows, keys)
            continue
        marks, same = ", ".join("?" * len(columns)), " AND ".join(f"{c} IS ?" for c in columns)
        for row in rows:
            added = target.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row).rowcount
            if added or table in _OF_ONE:
                continue
            if target.execute(f"SELECT 1 FROM {table} WHERE {same}", row).fetchone() is None:
                differing.append(f"{name} has another row {row[0]} of {table} than an archive before it")
    return differing


def _newer_keys(
    source: sqlite3.Connection,
    columns: Sequence[str],
    rows: Sequence[tuple[Any, ...]],
    keys: dict[tuple[str, str], tuple[int, list[tuple[Any, ...]]]],
) -> None:
    """Note the keys of each record that is newer here than in the archives before."""
    by_record: dict[tuple[str, str], list[tuple[Any, ...]]] = {}
    for row in rows:
        named = dict(zip(columns, row, strict=True))
        by_record.setdefault((named["kind"], named["id"]), []).append(row)
    for record, own in by_record.items():
        (revision,) = source.execute("SELECT max(revision) FROM records WHERE kind = ? AND id = ?", record).fetchone()
        if record not in keys or (revision or 0) > keys[record][0]:
            keys[record] = (revision or 0, own)
