"""Compare the audit trail with itself, with the identity of the database, and with the rows that it names."""

import json
from collections.abc import Iterable, Iterator
from typing import Final

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement, differing
from daq.adapters.store.agreement.stored import Entry, Stored, newest
from daq.adapters.store.audit import AuditEntry, entry_hash, genesis, source_uri

EPOCH_ENTRIES: Final = ("restored from a backup", "epoch_started")
"""Kinds of audit entries that begin an epoch, whose number is in their detail."""


def computed_hash(e: AuditEntry) -> str:
    """Return the hash of an entry as computed from its fields; "" for damaged text, which has none."""
    try:
        return entry_hash(e.seq, e.utc_ns, e.who, e.what, e.subject, e.detail, e.previous)
    except UnicodeEncodeError:
        return ""


def beginning(source: str) -> str:
    """Return the hash before the first entry for a source that may be damaged text."""
    return genesis(source.encode("utf-8", "replace").decode())


def linked(stored: Stored, entries: Iterable[Entry], chained: int | None) -> Iterator[Disagreement]:
    """Compare single entries with their own hashes, and with the entries after them.

    The entries after number `chained` were compared already (`Chain`); None: no entry was.
    """
    compared = [e.stored for e in entries if chained is None or e.stored.seq <= chained]
    if not compared:
        return
    sql = "SELECT seq, previous FROM audit WHERE seq IN (SELECT value FROM json_each(?))"
    after = {row["seq"]: row["previous"] for row in stored.rows(sql, json.dumps([e.seq + 1 for e in compared]))}
    for e in compared:
        yield from own_hash(e)
        previous = after.get(e.seq + 1, e.hash)
        if previous != e.hash:
            yield Disagreement("audit", str(e.seq), "hash", e.hash, previous, f"audit entry {e.seq + 1} (previous)")


def repeated(entries: Iterable[Entry], *once: str) -> Iterator[Disagreement]:
    """Find entries about one subject that repeat an entry of a kind that is written once."""
    seen: dict[str, Entry] = {}
    for e in entries:
        what = e.stored.what
        if what not in once:
            continue
        if what in seen:
            yield Disagreement("audit", str(e.stored.seq), ROW, f"a second {what}", "one", seen[what].where)
        seen.setdefault(what, e)


def own_hash(e: AuditEntry) -> Iterator[Disagreement]:
    """Compare an entry with its own hash."""
    computed = computed_hash(e)
    if computed != e.hash:
        yield Disagreement("audit", str(e.seq), "hash", e.hash, computed, "the hash computed from the entry's fields")


class Chain:
    """The comparison of each entry with the entry before it, from any entry on.

    Attributes:
        entries: number of entries so far.
        head: hash of the last one.
    """

    def __init__(self, seq: int, head: str) -> None:
        """Start after entry `seq`, whose hash is `head`."""
        self._seq, self.head = seq, head
        self.entries = 0

    @classmethod
    def after(cls, stored: Stored, seq: int) -> "Chain":
        """Start after entry `seq` as it is stored; 0 starts at the beginning of the trail."""
        row = stored.one("SELECT hash FROM audit WHERE seq = ?", seq) if seq else None
        if row is not None:
            return cls(seq, row["hash"])
        identity = stored.one("SELECT source FROM meta")
        return cls(0, beginning(identity["source"] if identity else ""))

    def take(self, e: AuditEntry) -> Iterator[Disagreement]:
        """Compare the next entry."""
        if e.seq != self._seq + 1:
            where = f"the numbers of the entries, of which {e.seq} is the next"
            yield Disagreement("audit", str(self._seq + 1), ROW, NOTHING, "an entry", where)
        elif e.previous != self.head:
            before = (
                f"the hash of audit entry {e.seq - 1}" if e.seq > 1 else "the beginning that follows from meta.source"
            )
            yield Disagreement("audit", str(e.seq), "previous", e.previous, self.head, before)
        yield from own_hash(e)
        self._seq, self.head = e.seq, e.hash
        self.entries += 1


def identity(stored: Stored) -> Iterator[Disagreement]:
    """Compare source, epoch and time of restoring with the audit trail."""
    rows = stored.rows("SELECT * FROM meta")
    if len(rows) != 1:
        yield Disagreement("meta", "1", ROW, f"{len(rows)} rows", "1 row", "every database of daq")
        return
    (meta,) = rows
    yield from differing("meta", "1", meta, {"id": 1}, "every database of daq")
    first = stored.one("SELECT previous FROM audit WHERE seq = 1")
    begins = beginning(meta["source"])
    if first is not None and first["previous"] != begins:
        where = "audit entry 1 (previous, from the source)"
        yield Disagreement("meta", "1", "source", f"{meta['source']} ({begins})", first["previous"], where)
    starts = [e for e in _epochs(stored, meta["source"]) if isinstance(e.detail.get("epoch"), int)]
    last = max(starts, key=lambda e: e.stored.seq, default=None)
    there = {"epoch": 1, "restored_utc_ns": None}
    if last is not None:
        there = {"epoch": last.detail["epoch"], "restored_utc_ns": last.stored.utc_ns}
    where = "an audit trail without an entry of a later epoch" if last is None else last.where
    yield from differing("meta", "1", meta, there, where)


def _epochs(stored: Stored, source: str) -> Iterator[Entry]:
    """Yield the audit entries that begin an epoch: about the source, or about the source with an epoch."""
    yield from stored.entries(source, *EPOCH_ENTRIES)
    first = source_uri(source, 0)[:-1]
    last = first[:-1] + chr(ord(first[-1]) + 1)
    subjects = stored.rows("SELECT DISTINCT subject FROM audit WHERE subject > ? AND subject < ?", first, last)
    for row in subjects:
        yield from stored.entries(row["subject"], *EPOCH_ENTRIES)


def named_rows(stored: Stored, e: Entry) -> Iterator[Disagreement]:
    """Check that the method or instrument of an entry has a row."""
    subject = e.stored.subject
    if e.stored.what == "method_registered":
        method, _, version = subject.rpartition(" ")
        if stored.one("SELECT 1 FROM methods WHERE id = ? AND version = ?", method, version) is None:
            yield Disagreement("methods", subject, ROW, NOTHING, e.detail.get("digest"), e.where)
    elif e.stored.what == "instrument_identified" and not stored.rows(
        "SELECT 1 FROM instruments WHERE name = ?", subject
    ):
        yield Disagreement("instruments", subject, ROW, NOTHING, e.detail.get("serial"), e.where)


def instruments(stored: Stored) -> Iterator[Disagreement]:
    """Compare each instrument with its newest identification in the audit trail."""
    for row in stored.rows("SELECT * FROM instruments"):
        entry = newest(stored.entries(row["name"], "instrument_identified"), "instrument_identified")
        if entry is None:
            where = "an audit trail without its identification"
            yield Disagreement("instruments", row["name"], ROW, row["serial"], NOTHING, where)
            continue
        there = {"serial": entry.detail.get("serial"), "kind": entry.detail.get("instrument_kind")}
        yield from differing("instruments", row["name"], row, there, entry.where)
