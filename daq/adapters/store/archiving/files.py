"""The file of an archive on its medium: synced, read back, and named by its digest in a second file beside it."""

import hashlib
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

from daq.adapters.paths import sync
from daq.core.errors import StoreError

SUFFIX: Final = ".archive"
"""End of the name of an archive."""
PIECE: Final = 1 << 20
"""Number of bytes that are read at a time."""
_LINE: Final = re.compile(r"([0-9a-f]{64})  ([^/\n]+)\n")

#: Is called with a name just before each step; a test can end the process there.
Step = Callable[[str], None]


def no_step(_name: str) -> None:
    """Do nothing, where no test watches the steps."""


def sha256_of(path: Path, *, from_medium: bool = False) -> str:
    """Return the SHA-256 (hex) of a file.

    With `from_medium` the kernel is asked to forget the file's pages before, so that they are read from the medium.

    Raises:
        OSError: it cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        if from_medium and hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while piece := file.read(PIECE):
            digest.update(piece)
    return digest.hexdigest()


def put_on_medium(part: Path, name: str, step: Step = no_step) -> str:
    """Sync a written file, read it back from the medium, and return its SHA-256 (hex); `name` is for an error.

    Raises:
        StoreError: the medium gives other bytes than were written.
        OSError: the file cannot be written or read.
    """
    step("hash")
    written = sha256_of(part)
    step("sync")
    sync(part)
    step("read back")
    if sha256_of(part, from_medium=True) != written:
        raise StoreError(f"{name}: the medium gives other bytes than were written to it; use another medium")
    return written


def put_in_place(part: Path, path: Path, sha256: str, step: Step = no_step) -> None:
    """Give a synced file its name, write its digest beside it, and sync the folder.

    Raises:
        FileExistsError: a file has this name.
        OSError: the folder cannot be written.
    """
    step("name")
    os.link(part, path)  # unlike a rename it never replaces a file
    step("forget part")
    part.unlink()
    write_digest(path, sha256, step)
    step("sync folder")
    sync(path.parent)


def digest_path(path: Path) -> Path:
    """Return the file with the digest of an archive."""
    return path.with_name(path.name + ".sha256")


def has_digest(path: Path) -> bool:
    """Return whether the file with the digest of an archive is beside it."""
    return digest_path(path).exists()


def write_digest(path: Path, sha256: str, step: Step = no_step) -> None:
    """Write the digest of an archive beside it, in the form of `sha256sum`, whole or not at all."""
    target = digest_path(path)
    part = target.with_name(target.name + ".part")
    step("write digest")
    part.write_text(f"{sha256}  {path.name}\n", "ascii")
    step("sync digest")
    sync(part)
    step("name digest")
    part.replace(target)


def stated_digest(path: Path) -> str:
    """Return the digest that the file beside an archive states; "" where there is none.

    Raises:
        StoreError: the file was changed: it is not one line of digest and name.
    """
    beside = digest_path(path)
    try:
        text = beside.read_bytes().decode("ascii")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"{beside}: cannot be read: {error}") from None
    found = _LINE.fullmatch(text)
    if found is None or found[2] != path.name:
        raise StoreError(f"{beside}: was changed: it is not the digest and the name of {path.name}")
    return found[1]
