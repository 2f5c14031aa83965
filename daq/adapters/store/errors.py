"""Translation of SQLite's errors to texts for a person: the fault and the action to take."""

import sqlite3
from pathlib import Path
from typing import Final

from daq.core.errors import StoreError


class StorageError(StoreError):
    """The database file or its disk has a fault; earlier commits are kept.  Example: the disk is full.

    Attributes:
        damaged: the file is damaged; the store writes nothing more to it, so that the damage does not grow.
    """

    def __init__(self, text: str, *, damaged: bool = False) -> None:
        self.damaged = damaged
        super().__init__(text)


#: Errors of Python's SQLite module.  Damaged text in the file, also in SQLite's own messages, gives a `UnicodeError`.
FAULTS: Final = (sqlite3.Error, UnicodeError)
_NOT_UTF_8: Final = "Could not decode to UTF-8"
_DAMAGED: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})

#: Primary SQLite result code -> sentence with what to do.
_TROUBLES: Final[dict[int, str]] = {
    sqlite3.SQLITE_FULL: "the disk is full: free some space; committed data are safe, nothing new can be stored",
    sqlite3.SQLITE_IOERR: (
        "the disk cannot be read or written: check free space, quota and file size limit, then the disk itself "
        "(system log); committed data are kept"
    ),
    sqlite3.SQLITE_CORRUPT: (
        "the database file is damaged: stop daq, copy the file aside, run `daq doctor`, and restore the last backup"
    ),
    sqlite3.SQLITE_NOTADB: (
        "the file is not a database of daq, or its beginning is damaged: check the path, copy the file aside, and "
        "restore the last backup"
    ),
    sqlite3.SQLITE_READONLY: "the database cannot be written: check the owner and mode of the file and its folder",
    sqlite3.SQLITE_CANTOPEN: "the database cannot be opened: check that its folder exists and may be written",
    sqlite3.SQLITE_BUSY: "another program holds the database: close it (a database browser, a copy in progress)",
    sqlite3.SQLITE_LOCKED: "another connection holds the database: close other programs that use it",
    sqlite3.SQLITE_NOMEM: "there is not enough memory to store data: close other programs or add memory",
    sqlite3.SQLITE_PERM: "the operating system refuses access to the database: check owner and mode of the file",
    sqlite3.SQLITE_PROTOCOL: "the file system cannot lock the database: keep it on a local disk, not on a share",
}


def is_text_fault(error: Exception) -> bool:
    """Return True if a text in the database is not UTF-8."""
    return isinstance(error, UnicodeError) or str(error).startswith(_NOT_UTF_8)


def explain(error: sqlite3.Error | UnicodeError, path: Path) -> StoreError:
    """Return `error` as a `StorageError` for a fault of file or disk, otherwise as a `StoreError`."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    text = str(error)
    if is_text_fault(error):
        code = sqlite3.SQLITE_CORRUPT
        text = "a text in it is not UTF-8"
    sentence = _TROUBLES.get(code)
    if sentence is None:
        return StoreError(f"{path}: the database refused: {error}")
    return StorageError(f"{path}: {sentence} ({text})", damaged=code in _DAMAGED)
