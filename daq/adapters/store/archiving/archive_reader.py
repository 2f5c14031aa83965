"""Open an archive for reading."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from daq.adapters.store.forms.opening import ARCHIVE_ID
from daq.adapters.store.reading import Reader
from daq.core.errors import SettingError, StoreError

_ANYTHING: Final = (
    "SELECT 1 WHERE EXISTS (SELECT 1 FROM runs WHERE id = ?1) OR EXISTS (SELECT 1 FROM results WHERE run = ?1) "
    "OR EXISTS (SELECT 1 FROM results WHERE id = ?2) OR EXISTS (SELECT 1 FROM journal WHERE run = ?1) "
    "OR EXISTS (SELECT 1 FROM kept WHERE run = ?1) OR EXISTS (SELECT 1 FROM audit WHERE subject = ?2) "
    "OR EXISTS (SELECT 1 FROM audit WHERE subject = ?1 AND what <> 'run_started') "
    "OR EXISTS (SELECT 1 FROM records WHERE kind = 'run_configuration' AND id = ?1)"
)


def open_archive(path: Path) -> Reader:
    """Return an archive, open for reading: it has the tables of a database.

    Raises:
        SettingError: there is no such file, this login may not read it, or it is no archive.
    """
    try:
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        raise SettingError(f"cannot be read: {error.strerror}", file=str(path), key="--archive") from error
    try:
        reader = Reader(path)
        found = reads_archive(reader)
    except StoreError as error:
        raise SettingError(f"is no archive, or is damaged: {error}", file=str(path), key="--archive") from error
    if not found:
        reader.close()
        raise SettingError("is no archive of daq", file=str(path), key="--archive")
    return reader


def open_archives(paths: Sequence[Path]) -> list[Reader]:
    """Return archives of one database, open for reading.

    Raises:
        SettingError: as `open_archive`, or one is of another database.
    """
    opened: list[Reader] = []
    try:
        for path in paths:
            opened.append(open_archive(path))
            _refuse_other(opened)
    except BaseException:
        for reader in opened:
            reader.close()
        raise
    return opened


def _refuse_other(opened: Sequence[Reader]) -> None:
    """Refuse the last of these archives where it is of another database than the first."""
    if opened[-1].identity()[0] != opened[0].identity()[0]:
        text = f"is of another database than {opened[0].path.name}; give archives of one database"
        raise SettingError(text, file=str(opened[-1].path), key="--archive")


def reads_archive(reader: Reader) -> bool:
    """Return whether a file open for reading is an archive and no database."""
    (row,) = reader.query("PRAGMA application_id")
    return bool(row["application_id"] == ARCHIVE_ID)


def holds_run(archive: Reader, run: str, result: str) -> bool:
    """Return whether an archive has anything of a run and its result but the start, which it has of verifications."""
    return bool(archive.rows(_ANYTHING, [run, result]))
