"""Persistent state of an edge node: its birth/death number, the marks of the results sent, and the results not sent.

It is a separate file beside the database, because it belongs to the connection and not to the measured data.
"""

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, Final, Self

from daq.adapters.sparkplug.metrics import NUMBERS

FILE: Final = "sparkplug.json"
FORM: Final = 1
"""Version of the file's format, the value of its key ``form``."""
MOST_CHANGED: Final = 1000
"""Largest number of changed results that are noted; `daq verify` names them all."""


@dataclass(frozen=True, slots=True)
class Position:
    """Identity and newest results of a database.

    Attributes:
        source: UUID of the database.
        epoch: a number that grows with each restored backup.
        newest: mark of the newest result of each stream; marks grow with each result.
        newest_before: the same for results of earlier epochs only.
    """

    source: str
    epoch: int
    newest: Mapping[str, int]
    newest_before: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class ChangedResult:
    """A result that is not sent, because it was changed in the database after it was stored.

    Attributes:
        device: the device whose results were read.
        found_utc_ns: time at which the change was found.
    """

    id: str
    device: str
    sequence: int
    found_utc_ns: int


@dataclass(slots=True)
class Memory:
    """The file, read once and written as a whole.

    The methods raise `OSError` where it cannot be written; the node sends nothing then.

    Attributes:
        bd_seq: birth/death number of the last connection; None before the first.
        sent: mark of the last result of each stream that the broker has handled.
        changed: results that are not sent, by id.
        unsaved: `changed` has a result that is not on the disk yet.
    """

    path: Path
    source: str
    epoch: int
    bd_seq: int | None = None
    sent: dict[str, int] = field(default_factory=dict)
    changed: Mapping[str, ChangedResult] = field(default_factory=dict)
    unsaved: bool = False

    @classmethod
    def open(cls, folder: Path, position: Position) -> Self:
        """Read the file of a state directory and adapt it to the present database.

        Without a file, earlier results are not sent: the births show the newest ones, and later results follow.  After
        a restored backup the marks go back to the backup, because the results committed after it are gone.
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
            memory.follow(position)
        memory.changed = _changed(found)
        return memory

    def follow(self, position: Position) -> None:
        """Adapt the marks to a new epoch: results after those of earlier epochs are gone, or have other marks now."""
        self.epoch = position.epoch
        self.sent = {s: min(mark, position.newest_before.get(s, 0)) for s, mark in self.sent.items()}

    def next_bd_seq(self) -> int:
        """Return the birth/death number of the next connection, after it was written to the disk."""
        number = 0 if self.bd_seq is None else (self.bd_seq + 1) % NUMBERS
        self._write(number)
        self.bd_seq = number
        return number

    def note_changed(self, result: ChangedResult) -> bool:
        """Note a result that is not sent; return False if it is known, or `MOST_CHANGED` are.

        `save` writes it to the disk.
        """
        if result.id in self.changed or len(self.changed) >= MOST_CHANGED:
            return False
        # A new mapping, because another thread may be writing the old one.
        self.changed = {**self.changed, result.id: result}
        self.unsaved = True
        return True

    def save(self) -> None:
        """Write `sent` and `changed` to the disk."""
        self.unsaved = False
        self._write(self.bd_seq)

    def _write(self, bd_seq: int | None) -> None:
        content = {"form": FORM, "source": self.source, "epoch": self.epoch, "bdSeq": bd_seq, "sent": self.sent}
        if self.changed:
            content["changed"] = [asdict(result) for result in self.changed.values()]
        text = json.dumps(content)
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


def read_changed(folder: Path, source: str) -> list[ChangedResult]:
    """Return the results that the node of a state directory has not sent, for a database with this UUID.

    It is for other processes: a file that is missing, damaged, or of another database names none.
    """
    try:
        found = json.loads((folder / FILE).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return []
    if not _is_valid(found) or found["source"] != source:
        return []
    return list(_changed(found).values())


def _changed(found: Mapping[str, Any]) -> dict[str, ChangedResult]:
    return {value["id"]: ChangedResult(**value) for value in found.get("changed", ())}


def _read(path: Path) -> dict[str, Any] | None:
    """Return the file's content; None without a file, or where it is damaged: it is then renamed and logged."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        _put_aside(path, str(error))
        return None
    if not _is_valid(found):
        _put_aside(path, "a key is missing or has a wrong value")
        return None
    checked: dict[str, Any] = found
    return checked


def _is_valid(found: Any) -> bool:
    return (
        isinstance(found, dict)
        and found.get("form") == FORM
        and isinstance(found.get("source"), str)
        and isinstance(found.get("epoch"), int)
        and (found.get("bdSeq") is None or (isinstance(found["bdSeq"], int) and 0 <= found["bdSeq"] < NUMBERS))
        and isinstance(found.get("sent"), dict)
        and all(isinstance(mark, int) for mark in found["sent"].values())
        and isinstance(found.get("changed", []), list)
        and all(_is_result(value) for value in found.get("changed", []))
    )


def _is_result(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and value.keys() == {f.name for f in fields(ChangedResult)}
        and all(isinstance(value[name], str) for name in ("id", "device"))
        and all(isinstance(value[name], int) for name in ("sequence", "found_utc_ns"))
    )


def _put_aside(path: Path, reason: str) -> None:
    aside = path.with_suffix(".damaged")
    with contextlib.suppress(OSError):
        path.replace(aside)
    import structlog  # noqa: PLC0415 - as good as never needed, and `daq outbox` takes less time than this import

    structlog.get_logger().error(
        "the state of the Sparkplug node cannot be read, so it starts without: results not yet sent by Sparkplug are "
        "sent only as JSON (again with `daq resend`)",
        file=str(path),
        kept_as=str(aside),
        reason=reason,
    )
