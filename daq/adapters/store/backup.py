"""Backups of the database: made while it is in use, checked, and restored as a new epoch of the source."""

import contextlib
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from sqlite_utils import Database

from daq.adapters.store.audit import first_break
from daq.adapters.store.delivery import SETTLED
from daq.adapters.store.errors import explain
from daq.adapters.store.reading import Reader
from daq.adapters.store.schema import migrate
from daq.adapters.store.store import Store, open_writer, source_uri
from daq.adapters.store.transactions import Audit
from daq.core.errors import StoreError


@dataclass(frozen=True, slots=True)
class Backup:
    """A checked copy: its identity, its numbers of runs and results, the last hash of its audit trail."""

    path: Path
    source: str
    runs: int
    results: int
    audit_head: str


def backup(database: Path, target: Path) -> Backup:
    """Copy a database, in use or not, to a new file and check the copy.

    Raises:
        StoreError: the target exists, the disk is full, or the copy fails its check; such a copy is removed.
    """
    if not database.exists():
        raise StoreError(f"{database}: there is no database to copy")
    if target.exists():
        raise StoreError(f"{target} exists already: choose another name; a backup never overwrites anything")
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with contextlib.closing(sqlite3.connect(database, isolation_level=None, timeout=5)) as connection:
            connection.execute("VACUUM INTO ?", (str(part),))
        with contextlib.suppress(OSError):  # the file system of a memory stick may have no modes
            part.chmod(0o600)
        checked = check_copy(part)
        put_in_place(part, target)
    except sqlite3.Error as error:
        raise explain(error, part) from error
    except OSError as error:
        raise StoreError(f"{target}: the copy cannot be written: {error.strerror}; choose another place") from error
    finally:
        part.unlink(missing_ok=True)
    return Backup(target, checked.source, checked.runs, checked.results, checked.audit_head)


def check_copy(path: Path) -> Backup:
    """Check the pages, references and audit chain of a copy.

    Raises:
        StoreError: a check fails; the text names it.
    """
    with Reader(path) as reader:
        pages = [str(next(iter(row.values()))) for row in reader.query("PRAGMA integrity_check(3)")]
        if pages != ["ok"]:
            raise StoreError(f"{path}: the copy is damaged ({pages[0]}): make another, and run `daq doctor`")
        if reader.query("PRAGMA foreign_key_check"):
            raise StoreError(f"{path}: records in the copy refer to others that are missing: run `daq doctor`")
        source, epoch = reader.identity()
        entries = reader.audit()
        if broken := first_break(source, entries):
            raise StoreError(f"{path}: the audit trail in the copy is broken: {broken}")
        counts = reader.query("SELECT (SELECT count(*) FROM runs) AS runs, (SELECT count(*) FROM results) AS results")
    head = entries[-1].hash if entries else ""
    return Backup(path, source_uri(source, epoch), counts[0]["runs"], counts[0]["results"], head)


def restore(copy: Path, database: Path, *, utc_ns: int, who: str) -> Backup:
    """Check a copy and put it in the place of a lost database, as a new epoch of its source.

    The lost database may have sent results after the copy was made.  The restored one does not know their identities.
    A new epoch keeps new results apart from them.  A person must move an existing database aside first.

    Raises:
        StoreError: the copy fails its check, or a database exists at `database`.
    """
    for suffix in ("", "-wal", "-shm"):
        if Path(f"{database}{suffix}").exists():
            raise StoreError(f"{database}{suffix} exists: move it aside first; a restored copy never overwrites a file")
    checked = check_copy(copy)
    part = database.with_name(database.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with contextlib.closing(sqlite3.connect(f"file:{quote(str(copy.absolute()))}?mode=ro", uri=True)) as connection:
            connection.execute("VACUUM INTO ?", (str(part),))
        _start_epoch(part, utc_ns)
        with Store(part) as store:
            detail = {"copy": copy.name, "copied_source": checked.source, "audit_head": checked.audit_head}
            store.submit(Audit(utc_ns, who, "restored from a backup", store.source, detail)).result()
            source = store.source
        restored = check_copy(part)
        put_in_place(part, database)
    except sqlite3.Error as error:
        raise explain(error, part) from error
    except OSError as error:
        raise StoreError(f"{database}: the copy cannot be put in place: {error.strerror}") from error
    finally:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{part}{suffix}").unlink(missing_ok=True)
    return Backup(database, source, restored.runs, restored.results, checked.audit_head)


def _start_epoch(path: Path, utc_ns: int) -> None:
    path.chmod(0o600)
    with contextlib.closing(open_writer(path)) as connection:
        # The statements below need the newest tables, and an old copy may have older ones.
        migrate(Database(connection, recursive_triggers=False, execute_plugins=False))
        connection.execute("UPDATE meta SET epoch = epoch + 1, restored_utc_ns = ?", (utc_ns,))
        # Retained messages that wait in the copy are older than those the lost database has published since.
        connection.execute(
            "UPDATE outbox SET state = 'acknowledged', quarantined = 0, last_error = ? "
            "WHERE retain AND state <> 'acknowledged'",
            (SETTLED,),
        )


def put_in_place(part: Path, target: Path) -> None:
    """Rename a finished file to `target`; `FileExistsError` where the target exists."""
    _sync(part)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL))
    part.replace(target)
    _sync(target.parent)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
