"""Compare the records of the laboratory and their keys with the audit trail."""

from collections.abc import Iterator

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement, differing
from daq.adapters.store.agreement.signed_parts import SIGNATURE, of_signature
from daq.adapters.store.agreement.stored import Entry, Row, Stored
from daq.adapters.store.audit import digest_of


def of_record_entry(stored: Stored, e: Entry) -> Iterator[Disagreement]:
    """Compare the revision that an audit entry seals, and the keys if it is the newest one."""
    sealed = e.detail.get("record")
    if isinstance(sealed, dict):
        with stored.snapshot():
            yield from _sealed(stored, e, sealed)


def _sealed(stored: Stored, e: Entry, sealed: Row) -> Iterator[Disagreement]:
    kind, ident, revision = (sealed.get(k) for k in ("kind", "id", "revision"))
    name = f"{kind} {ident}/{revision}"
    row = stored.one("SELECT * FROM records WHERE kind = ? AND id = ? AND revision = ?", kind, ident, revision)
    if row is None:
        yield Disagreement("records", name, ROW, NOTHING, sealed.get("digest"), e.where)
        return
    computed = digest_of(row["data"].encode("utf-8", "surrogateescape"))
    if computed != sealed.get("digest"):
        yield Disagreement("records", name, "data", computed, sealed.get("digest"), e.where)
    yield from differing("records", name, row, {"audit_seq": e.stored.seq}, e.where)
    if kind == SIGNATURE:
        yield from of_signature(stored, row)
    last = stored.one("SELECT max(revision) AS n FROM records WHERE kind = ? AND id = ?", kind, ident)
    if last is not None and last["n"] == revision:
        yield from _keys(stored, e, str(kind), str(ident), [list(k) for k in sealed.get("keys", [])])


def _keys(stored: Stored, e: Entry, kind: str, ident: str, there: list[list[str]]) -> Iterator[Disagreement]:
    rows = stored.rows("SELECT name, value FROM record_keys WHERE kind = ? AND id = ?", kind, ident)
    here = [[row["name"], row["value"]] for row in rows]
    for key in here:
        if key not in there:
            yield Disagreement("record_keys", f"{kind} {ident}", key[0], key[1], NOTHING, e.where)
    for key in there:
        if key not in here:
            yield Disagreement("record_keys", f"{kind} {ident}", key[0], NOTHING, key[1], e.where)


def records_without_entry(stored: Stored, after: int) -> Iterator[Disagreement]:
    """Yield each revision that no audit entry seals, of those above entry `after`, and keys without a record."""
    for row in stored.each("SELECT kind, id, revision, audit_seq FROM records WHERE audit_seq > ?", after):
        yield from _named(stored, row)
    if not after:
        for row in stored.each(
            "SELECT kind, id, name, value FROM record_keys AS k "
            "WHERE NOT EXISTS (SELECT 1 FROM records AS r WHERE r.kind = k.kind AND r.id = k.id)"
        ):
            place = f"{row['kind']} {row['id']}"
            yield Disagreement("record_keys", place, ROW, f"{row['name']} {row['value']}", NOTHING, "the records")


def of_records(stored: Stored, kind: str, ident: str) -> Iterator[Disagreement]:
    """Compare the revisions of one record with the audit entries that seal them."""
    for e in stored.entries(ident):
        if isinstance(sealed := e.detail.get("record"), dict) and sealed.get("kind") == kind:
            yield from _sealed(stored, e, sealed)
    sql = "SELECT kind, id, revision, audit_seq FROM records WHERE kind = ? AND id = ?"
    for row in stored.rows(sql, kind, ident):
        yield from _named(stored, row)


def _named(stored: Stored, row: Row) -> Iterator[Disagreement]:
    name = f"{row['kind']} {row['id']}/{row['revision']}"
    entries = [e for e in stored.entries(row["id"]) if e.stored.seq == row["audit_seq"]]
    sealed = entries[0].detail.get("record") if entries else None
    if not isinstance(sealed, dict):
        yield Disagreement("records", name, ROW, "a revision", NOTHING, f"audit entry {row['audit_seq']}")
        return
    there = {k: sealed.get(k) for k in ("kind", "id", "revision")}
    yield from differing("records", name, row, there, entries[0].where)
