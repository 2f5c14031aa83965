"""Compare the blocks of a run's journal with their digests, their own records, and the audit trail."""

import json
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement
from daq.adapters.store.agreement.stored import Entry, Row, Stored
from daq.core.errors import JournalError
from daq.core.journal_block import CRC, EFFECT, HEAD, HEADER, chain

_KEPT: Final = b"Kept "


@dataclass(slots=True)
class Content:
    """Parts of a journal that are stored elsewhere too.

    Attributes:
        digests: digest of each block as stored.
        header: text of the header; None where the journal does not begin with one.
        kept: kept values as JSON, in order.
        blocks: number of blocks.
        archived: the audit entry of its removal from the database; None where it was not removed.
    """

    digests: list[str] = field(default_factory=list)
    header: bytes | None = None
    kept: list[Any] = field(default_factory=list)
    blocks: int = 0
    archived: Entry | None = None


def of_journal(stored: Stored, run_id: str, content: Content) -> Iterator[Disagreement]:
    """Compare each block of a run; fill in `content`."""
    digest = ""
    sql = "SELECT seq, t_first, t_last, records, data, digest FROM journal WHERE run = ? ORDER BY seq"
    for number, row in enumerate(stored.each(sql, run_id)):
        name = f"{run_id}/{row['seq']}"
        content.digests.append(row["digest"])
        content.blocks += 1
        if row["seq"] != number:
            where = "the numbers of the blocks"
            yield Disagreement("journal", f"{run_id}/{number}", ROW, NOTHING, f"block {row['seq']} after it", where)
            return
        try:
            raw = zlib.decompress(row["data"])
        except (zlib.error, TypeError) as error:
            yield Disagreement(
                "journal", name, "data", f"bytes that cannot be unpacked ({error})", row["digest"], "digest"
            )
            return
        computed = chain(digest, raw)
        if computed != row["digest"]:
            yield Disagreement("journal", name, "digest", row["digest"], computed, "the digest computed from its data")
            return
        digest = row["digest"]
        yield from _records(name, row, raw, content)


def digests(stored: Stored, run_id: str) -> list[str]:
    """Return the digest of each block of a run as stored, without reading the blocks."""
    return [row["digest"] for row in stored.each("SELECT digest FROM journal WHERE run = ? ORDER BY seq", run_id)]


def _records(name: str, row: Row, raw: bytes, content: Content) -> Iterator[Disagreement]:
    """Compare number and times of the records of a block with its row."""
    offset = count = first = t = 0
    # Local names: this loop runs once for each record of a database, and takes most of the time of a comparison.
    unpack, head, end, size = HEAD.unpack_from, HEAD.size, CRC.size, len(raw)
    try:
        while offset < size:
            kind, _, t, length = unpack(raw, offset)
            payload = offset + head
            offset = payload + length + end
            if offset > size:
                raise JournalError("it ends inside this record", record=count)  # noqa: TRY301 - one way out
            if not count:
                first = t
            count += 1
            if kind == EFFECT:
                if raw.startswith(_KEPT, payload):
                    content.kept.append(json.loads(raw[payload + len(_KEPT) : payload + length]))
            elif kind == HEADER and content.header is None:
                content.header = raw[payload : payload + length]
    except (JournalError, ValueError, struct.error) as error:
        yield Disagreement("journal", name, "data", f"no records of a journal ({error})", row["records"], "records")
        return
    for column, value in (("records", count), ("t_first", first), ("t_last", t)):
        if row[column] != value:
            yield Disagreement("journal", name, column, row[column], value, "the records of its data")
