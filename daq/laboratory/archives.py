"""The record of an archive: a file that holds the journals of old runs."""

from typing import Annotated, ClassVar

from pydantic import Field

from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Model, NeededLabel

Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
"""SHA-256, hexadecimal."""
MOST_RUNS: int = 1000
"""Largest number of runs in one archive; a request of its record stays within the bound of the socket."""


class ArchivedRun(Model):
    """A run of an archive: number of blocks of its journal, and the digest of the last block."""

    run: NeededLabel
    blocks: Annotated[int, Field(gt=0)]
    digest: Digest


class Archive(Record):
    """An archive that was written, read back and checked; time and person are in the revision's audit entry.

    Attributes:
        id: the file's name without its end.
        file: name of the file.
        folder: folder in which it was written; a person may move it.
        sha256: digest of the file.
        bytes: size of the file.
        first, last: local days of the first and last start of its runs, YYYY-MM-DD.
        runs: its runs with the digests of their journals, in order of their start.
    """

    kind: ClassVar[str] = "archive"
    file: NeededLabel
    folder: Label
    sha256: Digest
    bytes: Annotated[int, Field(gt=0)]
    first: Label
    last: Label
    runs: Annotated[tuple[ArchivedRun, ...], Field(strict=False, min_length=1, max_length=MOST_RUNS)]

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key by which all archives are listed."""
        return (("id", self.id),)
