"""The transaction that packs the payloads of messages that were delivered long ago."""

from dataclasses import dataclass
from typing import ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.forms.packed import packed, unpacked
from daq.adapters.store.outgoing.sealed import agreeing
from daq.adapters.store.rows import BY_CONTENT

AT_ONCE: Final = 40
"""Number of messages that one transaction reads, so that the writer is free for runs in between."""


@dataclass(frozen=True, slots=True)
class Packed:
    """Outcome of a `PackDelivered`: last number that was read (None: nothing more is due), messages, saved bytes."""

    last: int | None
    messages: int = 0
    saved_bytes: int = 0


@dataclass(frozen=True, slots=True)
class PackDelivered(Transaction[Packed]):
    """Pack the payloads of the next messages after number `after` that were delivered before a time (UTC ns).

    A message that does not agree with the audit trail is left as it is, and so is one that packing makes no smaller.
    """

    kind: ClassVar[str] = "pack_delivered"
    after: int
    before_utc_ns: int

    def apply(self, access: Access) -> Packed:
        """Pack, and compare each rebuilt payload with the bytes before it takes their place."""
        sql = "SELECT max(seq), min(created_utc_ns) FROM (SELECT * FROM outbox WHERE seq > ? ORDER BY seq LIMIT ?)"
        last, oldest = access.one("next", sql, (self.after, AT_ONCE)) or (None, None)
        # Messages are numbered in the order of their times, so all that follow are younger.
        if last is None or oldest >= self.before_utc_ns:
            return Packed(None)
        where = (
            "m.seq > ? AND m.seq <= ? AND d.state = 'acknowledged' AND substr(m.payload, 1, 1) <> x'00' "
            "AND coalesce(d.acknowledged_utc_ns, m.created_utc_ns) < ?"
        )
        good, _, _ = agreeing(access, where, (self.after, last, self.before_utc_ns), source=BY_CONTENT)
        done = saved = 0
        for seq in good:
            row = access.one(
                "whole",
                "SELECT m.payload, CAST(r.data AS BLOB) FROM outbox AS m JOIN results AS r ON r.id = m.result "
                "WHERE m.seq = ?",
                (seq,),
            )
            if row is None:
                continue
            small = packed(row[0], row[1])
            if len(small) < len(row[0]) and unpacked(small, row[1]) == row[0]:
                access.run("pack", "UPDATE outbox SET payload = ? WHERE seq = ?", (small, seq))
                done, saved = done + 1, saved + len(row[0]) - len(small)
        return Packed(last, done, saved)
