"""The mark beside the database: the end of its audit trail in a file of its own.

A database that was put back from an older copy uses sequence numbers again that consumers have seen.  The mark shows
this at the next start, because it still names an audit entry that the older copy does not contain.  A mark that was put
back together with its database shows it too: the copy of a file has another inode, or a time of change (ctime) long
after the time at which the mark was written.  No program can set a file's ctime.

A snapshot of a whole disk brings both files back unchanged.  Only the broker shows that: see
`daq.adapters.outbox.put_back`.
"""

import contextlib
import json
import os
import stat
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.reading import Reader

SUFFIX: Final = ".mark"
LATE_NS: Final = 60 * 10**9
"""Time (ns) between the writing of a mark and its file's ctime above which the file was put back or changed."""

LONGEST: Final = 4096
"""Largest number of bytes of the file that are read; a mark has fewer."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Content of the file.

    Attributes:
        source, epoch: identity of the database.
        inode: inode number of the database file.
        seq, head: number and hash of the last audit entry; 0 and "" without entries.
        written_ns: time of writing, UTC ns.
    """

    source: str
    epoch: int
    inode: int
    seq: int
    head: str
    written_ns: int


class MarkFile:
    """The file beside one database."""

    def __init__(self, database: Path) -> None:
        self.path = database.with_name(database.name + SUFFIX)
        self._database = database
        self._failed = False

    def contradiction(self, reader: Reader) -> str:
        """Return why the database is not the continuation of the one that wrote the mark; "" where it is.

        An empty database needs no mark.
        """
        last = reader.query("SELECT max(seq) AS seq FROM audit")[0]["seq"]
        mark, ctime_ns = self._read()
        if mark is None:
            if last is None:
                return ""
            return f"the file {self.path.name} beside it is missing or damaged, so it may be an older copy"
        source, epoch = reader.identity()
        if mark.source != source:
            return f"the file {self.path.name} beside it belongs to another database, so it may be an older copy"
        if mark.epoch < epoch:
            return ""  # numbers of the present epoch are of this database only
        if mark.seq:
            entry = reader.audit(after=mark.seq - 1, limit=1)
            if not entry or entry[0].seq != mark.seq or entry[0].hash != mark.head:
                return f"it is an older copy: entry {mark.seq} of its audit trail, written before, is not in it"
        if mark.inode != self._database.stat().st_ino:
            return "the file is a copy: it was not written in this place before"
        if abs(ctime_ns - mark.written_ns) > LATE_NS:
            return f"the file {self.path.name} beside it was put back or changed, so both may be an older copy"
        return ""

    def missing_entry(self, reader: Reader) -> int:
        """Return the number of the audit entry that the mark names and the database does not have; 0 if it has it."""
        mark, _ = self._read()
        if mark is None or not mark.seq or mark.source != reader.identity()[0]:
            return 0
        entry = reader.audit(after=mark.seq - 1, limit=1)
        return 0 if entry and (entry[0].seq, entry[0].hash) == (mark.seq, mark.head) else mark.seq

    def renew(self) -> None:
        """Write the mark of the database as it is now, after it was restored as a new epoch."""
        with Reader(self._database) as reader:
            source, epoch = reader.identity()
            last = reader.query("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
        self.write(source, epoch, *((last[0]["seq"], last[0]["hash"]) if last else (0, "")))

    def write(self, source: str, epoch: int, seq: int, head: str) -> None:
        """Write the mark, after a commit.  A failure is logged once; a mark that is too old does no harm."""
        draft = self.path.with_name(self.path.name + ".new")
        try:
            mark = Mark(source, epoch, self._database.stat().st_ino, seq, head, time.time_ns())
            # A file of that name is left by an earlier end, or is a link to a file of others: it is never written to.
            draft.unlink(missing_ok=True)
            file = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
            try:
                os.write(file, json.dumps(asdict(mark)).encode())
            finally:
                os.close(file)
            draft.replace(self.path)
        except OSError as error:
            if not self._failed:
                import structlog  # noqa: PLC0415 - readers do without it

                log = structlog.get_logger()
                log.warning("the mark beside the database is not written", file=str(self.path), reason=str(error))
            self._failed = True
            with contextlib.suppress(OSError):
                draft.unlink(missing_ok=True)
        else:
            self._failed = False

    def _read(self) -> tuple[Mark | None, int]:
        """Return the mark, and the file's ctime (ns); None where it is missing, damaged or no regular file."""
        try:
            # Without O_NONBLOCK a FIFO of that name would hold up the start for ever.
            file = os.open(self.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            try:
                state = os.fstat(file)
                if not stat.S_ISREG(state.st_mode):
                    return None, 0
                found = json.loads(os.read(file, LONGEST))
            finally:
                os.close(file)
        except (OSError, ValueError, RecursionError):
            return None, 0
        return (Mark(**found), state.st_ctime_ns) if _is_valid(found) else (None, 0)


def _is_valid(found: Any) -> bool:
    kinds = {"source": str, "epoch": int, "inode": int, "seq": int, "head": str, "written_ns": int}
    return isinstance(found, dict) and found.keys() == kinds.keys() and all(type(found[k]) is kinds[k] for k in kinds)
