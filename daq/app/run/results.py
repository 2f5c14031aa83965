"""Make the transaction that commits the result of a run, with its messages for the broker, from its facts."""

import json
import uuid
from collections.abc import Callable, Sequence
from typing import Any

import daq
from daq.adapters.clock import Clock, utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.steps import Build
from daq.adapters.store.transactions import Conclude
from daq.app.setup.details import details_of, place_of
from daq.core.effects import Facts, recorded
from daq.core.encoding import encode
from daq.core.plan import Plan
from daq.core.remarks import WrittenRemark
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.concluding.stopping import run_reason
from daq.methods.messages.envelope import envelope
from daq.methods.messages.flat import FLAT_NAME, flattened
from daq.methods.messages.result import SCHEMA_NAME, SCHEMA_VERSION, ResultData
from daq.methods.planning.standing import AuditedLevel, AuditedVerification

CONTENT_TYPE = "application/cloudevents+json"


def reason_text(facts: Facts) -> str:
    """Return in English why a run ended; empty during the run."""
    reason = run_reason(facts)
    return "" if reason is None else reason.text


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
    ) -> None:
        """Take the run and its plan.

        Args:
            record: the run.
            plan: the plan of the run.
            clock: gives the time at which the run ended.
            source: returns the identity of the database with its epoch, at the time of the commit.
            topics: topics of its messages; None: nothing is put into the outbox.
            with_flat: whether the variant without nesting is published too.
        """
        self.result_id = str(uuid.uuid4())
        self.data: ResultData | None = None
        self._record, self._plan, self._clock = record, plan, clock
        self._source, self._topics, self._with_flat = source, topics, with_flat

    def advise(self, facts: Facts) -> Sequence[WrittenRemark]:
        """Return advice for a run in progress."""
        return [a.written() for a in conclude(self._plan, facts).advice]

    def conclude(self, facts: Facts) -> Conclude:
        """Return the transaction that commits the result of an ended run, without a journal block."""
        now = self._clock.utc_ns()
        conclusion = conclude(self._plan, facts)
        audited = self._verification(conclusion)
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

    def _verification(self, conclusion: Conclusion) -> AuditedVerification | None:
        """Return the verification as the audit trail stores it; None if the run is no verification."""
        v, context = conclusion.verification, self._plan.context
        if v is None:
            return None
        return AuditedVerification(
            run=self._record.id,
            result=self.result_id,
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
        )

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
                software=f"daq {daq.__version__}",
                place=None if self._topics is None else place_of(self._topics),
            )
            self.data = ResultData.build(plan, conclusion, details)
            data = self.data.model_dump(mode="json")
            return json.dumps(data, sort_keys=True), self._messages(data, sequence, ended or began)

        return build

    def _messages(self, result: dict[str, Any], sequence: int, time: str) -> list[Outgoing]:
        topics = self._topics
        if topics is None:
            return []
        instrument = self._record.instrument
        properties = json.dumps({"content_type": CONTENT_TYPE})

        def payload(data: dict[str, Any], name: str, own_id: str) -> bytes:
            event = envelope(
                data,
                id=own_id,
                source=self._source(),
                sequence=sequence,
                time=time,
                type=f"lab.{name}.v{SCHEMA_VERSION}",
                subject=instrument,
                dataschema=f"mqtt:{topics.schema(name, str(SCHEMA_VERSION))}",
            )
            return json.dumps(event, separators=(",", ":"), ensure_ascii=False).encode()

        nested = payload(result, SCHEMA_NAME, self.result_id)
        messages = [
            Outgoing(topics.result(instrument), nested, properties=properties),
            Outgoing(topics.last(instrument), nested, retain=True, properties=properties),
        ]
        if self._with_flat:
            # CloudEvents 1.0 demands another id for another content of the same source.
            own_id = str(uuid.uuid5(uuid.UUID(self.result_id), FLAT_NAME))
            plain = payload(flattened(result), FLAT_NAME, own_id)
            messages.append(Outgoing(topics.flat(instrument), plain, id=own_id, properties=properties))
        return messages
