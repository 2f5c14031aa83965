"""Open an archive for reading."""

from pathlib import Path

from daq.adapters.store.forms.opening import ARCHIVE_ID
from daq.adapters.store.reading import Reader
from daq.core.errors import SettingError, StoreError


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
        (row,) = reader.query("PRAGMA application_id")
    except StoreError as error:
        raise SettingError(f"is no archive, or is damaged: {error}", file=str(path), key="--archive") from error
    if row["application_id"] != ARCHIVE_ID:
        reader.close()
        raise SettingError("is no archive of daq", file=str(path), key="--archive")
    return reader
