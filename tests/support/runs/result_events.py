"""Messages as daemons publish them: made with the project's payload and envelope, with changes of a test."""

import copy
import functools
import hashlib
import json
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from daq.adapters.mqtt.topics import Topics
from daq.methods.concluding.conclude import conclude
from daq.methods.curves.curvedata import CURVE_UNITS
from daq.methods.messages.envelope import envelope
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from tests.support.runs.examples import facts, kept, plan_of, rotational_identity, summaries

TOPICS = Topics(enterprise="glaze-works", site="kiln-street", area="quality")
DATABASE = "6f1e0f0a-0000-4000-8000-000000000001"
SOURCE = f"urn:uuid:{DATABASE}#1"
T0 = datetime(2026, 3, 2, 5, 43, 10, tzinfo=UTC)


@functools.cache
def _template() -> dict[str, Any]:
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze", identity=rotational_identity())
    record = RunDetails(
        run="7f1c", sample=Sample(id="CG-2291", lot="L-118", fill="1", replicate=1), operator="shift A",
        began="2026-03-02T05:40:00Z", ended="2026-03-02T05:43:10Z", journal_digest="ab" * 32, audit_head="cd" * 32,
        software="0.1.0",
    )  # fmt: skip
    data = ResultData.build(plan, conclude(plan, facts([kept(summaries())], outcome="complete")), record)
    return data.model_dump(mode="json")


def own_id(source: str, stream: str, sequence: int) -> str:
    return str(uuid.UUID(hashlib.sha256(f"{source} {stream} {sequence}".encode()).hexdigest()[:32]))


def audit_of(source: str, stream: str, sequence: int) -> dict[str, Any]:
    """Return the place in an audit trail in which the results of each stream follow one another."""
    number = sequence if stream == "bench-1" and sequence < 2**31 else None
    before = sequence - 1 if number is not None else None
    return {
        "origin.audit_number": number, "origin.audit_head": own_head(source, sequence),
        "origin.audit_before_number": before, "origin.audit_before": own_head(source, sequence - 1),
    }  # fmt: skip


def own_head(source: str, sequence: int) -> str:
    return hashlib.sha256(f"head {source} {sequence}".encode()).hexdigest()


def result(
    sequence: int = 1,
    *,
    stream: str = "bench-1",
    source: str = SOURCE,
    time: datetime | None = None,
    own: str = "",
    change: dict[str, Any] | None = None,
    envelope_change: dict[str, Any] | None = None,
) -> tuple[str, bytes]:
    """Return topic and payload; `change` sets values in the data by dotted path, `envelope_change` sets keys of the envelope."""
    data = copy.deepcopy(_template())
    moment = time or T0 + timedelta(minutes=10 * sequence)
    text = moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
    changes = {
        "origin.instrument": stream, "origin.run": f"run-{sequence}", "origin.ended": text,
        "origin.began": (moment - timedelta(seconds=190)).isoformat(),
        "sample.id": f"S-{stream}-{sequence}", **audit_of(source, stream, sequence), **(change or {}),
    }  # fmt: skip
    for path, value in changes.items():
        *way, last = path.split(".")
        here = data
        for step in way:
            here = here[step]
        here[last] = value
    event = envelope(
        data, id=own or own_id(source, stream, sequence), source=source, sequence=sequence, time=text,
        type="lab.result.v1", subject=stream, dataschema=f"mqtt:{TOPICS.schema('result', '1')}",
    )  # fmt: skip
    event.update(envelope_change or {})
    return TOPICS.result(stream), json.dumps(event, separators=(",", ":"), ensure_ascii=False).encode()


def curve(sequence: int = 1, *, stream: str = "bench-1", source: str = SOURCE) -> tuple[str, bytes]:
    """Return the message of that result's flow curve, with the same sequence."""
    of = own_id(source, stream, sequence)
    data = {
        "schema_version": 1, "result": of, "run": f"run-{sequence}", "instrument": stream, "simulated": False,
        "units": CURVE_UNITS,
        "sample": _template()["sample"], "method": _template()["method"],
        "curve": {"branch": "up", "rates": "", "points": [], "chosen": "power law"},
    }  # fmt: skip
    event = envelope(
        data, id=str(uuid.uuid5(uuid.UUID(of), "curve")), source=source, sequence=sequence,
        time="2026-03-02T05:43:10.000Z", type="lab.curve.v1", subject=stream,
    )  # fmt: skip
    return TOPICS.curve(stream), json.dumps(event).encode()
