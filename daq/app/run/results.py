"""Make the transaction that commits the result of a run, with its messages for the broker, from its facts."""

import asyncio
import json
import uuid
from collections.abc import Awaitable, Callable, Sequence
from typing import Final

import structlog

from daq.adapters.clock import Clock, utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.steps import Build, Follow
from daq.adapters.store.transactions import Conclude
from daq.app.run.result_messages import SOFTWARE, ResultMessages
from daq.app.setup.details import details_of
from daq.core.effects import Facts, recorded
from daq.core.encoding import encode
from daq.core.plan import Plan
from daq.core.remarks import WrittenRemark
from daq.methods.concluding.conclude import advice_of, conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.concluding.stopping import run_reason
from daq.methods.messages.result import ResultData
from daq.methods.parts.judged import Verification
from daq.methods.planning.standing import AuditedLevel, AuditedVerification

log = structlog.get_logger()

COMPUTE_S: Final = 5.0
"""Real time in seconds after which a conclusion that another process computes is computed here instead."""
#: Computes the conclusion of facts in another process.
Compute = Callable[[Facts], Awaitable[Conclusion]]


async def computed_apart(compute: Compute, facts: Facts, run: str) -> Conclusion | None:
    """Return the conclusion of a run from another process; None where that fails, or takes longer than `COMPUTE_S`."""
    try:
        async with asyncio.timeout(COMPUTE_S):
            return await compute(facts)
    except Exception:
        log.exception("the conclusion is computed in the daemon", run=run)
        return None


def reason_text(facts: Facts) -> str:
    """Return in English why a run ended; empty during the run."""
    reason = run_reason(facts)
    return "" if reason is None else reason.text


def audited_verification(plan: Plan, v: Verification, run: str, result: str) -> AuditedVerification:
    """Return a verification or a control as the audit trail stores it; `run` and `result` are ids."""
    context = plan.context
    return AuditedVerification(
        run=run,
        result=result,
        passed=v.passed,
        condition=v.condition,
        fluid=v.fluid,
        lot=v.lot,
        certificate=v.certificate,
        geometry=context.geometry_name or "",
        geometry_serial="" if context.geometry is None else context.geometry.serial,
        serial=context.serial or "",
        levels=tuple(AuditedLevel(x.torque_percent, x.deviation_percent, x.accepted) for x in v.levels),
        results_in_doubt=len(v.results_since_pass),
        kind=v.kind,
    )


class ResultMaker:
    """Makes the result of one run.  The result's id is made once, here, so that a second commit is detected."""

    def __init__(
        self,
        record: RunRecord,
        plan: Plan,
        clock: Clock,
        source: Callable[[], str],
        topics: Topics | None,
        *,
        with_flat: bool = False,
        follow: Callable[[int], Follow] | None = None,
    ) -> None:
        """Take the run and its plan.

        Args:
            record: the run.
            plan: the plan of the run.
            clock: gives the time at which the run ended.
            source: returns the identity of the database with its epoch, at the time of the commit.
            topics: topics of its messages; None: nothing is put into the outbox.
            with_flat: whether the variant without nesting is published too.
            follow: returns what is stored with the result of a verification, for the time of its end (UTC, ns).
        """
        self._follow = follow
        self.result_id = str(uuid.uuid4())
        self.data: ResultData | None = None
        self._record, self._plan, self._clock = record, plan, clock
        self._messages = ResultMessages(record.instrument, source, topics, with_flat=with_flat)

    def advise(self, facts: Facts) -> Sequence[WrittenRemark]:
        """Return advice for a run in progress."""
        return [a.written() for a in advice_of(self._plan, facts)]

    def conclude(self, facts: Facts, conclusion: Conclusion | None = None) -> Conclude:
        """Return the transaction that commits the result of an ended run, without a journal block.

        `conclusion` is that of the facts, computed elsewhere; None: it is computed here.
        """
        now = self._clock.utc_ns()
        if conclusion is None:
            conclusion = conclude(self._plan, facts)
        v = conclusion.verification
        audited = None if v is None else audited_verification(self._plan, v, self._record.id, self.result_id)
        return Conclude(
            run=self._record.id,
            result_id=self.result_id,
            outcome=facts.outcome,
            reason=reason_text(facts),
            utc_ns=now,
            who=self._record.operator,
            build=self._build(conclusion, self._ended(facts, now)),
            kept=tuple(json.dumps(recorded(k), sort_keys=True) for k in facts.kept),
            verification=None if audited is None else encode(audited),
            follow=None if audited is None or self._follow is None else self._follow(now),
        )

    def _ended(self, facts: Facts, now: int) -> int | None:
        """Return the end of the run (UTC, ns) by the clock as it was at its start; None where it is unknown.

        A run whose journal cannot be read, or that did not start, has no monotonic duration.  Its end is the present
        time if that is after its start.
        """
        by_duration = facts.clock.utc_of(facts.now)
        if by_duration is not None:
            return by_duration
        return now if now >= self._record.began_utc_ns else None

    def _build(self, conclusion: Conclusion, end: int | None) -> Build:
        record, plan = self._record, self._plan
        began = utc_text(record.began_utc_ns)
        ended = None if end is None else utc_text(end)

        def build(sequence: int, audit: AuditPoint, journal_digest: str) -> tuple[str, list[Outgoing]]:
            details = details_of(
                record,
                began=began,
                ended=ended,
                journal_digest=journal_digest,
                audit=audit,
                software=SOFTWARE,
                place=self._messages.place,
            )
            self.data = ResultData.build(plan, conclusion, details)
            return self._messages.of(self.data, self.result_id, sequence, ended or began)

        return build
