"""Send a checked copy of the database to a client, which writes it.

The daemon of a systemd unit can write only into its state directory, and its temporary folder is its own.  The client
can write wherever its user can.
"""

import asyncio
import base64
import binascii
import contextlib
import hashlib
import os
import uuid
from collections.abc import AsyncGenerator, Iterator
from pathlib import Path
from typing import BinaryIO, Final

from daq.adapters.store.backup import Backup, backup, check_copy, put_in_place
from daq.app.daemon.protocol import Answer, BackupMade, BackupPiece
from daq.core.errors import LinkError, StoreError

PIECE: Final = 192 * 1024
"""Number of bytes of the database in one answer."""
_NAME: Final = ".backup-{}.part"


class Copies:
    """Makes copies of one database and sends them, one at a time."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._busy = False

    async def send(self) -> AsyncGenerator[Answer]:
        """Copy and check the database, then yield the copy in pieces, and its hash.

        Raises:
            LinkError: another copy is being made or sent.
            StoreError: the copy cannot be made, or fails its check.
        """
        if self._busy:
            raise LinkError("another backup is being made; try again when it has ended")
        self._busy = True
        try:
            file = await asyncio.to_thread(self._copied)
            with file:
                digest, size = hashlib.sha256(), 0
                while piece := await asyncio.to_thread(file.read, PIECE):
                    digest.update(piece)
                    size += len(piece)
                    yield BackupPiece(base64.b64encode(piece).decode("ascii"))
            yield BackupMade(digest.hexdigest(), size)
        finally:
            self._busy = False

    def _copied(self) -> BinaryIO:
        """Return a checked copy, open for reading; its name is removed at once, so that no copy is left over."""
        for left in self._database.parent.glob(_NAME.format("*")):  # of a daemon that was killed
            left.unlink(missing_ok=True)
        path = self._database.with_name(_NAME.format(uuid.uuid4().hex))
        try:
            backup(self._database, path)
            return path.open("rb")
        finally:
            path.unlink(missing_ok=True)


def receive(answers: Iterator[Answer], target: Path) -> Backup:
    """Write a copy that the daemon sends to a new file, check it, and return what it contains.

    Raises:
        StoreError: the target exists or cannot be written, or the copy is not the one that was sent.
    """
    if os.path.lexists(target):
        raise StoreError(f"{target} exists already: choose another name; a backup never overwrites anything")
    part = target.with_name(target.name + ".part")
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC | getattr(os, "O_NOFOLLOW", 0)
    try:
        with contextlib.suppress(FileNotFoundError):
            part.unlink()
        with os.fdopen(os.open(part, flags, 0o600), "wb") as file:
            _write(answers, file)
        checked = check_copy(part)
        put_in_place(part, target)
    except OSError as error:
        raise StoreError(f"{target}: the copy cannot be written: {error.strerror}; choose another place") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return Backup(target, checked.source, checked.runs, checked.results, checked.audit_head)


def _write(answers: Iterator[Answer], file: BinaryIO) -> None:
    digest, size = hashlib.sha256(), 0
    made: BackupMade | None = None
    for answer in answers:
        if isinstance(answer, BackupPiece):
            try:
                piece = base64.b64decode(answer.piece, validate=True)
            except binascii.Error:
                raise StoreError("a piece of the copy is damaged; try again") from None
            digest.update(piece)
            size += len(piece)
            file.write(piece)
        elif isinstance(answer, BackupMade):
            made = answer
    if made is None or (made.sha256, made.bytes) != (digest.hexdigest(), size):
        raise StoreError("the copy is not whole; try again")
    file.flush()
    os.fsync(file.fileno())
