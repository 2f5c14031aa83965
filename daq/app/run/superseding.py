"""Make the transaction that commits a result which supersedes another one: of a corrected or of an annulled run."""

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from daq.adapters.clock import utc_text
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.declaring.publishing import ANYTHING, AsSeen
from daq.adapters.store.records import Change
from daq.adapters.store.rows import AuditPoint, Outgoing, ResultRecord, RunRecord
from daq.adapters.store.steps import Build, Follow
from daq.app.run.result_messages import SOFTWARE, ResultMessages
from daq.app.run.results import audited_verification
from daq.app.setup.details import details_of
from daq.core.encoding import encode
from daq.core.plan import Plan
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.messages.annulling import annulled
from daq.methods.messages.result import ResultData
from daq.methods.parts.origin import Superseded
from daq.methods.parts.statement import Statement

#: Makes further messages with the number of the new result, such as the withdrawal of a release.
More = Callable[[int], Sequence[Outgoing]]
#: Makes the contents of the new result from its place in the audit trail and the digest of the journal.
Contents = Callable[[AuditPoint, str], ResultData]


def new_result_id() -> str:
    """Return the id of a new result."""
    return str(uuid.uuid4())


@dataclass(frozen=True, slots=True)
class Superseding:
    """A new result in place of the newest one of a run.

    Attributes:
        record: the run as declared now.
        old: the result to supersede.
        old_source: source of its message.
        last_sequence: number of the newest result of the stream where that is of this run, otherwise -1.  The
            retained message of the instrument is replaced only if it is still the newest.
        who, because: the person, and the reason.
        utc_ns: time of the correction.
        result_id: id of the new result.
        more: makes further messages.
        seen: what further messages and records were made from.
        follow: stores what follows where the run is a verification.
    """

    record: RunRecord
    old: ResultRecord
    old_source: str
    last_sequence: int
    who: str
    because: str
    utc_ns: int
    result_id: str
    messages: ResultMessages
    more: More = lambda _: ()
    seen: AsSeen = ANYTHING
    follow: Follow | None = None
    not_authorised: tuple[str, ...] = ()
    """Persons without an authorisation for the method, where the operator was corrected."""

    def corrected(
        self, plan: Plan, conclusion: Conclusion, warnings: tuple[Statement, ...], changes: tuple[Change, ...]
    ) -> Correct:
        """Return the transaction of a corrected result.

        Args:
            plan: the plan as declared now.
            conclusion: what is concluded with it.
            warnings: say what was corrected.
            changes: records to store with the result.
        """

        def contents(audit: AuditPoint, journal_digest: str) -> ResultData:
            return self._corrected(plan, conclusion, warnings, audit, journal_digest)

        return self._transaction(contents, plan, conclusion, changes)

    def preview(self, plan: Plan, conclusion: Conclusion, warnings: tuple[Statement, ...]) -> ResultData:
        """Return the contents of a corrected result, without its place in the audit trail."""
        return self._corrected(plan, conclusion, warnings, None, None)

    def _corrected(
        self,
        plan: Plan,
        conclusion: Conclusion,
        warnings: tuple[Statement, ...],
        audit: AuditPoint | None,
        journal_digest: str | None,
    ) -> ResultData:
        details = details_of(
            self.record,
            began=utc_text(self.record.began_utc_ns),
            ended=self._before.origin.ended,
            journal_digest=journal_digest,
            audit=audit,
            software=SOFTWARE,
            place=self.messages.place,
            supersedes=self._superseded,
            warnings=warnings,
        )
        return ResultData.build(plan, conclusion, replace(details, not_authorised=self.not_authorised))

    def annulled(self, plan: Plan | None, changes: tuple[Change, ...]) -> Correct:
        """Return the transaction that annuls the run; `plan` is None where it cannot be read, `changes` are records."""
        return self.restated(annulled(self._before, who=self.who, because=self.because), plan, changes)

    def restated(self, data: ResultData, plan: Plan | None, changes: tuple[Change, ...]) -> Correct:
        """Return the transaction of a result with other contents, which are not computed from the journal."""

        def contents(audit: AuditPoint, journal_digest: str) -> ResultData:
            origin = data.origin.model_copy(
                update={
                    "audit_head": audit.head,
                    "audit_number": audit.number,
                    "audit_before": audit.before,
                    "audit_before_number": audit.before_number,
                    "journal_digest": journal_digest,
                    "software": SOFTWARE,
                    "place": self.messages.place,
                }
            )
            return data.model_copy(update={"origin": origin, "supersedes": self._superseded})

        return self._transaction(contents, plan, data, changes)

    @property
    def _before(self) -> ResultData:
        return ResultData.model_validate_json(self.old.data)

    @property
    def _superseded(self) -> Superseded:
        return Superseded(source=self.old_source, id=self.old.id)

    def _transaction(
        self, contents: Contents, plan: Plan | None, found: Conclusion | ResultData, changes: tuple[Change, ...]
    ) -> Correct:
        v = found.verification
        audited = None if v is None or plan is None else audited_verification(plan, v, self.record.id, self.result_id)
        return Correct(
            supersedes=self.old.id,
            result_id=self.result_id,
            reason=self.because,
            utc_ns=self.utc_ns,
            who=self.who,
            build=self._build(contents),
            changes=changes,
            verification=None if audited is None else encode(audited),
            seen=self.seen,
            follow=None if audited is None else self.follow,
        )

    def _build(self, contents: Contents) -> Build:
        time = self._before.origin.ended or utc_text(self.record.began_utc_ns)

        def build(sequence: int, audit: AuditPoint, journal_digest: str) -> tuple[str, list[Outgoing]]:
            is_last = sequence == self.last_sequence + 1
            data = contents(audit, journal_digest)
            text, own = self.messages.of(data, self.result_id, sequence, time, is_last=is_last)
            return text, [*own, *self.more(sequence)]

        return build
