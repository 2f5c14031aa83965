"""Changes of records together with messages about results, such as a signature and its message."""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from daq.adapters.store.access import Access
from daq.adapters.store.declaring.beginning import newest
from daq.adapters.store.records import Change, ChangedMeanwhileError, change_record
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.steps import add_audit, add_messages
from daq.adapters.store.transactions import Transaction
from daq.core.errors import StoreError


@dataclass(frozen=True, slots=True)
class AsSeen:
    """The state of the database from which changes were made.

    Attributes:
        results: the newest result of each run, by the run.
        records: number of the newest revision of each record, by kind and id; 0: there is none.
        verified: number of the last audit entry of a verification, by instrument; 0: there is none.
        signed: number of signatures under a run or record, by its kind and id.
    """

    results: tuple[tuple[str, str], ...] = ()
    records: tuple[tuple[str, str, int], ...] = ()
    verified: tuple[tuple[str, int], ...] = ()
    signed: tuple[tuple[str, str, int], ...] = ()

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


@dataclass(frozen=True, slots=True)
class PublishRecords(Transaction[None]):
    """Store changes of records and put messages about results into the outbox, all or none.

    Attributes:
        changes: the records.
        messages: each with the id of the result whose stream and number it has.
        seen: what the changes were made from.
        because: reason of the person; "" where none is needed.

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

    def apply(self, access: Access) -> None:
        self.seen.require(access)
        for change in self.changes:
            change_record(access, change, self.utc_ns, self.who, self.because)
        for result, messages in _by_result(self.messages).items():
            row = access.one("result", "SELECT stream, sequence FROM results WHERE id = ?", (result,))
            if row is None:
                raise StoreError(f"result {result} is not in the store: no message can be about it")
            added = add_messages(access, messages, result, row[0], row[1], self.utc_ns)
            add_audit(access, self.utc_ns, self.who, "message_derived", result, {"messages": added})


def _by_result(messages: tuple[tuple[str, Outgoing], ...]) -> Mapping[str, list[Outgoing]]:
    out: dict[str, list[Outgoing]] = {}
    for result, message in messages:
        out.setdefault(result, []).append(message)
    return out
