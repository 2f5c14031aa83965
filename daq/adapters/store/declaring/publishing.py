"""Changes of records together with messages about results, such as a signature and its message."""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.declaring.beginning import REVISIONS, newest
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError, change_record
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.steps import Follow, publish


@dataclass(frozen=True, slots=True)
class AsSeen:
    """The state of the database from which changes were made.

    Attributes:
        results: the newest result of each run, by the run.
        records: number of the newest revision of each record, by kind and id; 0: there is none.
        verified: number of the last audit entry of a verification, by instrument; 0: there is none.
        signed: number of signatures under a run or record, by its kind and id.
        keyed: number of revisions of all records of a kind that have a key, by kind, name and value of the key.
        equipment: number of the last audit entry of a record of equipment; None: not compared.
        audited: number of the last audit entry, which is that of anything that was stored; None: not compared.
    """

    results: tuple[tuple[str, str], ...] = ()
    records: tuple[tuple[str, str, int], ...] = ()
    verified: tuple[tuple[str, int], ...] = ()
    signed: tuple[tuple[str, str, int], ...] = ()
    keyed: tuple[tuple[str, str, str, int], ...] = ()
    equipment: int | None = None
    audited: int | None = None

    def require(self, access: Access) -> None:
        """Raise `ChangedMeanwhileError` unless the database is in this state, within a transaction."""
        for run, result in self.results:
            found = access.one(
                "result_seen", "SELECT id FROM results WHERE run = ? ORDER BY audit_seq DESC LIMIT 1", (run,)
            )
            if found is None or found[0] != result:
                raise ChangedMeanwhileError(f"run {run} has another result meanwhile: look at it, then repeat")
        for kind, ident, revision in self.records:
            if newest(access, kind, ident)[0] != revision:
                raise ChangedMeanwhileError(f"{kind} {ident!r} was changed meanwhile: look at it, then repeat")
        for instrument, number in self.verified:
            found = access.one(
                "verified",
                "SELECT seq FROM audit WHERE what = 'verification' AND subject = ? ORDER BY seq DESC LIMIT 1",
                (instrument,),
            )
            if (0 if found is None else found[0]) != number:
                raise ChangedMeanwhileError(f"{instrument} was verified meanwhile: look at it, then repeat")
        for of, subject, count in self.signed:
            found = access.one(
                "signed",
                "SELECT count(*) FROM record_keys WHERE kind = 'signature' AND name = ? AND value = ?",
                (of, subject),
            )
            if found is None or found[0] != count:
                raise ChangedMeanwhileError(f"{of} {subject} was signed meanwhile: look at it, then repeat")
        self._require_no_other(access)

    def _require_no_other(self, access: Access) -> None:
        for kind, name, value, count in self.keyed:
            found = access.one("keyed", REVISIONS, (kind, name, value))
            if found is None or found[0] != count:
                raise ChangedMeanwhileError(f"a {kind} of {name} {value} was stored meanwhile: look at it, then repeat")
        if self.equipment is not None:
            found = access.one("equipment_seen", "SELECT max(audit_seq) FROM records WHERE kind = ?", ("equipment",))
            if ((found[0] if found else None) or 0) != self.equipment:
                raise ChangedMeanwhileError("a record of equipment was changed meanwhile: look at it, then repeat")
        if self.audited is not None:
            found = access.one("audited", "SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
            if (0 if found is None else found[0]) != self.audited:
                raise ChangedMeanwhileError("the database was changed meanwhile: look at it, then repeat")

    def and_seen(self, other: "AsSeen") -> "AsSeen":
        """Return the state that is both this one and another."""
        both: dict[str, Any] = {
            name: tuple(dict.fromkeys([*getattr(self, name), *getattr(other, name)]))
            for name in ("results", "records", "verified", "signed", "keyed")
        }
        both |= {
            name: getattr(self, name) if getattr(other, name) is None else getattr(other, name)
            for name in ("equipment", "audited")
        }
        return AsSeen(**both)


ANYTHING: Final = AsSeen()
"""Nothing is compared."""


def seen_keyed(reader: Reader, kind: str, name: str, value: str) -> tuple[str, str, str, int]:
    """Return the number of revisions of all records of a kind that have a key, as an entry of `AsSeen.keyed`."""
    return kind, name, value, int(reader.query(REVISIONS, [kind, name, value])[0]["count(*)"])


def seen_audited(reader: Reader) -> int:
    """Return the number of the last audit entry; read it before anything that depends on it."""
    found = reader.query("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
    return int(found[0]["seq"]) if found else 0


@dataclass(frozen=True, slots=True)
class PublishRecords(Transaction[None]):
    """Store changes of records and put messages about results into the outbox, all or none.

    Attributes:
        changes: the records.
        messages: each with the id of the result whose stream and number it has.
        seen: what the changes were made from.
        because: reason of the person; "" where none is needed.
        follow: stores what follows from the changes.

    Raises:
        ChangedMeanwhileError: another change of a record, a result or a verification came first.
        StoreError: a result does not exist.
    """

    kind: ClassVar[str] = "publish_records"
    changes: tuple[Change, ...]
    messages: tuple[tuple[str, Outgoing], ...]
    seen: AsSeen
    utc_ns: int
    who: str
    because: str = ""
    follow: Follow | None = None

    def apply(self, access: Access) -> None:
        self.seen.require(access)
        for change in self.changes:
            change_record(access, change, self.utc_ns, self.who, self.because)
        publish(access, self.messages, self.utc_ns, self.who)
        if self.follow is not None:
            self.follow(access)
