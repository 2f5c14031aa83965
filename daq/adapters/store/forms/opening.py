"""Open a database for reading only, also one of an older format, which the daemon has not updated yet."""

import sqlite3
from pathlib import Path
from typing import Final
from urllib.parse import quote

from daq.adapters.store.errors import FAULTS

ARCHIVE_ID: Final = 0x6C616273
"""Identifies an archive in SQLite's header, so that no daemon takes one for its database."""

AS_NEWEST: Final = {
    "records": (
        "CREATE TEMP VIEW records AS SELECT '' AS kind, '' AS id, 0 AS revision, '' AS data, 0 AS audit_seq WHERE 0"
    ),
    "record_keys": "CREATE TEMP VIEW record_keys AS SELECT '' AS kind, '' AS name, '' AS value, '' AS id WHERE 0",
    "delivery": (
        "CREATE TEMP VIEW delivery AS SELECT seq, state, attempts, last_error, acknowledged_utc_ns, quarantined, "
        "refused_utc_ns, again_utc_ns FROM outbox"
    ),
    "streams": "CREATE TEMP VIEW streams AS SELECT epoch, stream, max(sequence) AS last FROM results GROUP BY 1, 2",
}
"""Table: view in its place for a database of an older format, so that every query can read one before its update."""


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Open a database for reading only.

    Raises:
        sqlite3.Error, UnicodeError: it cannot be opened, or is damaged.
    """
    uri = f"file:{quote(str(path.absolute()))}"
    connection = sqlite3.connect(f"{uri}?mode=ro", uri=True, isolation_level=None, check_same_thread=False)
    try:
        _show_as_newest(connection)
    except sqlite3.OperationalError as error:
        connection.close()
        # On a read-only medium SQLite cannot make the index file of a write-ahead log.  Without a log none is needed.
        if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_CANTOPEN or Path(f"{path}-wal").exists():
            raise
        connection = sqlite3.connect(
            f"{uri}?mode=ro&immutable=1", uri=True, isolation_level=None, check_same_thread=False
        )
        try:
            _show_as_newest(connection)
        except FAULTS:
            connection.close()
            raise
    except FAULTS:
        connection.close()
        raise
    return connection


def _show_as_newest(connection: sqlite3.Connection) -> None:
    """Let every query read a database of an older format, which the daemon has not updated yet."""
    found = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if "outbox" in found:
        for table in AS_NEWEST.keys() - found:
            connection.execute(AS_NEWEST[table])
