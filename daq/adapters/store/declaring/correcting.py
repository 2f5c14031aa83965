"""The transaction that stores a correction of a result."""

# ruff: noqa: D102 - the docstring of the class says what its `apply` does

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.declaring.publishing import ANYTHING, AsSeen
from daq.adapters.store.records import Change, change_record
from daq.adapters.store.rows import Committed
from daq.adapters.store.steps import Build, Follow, add_audit, add_result
from daq.core.errors import StoreError


class SupersededError(StoreError):
    """The result was superseded before; the text names the one that did it."""


@dataclass(frozen=True, slots=True)
class Correct(Transaction[Committed]):
    """Store a correction: changes of records, and a new result that supersedes the newest one of its run.

    Attributes:
        supersedes: id of the result to correct.
        changes: records that follow from the correction: the declaration under which the result is computed.  A record
            that a correction makes invalid, such as a released certificate, is withdrawn by one more change here.
        verification: detail of a verification's audit entry, judged again; None where the run is none.
        seen: what the changes were made from.
        follow: stores what follows from the new result.

    Raises:
        SupersededError: the result was superseded before.
        StoreError: the result to correct does not exist, or its run has not ended.
        ChangedMeanwhileError: another change of a record came first, or the database is not as in `seen`.
    """

    kind: ClassVar[str] = "correct"
    supersedes: str
    result_id: str
    reason: str
    utc_ns: int
    who: str
    build: Build
    changes: tuple[Change, ...] = ()
    verification: Mapping[str, Any] | None = None
    seen: AsSeen = ANYTHING
    follow: Follow | None = None

    def apply(self, access: Access) -> Committed:
        old = access.one(
            "old",
            "SELECT results.run, stream, state, instrument FROM results JOIN runs ON runs.id = results.run "
            "WHERE results.id = ?",
            (self.supersedes,),
        )
        if old is None:
            raise StoreError(f"result {self.supersedes} is not in the store: nothing to correct")
        run, stream, state, instrument = old
        if state != "ended":
            raise StoreError(f"run {run} has not ended: correct its result after its end")
        newest = access.one("newest", "SELECT id FROM results WHERE run = ? ORDER BY audit_seq DESC LIMIT 1", (run,))
        if newest is not None and newest[0] != self.supersedes:
            raise SupersededError(f"result {self.supersedes} was corrected already: correct {newest[0]} instead")
        self.seen.require(access)
        for change in self.changes:
            change_record(access, change, self.utc_ns, self.who, self.reason)
        if self.verification is not None:
            add_audit(access, self.utc_ns, self.who, "verification", instrument, self.verification)
        audit = {"result": self.result_id, "supersedes": self.supersedes, "reason": self.reason}
        head = add_audit(access, self.utc_ns, self.who, "result_corrected", run, audit)
        done = add_result(
            access,
            run=run,
            result_id=self.result_id,
            stream=stream,
            utc_ns=self.utc_ns,
            who=self.who,
            supersedes=self.supersedes,
            audit=head,
            build=self.build,
        )
        if self.follow is not None:
            self.follow(access)
        return done
