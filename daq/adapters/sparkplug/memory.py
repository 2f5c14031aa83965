"""What an edge node must not forget when its process ends: its birth/death number, and how far results were sent.

A small file of its own beside the database, because it belongs to this connection and not to what was measured.
"""

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self

import structlog

from daq.adapters.sparkplug.metrics import NUMBERS

FILE: Final = "sparkplug.json"
FORM: Final = 1


@dataclass(frozen=True, slots=True)
class Position:
    """Where a database stands.

    Attributes:
        source: its UUID.
        epoch: counted up each time it is restored from a backup.
        newest: mark of the newest result of each stream; marks grow with each result.
        newest_before: the same of the results of former epochs only.
    """

    source: str
    epoch: int
    newest: Mapping[str, int]
    newest_before: Mapping[str, int]


@dataclass(slots=True)
class Memory:
    """The file, read once and written whole.  `OSError` where it cannot be written: nothing is sent then.

    Attributes:
        bd_seq: of the last connection; None before the first.
        sent: mark of the last result of each stream that the broker has.
    """

    path: Path
    source: str
    epoch: int
    bd_seq: int | None = None
    sent: dict[str, int] = field(default_factory=dict)

    @classmethod
    def open(cls, folder: Path, position: Position) -> Self:
        """What is remembered in a state directory, fitted to where its database stands now.

        With nothing to remember, the results of before are not sent: the births show the newest, and what is
        measured from now on follows.  A restored database continues from its backup: what was committed after the
        backup is gone, so the marks are taken back to it.
        """
        path = folder / FILE
        found = _read(path)
        memory = cls(path, position.source, position.epoch)
        if found is None or found["source"] != position.source:
            memory.bd_seq = None if found is None else found["bdSeq"]
            memory.sent = dict(position.newest)
            return memory
        memory.bd_seq = found["bdSeq"]
        memory.sent = found["sent"]
        if found["epoch"] != position.epoch:
            memory.sent = {s: min(mark, position.newest_before.get(s, 0)) for s, mark in memory.sent.items()}
        return memory

    def next_bd_seq(self) -> int:
        """The number of the connection to be made now, already on the disk."""
        number = 0 if self.bd_seq is None else (self.bd_seq + 1) % NUMBERS
        self._write(number)
        self.bd_seq = number
        return number

    def save(self) -> None:
        """Bring `sent` to the disk."""
        self._write(self.bd_seq)

    def _write(self, bd_seq: int | None) -> None:
        text = json.dumps(
            {"form": FORM, "source": self.source, "epoch": self.epoch, "bdSeq": bd_seq, "sent": self.sent}
        )
        draft = self.path.with_suffix(".new")
        with draft.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(self.path)
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _read(path: Path) -> dict[str, Any] | None:
    """The file's content; None where there is none, or where it cannot be believed: it is then kept aside and named."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        _put_aside(path, str(error))
        return None
    if not _sound(found):
        _put_aside(path, "it does not hold what it should")
        return None
    checked: dict[str, Any] = found
    return checked


def _sound(found: Any) -> bool:
    return (
        isinstance(found, dict)
        and found.get("form") == FORM
        and isinstance(found.get("source"), str)
        and isinstance(found.get("epoch"), int)
        and (found.get("bdSeq") is None or (isinstance(found["bdSeq"], int) and 0 <= found["bdSeq"] < NUMBERS))
        and isinstance(found.get("sent"), dict)
        and all(isinstance(mark, int) for mark in found["sent"].values())
    )


def _put_aside(path: Path, reason: str) -> None:
    aside = path.with_suffix(".damaged")
    with contextlib.suppress(OSError):
        path.replace(aside)
    structlog.get_logger().error(
        "what the Sparkplug node remembers cannot be read; it begins anew: results that were not sent yet are sent "
        "only as JSON, or again by `daq resend`",
        file=str(path),
        kept_as=str(aside),
        reason=reason,
    )
