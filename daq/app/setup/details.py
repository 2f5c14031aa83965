"""Details of a run that a result states in addition to plan and conclusion, from the record of the run."""

from dataclasses import fields
from typing import Any, cast

from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.rows import AuditPoint, RunRecord
from daq.methods.messages.result import RunDetails
from daq.methods.parts.origin import Attribution, Place, Sample


def place_of(topics: Topics) -> Place:
    """Return the levels of the plant that topics have."""
    return Place(**{f.name: getattr(topics, f.name) or None for f in fields(Topics)})


def details_of(
    record: RunRecord,
    *,
    began: str | None = None,
    ended: str | None = None,
    journal_digest: str | None = None,
    audit: AuditPoint | None = None,
    software: str | None = None,
    place: Place | None = None,
) -> RunDetails:
    """Return the details of a run.  Fields of the sample have the same names in the record and are copied by name."""
    common = {f.name for f in fields(RunRecord)} & Sample.model_fields.keys() - {"id"}
    joined: dict[str, Any] = {name: getattr(record, name) or None for name in common}
    return RunDetails(
        run=record.id,
        sample=Sample(id=record.sample, **joined),
        operator=record.operator,
        attribution=cast("Attribution", record.attribution),
        began=began,
        ended=ended,
        journal_digest=journal_digest,
        audit_head=None if audit is None else audit.head,
        audit_number=None if audit is None else audit.number,
        audit_before=None if audit is None else audit.before,
        audit_before_number=None if audit is None else audit.before_number,
        software=software,
        simulated=record.simulated,
        place=place,
    )
