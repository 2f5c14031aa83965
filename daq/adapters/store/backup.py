"""Backups of the database: made while it is in use, checked, and restored as a new epoch of the source."""

import contextlib
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from daq.adapters.paths import make_private, sync
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.audit import source_uri
from daq.adapters.store.checks import check_content, check_pages
from daq.adapters.store.errors import FAULTS, explain
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.outgoing.delivery import SETTLE_RETAINED
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import SETTLED
from daq.adapters.store.schema import migrate
from daq.adapters.store.store import Store, open_writer, refuse_links
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
        StoreError: the target exists, the disk is full, the database is damaged, or the copy fails its check; such a
            copy is removed.
    """
    if not database.exists():
        raise StoreError(f"{database}: there is no database to copy")
    if target.exists():
        raise StoreError(f"{target} exists already: choose another name; a backup never overwrites anything")
    refuse_links(database)
    part = target.with_name(target.name + ".part")
    try:
        make_private(part)
        with contextlib.closing(sqlite3.connect(database, isolation_level=None, timeout=5)) as connection:
            connection.execute("VACUUM INTO ?", (str(part),))
        checked = check_copy(part, named=database)
        put_in_place(part, target)
    except FAULTS as error:
        # SQLite reports a damaged page of the database also as a full disk of the copy.
        _refuse_damaged(database)
        raise explain(error, part) from error
    except OSError as error:
        raise StoreError(f"{target}: the copy cannot be written: {error.strerror}; choose another place") from error
    finally:
        part.unlink(missing_ok=True)
    return Backup(target, checked.source, checked.runs, checked.results, checked.audit_head)


def check_copy(path: Path, *, named: Path | None = None) -> Backup:
    """Run every check of `daq doctor` on a copy: pages, references, definitions, agreement of all stored facts.

    Args:
        path: the copy.
        named: the file that the text of an error names; None: the copy.

    Raises:
        StoreError: a check fails; the text names what is wrong.
    """
    wrong = [f for f in check_content(path) if not f.ok]
    if wrong:
        more = f" (and {len(wrong) - 1} more findings)" if len(wrong) > 1 else ""
        raise StoreError(
            f"{named or path}: {wrong[0].what}: {wrong[0].say}{more}; no copy of it is kept or restored: keep "
            "this file and the older copies, and report what happened"
        )
    with Reader(path) as reader:
        source, epoch = reader.identity()
        rows = reader.query(
            "SELECT (SELECT count(*) FROM runs) AS runs, (SELECT count(*) FROM results) AS results, "
            "(SELECT hash FROM audit ORDER BY seq DESC LIMIT 1) AS head"
        )
    return Backup(path, source_uri(source, epoch), rows[0]["runs"], rows[0]["results"], rows[0]["head"] or "")


def _refuse_damaged(database: Path) -> None:
    """Raise `StoreError` with the first fault of the database's pages, if it has one."""
    with Stored(database) as stored:
        wrong = [f for f in check_pages(stored) if not f.ok]
    if wrong:
        raise StoreError(f"{database}: {wrong[0].what}: {wrong[0].say}; no copy can be made: {wrong[0].do}")


def restore(copy: Path, database: Path, *, utc_ns: int, who: str) -> Backup:
    """Check a copy and put it in the place of a lost database, as a new epoch of its source.

    The lost database may have sent results after the copy was made.  The restored one does not know their identities.
    A new epoch keeps new results apart from them.  A person must move an existing database aside first.

    Raises:
        StoreError: the copy fails a check of `daq doctor`, or a database exists at `database`.
    """
    for suffix in ("", "-wal", "-shm"):
        if os.path.lexists(f"{database}{suffix}"):
            raise StoreError(f"{database}{suffix} exists: move it aside first; a restored copy never overwrites a file")
    checked = check_copy(copy)
    part = database.with_name(database.name + ".part")
    try:
        make_private(part)
        with contextlib.closing(sqlite3.connect(f"file:{quote(str(copy.absolute()))}?mode=ro", uri=True)) as connection:
            connection.execute("VACUUM INTO ?", (str(part),))
        _start_epoch(part, utc_ns)
        with Store(part) as store:
            detail = {
                "copy": copy.name,
                "copied_source": checked.source,
                "audit_head": checked.audit_head,
                "epoch": store.epoch,
            }
            store.submit(Audit(utc_ns, who, "restored from a backup", store.source, detail)).result()
            source = store.source
        restored = check_copy(part)
        put_in_place(part, database)
        MarkFile(database).renew()
    except FAULTS as error:
        raise explain(error, part) from error
    except OSError as error:
        raise StoreError(f"{database}: the copy cannot be put in place: {error.strerror}") from error
    finally:
        for suffix in ("", "-wal", "-shm"):
            Path(f"{part}{suffix}").unlink(missing_ok=True)
    return Backup(database, source, restored.runs, restored.results, checked.audit_head)


def _start_epoch(path: Path, utc_ns: int) -> None:
    with contextlib.closing(open_writer(path)) as connection:
        # The statements below need the newest tables, and an old copy may have older ones.
        migrate(connection)
        connection.execute("UPDATE meta SET epoch = epoch + 1, restored_utc_ns = ?", (utc_ns,))
        # Retained messages that wait in the copy are older than those the lost database has published since.
        connection.execute(SETTLE_RETAINED, (SETTLED,))


def put_in_place(part: Path, target: Path) -> None:
    """Rename a finished file to `target`; `FileExistsError` where the target exists."""
    sync(part)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600))
    part.replace(target)
    sync(target.parent)
