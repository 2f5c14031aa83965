"""Messages about signatures and reportable results; each has the stream and the number of a result."""

import json
import uuid
from dataclasses import dataclass
from typing import Final

from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.rows import Outgoing
from daq.methods.messages.envelope import envelope
from daq.methods.messages.reportabledata import REPORTABLE_SCHEMA, REPORTABLE_VERSION, ReportableData
from daq.methods.messages.signaturedata import SIGNATURE_SCHEMA, SIGNATURE_VERSION, SignatureData

CONTENT_TYPE: Final = "application/cloudevents+json"


@dataclass(frozen=True, slots=True)
class Numbered:
    """The result that a message belongs to: source of its own message, stream and number."""

    source: str
    stream: str
    sequence: int


def signature_message(topics: Topics, data: SignatureData, at: Numbered, time: str) -> Outgoing:
    """Return the message of a signature, its withdrawal or suspension; `time` (ISO 8601) is that of the change.

    Its id follows from that of the signature.
    """
    own = uuid.UUID(data.signature)
    final = data.withdrawn is not None and not data.suspended
    ident = str(uuid.uuid5(own, data.state if final else str(data.revision)) if data.revision > 1 else own)
    topic, schema = topics.signature(at.stream), topics.schema(SIGNATURE_SCHEMA, str(SIGNATURE_VERSION))
    return _outgoing(topic, schema, f"lab.{SIGNATURE_SCHEMA}.v{SIGNATURE_VERSION}", ident, data, at, time)


def reportable_message(topics: Topics, data: ReportableData, at: Numbered, time: str) -> Outgoing:
    """Return the message of a reportable result; its id follows from source, sample, test and revision."""
    ident = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{at.source}/{data.sample}/{data.test}/{data.revision}"))
    topic, schema = topics.reportable(at.stream), topics.schema(REPORTABLE_SCHEMA, str(REPORTABLE_VERSION))
    return _outgoing(topic, schema, f"lab.{REPORTABLE_SCHEMA}.v{REPORTABLE_VERSION}", ident, data, at, time)


def _outgoing(
    topic: str, schema: str, kind: str, ident: str, data: SignatureData | ReportableData, at: Numbered, time: str
) -> Outgoing:
    event = envelope(
        data.model_dump(mode="json"),
        id=ident,
        source=at.source,
        sequence=at.sequence,
        time=time,
        type=kind,
        subject=at.stream,
        dataschema=f"mqtt:{schema}",
    )
    payload = json.dumps(event, separators=(",", ":"), ensure_ascii=False).encode()
    return Outgoing(topic, payload, id=ident, properties=json.dumps({"content_type": CONTENT_TYPE}))
