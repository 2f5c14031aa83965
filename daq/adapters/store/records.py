"""Records of the laboratory in the store: samples, people, signatures and the like, each in numbered revisions.

A revision is written once.  A change is a new revision with an audit entry that seals its data and its keys.  Keys are
texts by which the newest revision is found and sorted.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.audit import digest_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.steps import add_audit
from daq.core.errors import StoreError

#: Name and value of a key.
Key = tuple[str, str]

MOST_AT_ONCE: Final = 2000
"""Greatest number of changes in one transaction."""


@dataclass(frozen=True, slots=True)
class Change:
    """A new revision of a record.

    Attributes:
        kind, id: the record.
        what: the change, as the audit entry names it: ``sample_added``.
        data: contents as JSON values.
        keys: names and values by which the record is found from now on; those of the revision before are dropped.
        after: number of the revision that the change was made from; 0 for a new record.
    """

    kind: str
    id: str
    what: str
    data: Mapping[str, Any]
    keys: Sequence[Key] = ()
    after: int = 0


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A revision of a record as stored, with time, person and reason of its audit entry."""

    kind: str
    id: str
    revision: int
    data: dict[str, Any]
    audit_seq: int
    utc_ns: int
    who: str
    what: str
    because: str


class ChangedMeanwhileError(StoreError):
    """Another change of the record was stored first."""


@dataclass(frozen=True, slots=True)
class ChangeRecords(Transaction[tuple[int, ...]]):
    """Store changes of records, all or none, and return the numbers of their audit entries.

    `because` is the reason that a person gave; "" where none is needed.

    Raises:
        ChangedMeanwhileError: another change came first, or a new record has the id of one that exists.
    """

    kind: ClassVar[str] = "change_records"
    changes: tuple[Change, ...]
    utc_ns: int
    who: str
    because: str = ""

    def apply(self, access: Access) -> tuple[int, ...]:
        """Store the changes in order."""
        return tuple(change_record(access, c, self.utc_ns, self.who, self.because) for c in self.changes)


def change_record(access: Access, change: Change, utc_ns: int, who: str, because: str = "") -> int:
    """Store one change within a transaction, and return the number of its audit entry; errors as in `ChangeRecords`."""
    kind, ident = change.kind, change.id
    last = access.one("record_known", "SELECT max(revision) FROM records WHERE kind = ? AND id = ?", (kind, ident))
    before = (last[0] if last else None) or 0
    if before != change.after:
        raise ChangedMeanwhileError(
            f"{kind} {ident!r} exists already"
            if not change.after
            else f"{kind} {ident!r} was changed by someone else meanwhile: look at it again, then repeat your change"
        )
    data = stored_text(change.data)
    keys = sorted(set(change.keys))
    sealed = {"kind": kind, "id": ident, "revision": before + 1, "digest": digest_of(data), "keys": keys}
    detail: dict[str, Any] = {"record": sealed} | ({"because": because} if because else {})
    number, _ = add_audit(access, utc_ns, who, change.what, ident, detail)
    access.run("record", "INSERT INTO records VALUES (?, ?, ?, ?, ?)", (kind, ident, before + 1, data, number))
    access.run("keys_old", "DELETE FROM record_keys WHERE kind = ? AND id = ?", (kind, ident))
    access.many("keys", "INSERT INTO record_keys VALUES (?, ?, ?, ?)", [(kind, n, v, ident) for n, v in keys])
    return number


def stored_text(data: Mapping[str, Any]) -> str:
    """Return the JSON text under which the contents of a record are stored, and from which their digest is taken."""
    return json.dumps(data, sort_keys=True, ensure_ascii=False, allow_nan=False)


_SELECT: Final = (
    "SELECT r.kind, r.id, r.revision, r.data, r.audit_seq, a.utc_ns, a.who, a.what, "
    "coalesce(json_extract(a.detail, '$.because'), '') AS because FROM {} JOIN audit AS a ON a.seq = r.audit_seq "
)
_OF_KEYS: Final = _SELECT.format(
    "record_keys AS k JOIN records AS r ON r.kind = k.kind AND r.id = k.id AND r.revision = "
    "(SELECT max(revision) FROM records WHERE kind = k.kind AND id = k.id)"
)


def newest_revision(reader: Reader, kind: str, ident: str) -> StoredRecord | None:
    """Return the newest revision of a record, or None."""
    found = reader.query(
        _SELECT.format("records AS r") + "WHERE r.kind = ? AND r.id = ? ORDER BY r.revision DESC LIMIT 1", [kind, ident]
    )
    return _stored(found[0]) if found else None


def revisions(reader: Reader, kind: str, ident: str) -> list[StoredRecord]:
    """Return all revisions of a record, oldest first."""
    rows = reader.query(
        _SELECT.format("records AS r") + "WHERE r.kind = ? AND r.id = ? ORDER BY r.revision", [kind, ident]
    )
    return [_stored(row) for row in rows]


def with_ids(reader: Reader, kind: str, first: str, last: str, *, limit: int = 100) -> list[StoredRecord]:
    """Return at most `limit` revisions of records whose ids lie from `first` to `last`, by id, oldest first."""
    rows = reader.query(
        _SELECT.format("records AS r") + "WHERE r.kind = ? AND r.id BETWEEN ? AND ? ORDER BY r.id, r.revision LIMIT ?",
        [kind, first, last, limit],
    )
    return [_stored(row) for row in rows]


def found_by(
    reader: Reader, kind: str, name: str, first: str, last: str | None = None, *, limit: int = 100, newest: bool = False
) -> list[StoredRecord]:
    """Return at most `limit` (-1: all) records whose key `name` has a value from `first` to `last`, sorted by it.

    Args:
        reader: the database.
        kind: kind of the records.
        name: name of the key.
        first: least value, included.
        last: greatest value, included; None means `first` only.
        limit: greatest number of records.
        newest: sort from the greatest value down.
    """
    order = "DESC" if newest else "ASC"
    rows = reader.query(
        _OF_KEYS + "WHERE k.kind = ? AND k.name = ? AND k.value BETWEEN ? AND ? "
        f"ORDER BY k.value {order}, k.id {order} LIMIT ?",
        [kind, name, first, first if last is None else last, limit],
    )
    return [_stored(row) for row in rows]


def count_of_key(reader: Reader, kind: str, name: str, first: str, last: str) -> int:
    """Return the number of records whose key `name` has a value from `first` to `last`."""
    sql = "SELECT count(*) FROM record_keys WHERE kind = ? AND name = ? AND value BETWEEN ? AND ?"
    return int(reader.rows(sql, [kind, name, first, last])[0][0])


def _stored(row: Mapping[str, Any]) -> StoredRecord:
    return StoredRecord(**{**row, "data": json.loads(row["data"])})
