"""The files of a configuration folder as bytes: their digests, and which of them have changed."""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

from daq.core.errors import SettingError
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import LARGEST_FILE

UNREADABLE: Final = ""
"""Stands for the digest of a file that cannot be read."""


@dataclass(frozen=True)
class Source:
    """A file as it was read."""

    raw: bytes

    @cached_property
    def digest(self) -> str:
        """SHA-256 (hex) of the bytes."""
        return hashlib.sha256(self.raw).hexdigest()

    @property
    def text(self) -> str:
        """The file as text; bytes that are no UTF-8 are replaced."""
        return self.raw.decode("utf-8-sig", "replace")


def digests_now(files: Iterable[Path], folders: Iterable[Path]) -> dict[str, str]:
    """Return the SHA-256 of every TOML file as it is on the disk now, by path.

    Args:
        files: files of their own; one that is not there is left out.
        folders: folders whose TOML files are all taken.
    """
    return {str(path): _digest(path) for path in _paths(files, folders)}


def _paths(files: Iterable[Path], folders: Iterable[Path]) -> Iterator[Path]:
    yield from (path for path in files if path.exists())
    for folder in folders:
        yield from sorted(folder.glob("*.toml"))


def _digest(path: Path) -> str:
    try:
        return Source(read_plain(path, LARGEST_FILE)).digest
    except SettingError:
        return UNREADABLE
