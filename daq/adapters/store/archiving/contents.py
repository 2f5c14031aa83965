"""The contents of an archive: a database of the same tables with the rows of some runs, their journals included.

The journal has one format, in the database and in an archive.  An archive has everything that `daq show`, `daq replay`
and `daq verify` need, so it is read without the database, on another machine too.
"""

# ruff: noqa: S608 - our own names

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.archiving.records_about import Subjects, records_about, subjects_of
from daq.adapters.store.errors import FAULTS, explain
from daq.adapters.store.forms.opening import ARCHIVE_ID, connect_read_only
from daq.adapters.store.newest_runs import shared_serials
from daq.adapters.store.schema import FORMAT, migrate
from daq.core.errors import StoreError

_RUNS: Final = "(SELECT value FROM json_each(:runs))"
_METHODS: Final = f"SELECT method_id, method_version FROM runs WHERE id IN {_RUNS}"
_RECORDS: Final = (
    "(kind, id) IN (SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]') FROM json_each(:records))"
)
_SUBJECTS: Final = (
    f"SELECT value FROM json_each(:runs) UNION SELECT id FROM results WHERE run IN {_RUNS} "
    f"UNION SELECT method_id || ' ' || method_version FROM runs WHERE id IN {_RUNS}"
)
# A verification blocks the release of the runs before it, so it goes with them: under each name of its instrument.
_VERIFICATIONS: Final = (
    "SELECT {} FROM audit AS v WHERE v.what = 'verification' AND v.subject IN "
    "(SELECT value FROM json_each(:instruments))"
)
_VERIFYING: Final = _VERIFICATIONS.format("json_extract(v.detail, '$.run')")
_NUMBERS: Final = (
    f"SELECT seq FROM audit WHERE subject IN ({_SUBJECTS}) UNION SELECT audit_seq FROM records WHERE {_RECORDS} "
    f"UNION {_VERIFICATIONS.format('v.seq')} "
    f"UNION SELECT seq FROM audit WHERE what = 'run_started' AND subject IN ({_VERIFYING}) "
    "UNION SELECT seq FROM audit WHERE what = 'instrument_identified' AND subject IN "
    "(SELECT value FROM json_each(:instruments))"
)
#: Table and the rows of it that an archive has.
PARTS: Final = (
    ("meta", "SELECT * FROM meta"),
    ("instruments", "SELECT * FROM instruments WHERE name IN (SELECT value FROM json_each(:instruments))"),
    ("methods", f"SELECT * FROM methods WHERE (id, version) IN ({_METHODS})"),
    ("audit", f"SELECT * FROM audit WHERE seq IN ({_NUMBERS}) ORDER BY seq"),
    ("runs", f"SELECT * FROM runs WHERE id IN {_RUNS}"),
    ("journal", f"SELECT * FROM journal WHERE run IN {_RUNS}"),
    ("kept", f"SELECT * FROM kept WHERE run IN {_RUNS}"),
    ("results", f"SELECT * FROM results WHERE run IN {_RUNS}"),
    ("health", f"SELECT * FROM health WHERE run IN {_RUNS}"),
    ("records", f"SELECT * FROM records WHERE {_RECORDS}"),
    ("record_keys", f"SELECT * FROM record_keys WHERE {_RECORDS}"),
)


def write_contents(database: Path, part: Path, runs: Sequence[str]) -> None:
    """Write the rows of runs into a new archive, an empty file; the caller syncs it.

    Raises:
        StoreError: the database has an older format, one of the files cannot be read or written, or the disk is full.
    """
    asked = json.dumps(list(runs))
    try:
        with (
            contextlib.closing(connect_read_only(database)) as source,
            contextlib.closing(sqlite3.connect(part, isolation_level=None)) as target,
        ):
            (found,) = source.execute("PRAGMA user_version").fetchone()
            if found != FORMAT:
                raise StoreError(
                    f"{database}: has format {found}, not {FORMAT}; start the daemon once, which updates it"
                )
            # A part that a kill leaves is never used, so nothing is gained by a log; the caller syncs the whole file.
            target.execute("PRAGMA journal_mode = OFF")
            target.execute("PRAGMA synchronous = OFF")
            target.execute(f"PRAGMA application_id = {ARCHIVE_ID}")
            migrate(target)
            _copy(source, target, asked)
    except FAULTS as error:
        raise explain(error, part) from error


def _copy(source: sqlite3.Connection, target: sqlite3.Connection, asked: str) -> None:
    # The audit entries of some runs are not numbered without gaps.
    (trigger,) = target.execute("SELECT sql FROM sqlite_schema WHERE name = 'audit_in_order'").fetchone()
    target.execute("DROP TRIGGER audit_in_order")
    source.execute("BEGIN")
    target.execute("BEGIN")
    for table, rows in parts_of(source, asked, subjects_of(source, asked)):
        marks = ", ".join("?" * len(rows.description))
        target.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)
    target.execute("COMMIT")
    source.execute("COMMIT")
    target.execute(trigger)


def parts_of(source: sqlite3.Connection, asked: str, subjects: Subjects) -> Iterator[tuple[str, sqlite3.Cursor]]:
    """Yield each table of an archive with the rows about runs and subjects; `asked` is a JSON list of the runs' ids."""

    def rows(sql: str, parameters: Sequence[Any]) -> list[tuple[Any, ...]]:
        return source.execute(sql, parameters).fetchall()

    records = records_about(source, asked, subjects)
    named = subjects.instruments.union(*(shared_serials(rows, name) for name in subjects.instruments))
    given = {"runs": asked, "records": json.dumps(records), "instruments": json.dumps(sorted(named))}
    for table, select in PARTS:
        yield table, source.execute(select, given)
