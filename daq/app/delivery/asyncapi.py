"""The messages of the daemon as an AsyncAPI 3.0 document, made from the models that the schemas are made from.

Source of the structure: the AsyncAPI specification 3.0.0 and its MQTT bindings 0.2.0.  The schemas of the document are
those of `contract`; their definitions are moved to the document's components, because a reference inside a document
starts at its root.
"""

import json
from dataclasses import dataclass
from typing import Any, Final, Literal

import daq
from daq.adapters.outbox.answers import ANSWER_EXPIRY_S
from daq.adapters.outbox.publisher import LIVE_EXPIRY_S
from daq.app.delivery.contract import SCHEMAS, schema_content
from daq.methods.curves.curvedata import CURVE_SCHEMA
from daq.methods.messages.envelope import ENVELOPE_SCHEMA
from daq.methods.messages.flat import FLAT_NAME
from daq.methods.messages.livedata import LIVE_SCHEMA
from daq.methods.messages.reportabledata import REPORTABLE_SCHEMA
from daq.methods.messages.result import SCHEMA_NAME
from daq.methods.messages.signaturedata import SIGNATURE_SCHEMA
from daq.methods.messages.statusdata import ANSWER_SCHEMA, COLLECTED_SCHEMA, REFILL_SCHEMA, STATUS_SCHEMA

VERSION: Final = "3.0.0"
BINDING: Final = "0.2.0"
EVENT_TYPE: Final = "application/cloudevents+json"
JSON_TYPE: Final = "application/json"
_PREFIX: Final = "levels of the plant and lab/v1, as in glaze-works/kiln-street/quality/lab/v1"
_PARAMETERS: Final = {
    "prefix": _PREFIX,
    "instrument": "name of the instrument in the daemon's files",
    "answer": "levels that the sender of a request chooses",
    "schema": "name of a schema",
    "version": "version of a schema",
}


@dataclass(frozen=True, slots=True)
class Channel:
    """One kind of topic.

    Attributes:
        name: key of the channel and of its message.
        address: topic, with parameters in braces.
        schema: name of the schema of the message, or of the event's data.
        action: what the daemon does.
        event: the message is an event, with `schema` as the schema of its data.
        expiry_s: time (s) after which the broker drops a message that it could not deliver; None: never.
    """

    name: str
    address: str
    schema: str | None
    about: str
    action: Literal["send", "receive"] = "send"
    event: bool = False
    qos: Literal[0, 1] = 1
    retain: bool = False
    expiry_s: int | None = None


CHANNELS: Final = (
    Channel("result", "{prefix}/result/{instrument}", SCHEMA_NAME, "each finished run", event=True),
    Channel("last", "{prefix}/last/{instrument}", SCHEMA_NAME, "the newest result", event=True, retain=True),
    Channel("flat", "{prefix}/flat/{instrument}", FLAT_NAME, "each finished run, without nesting", event=True),
    Channel("curve", "{prefix}/curve/{instrument}", CURVE_SCHEMA, "the flow curve of a run", event=True),
    Channel(
        "reportable",
        "{prefix}/reportable/{instrument}",
        REPORTABLE_SCHEMA,
        "the reportable result of a test of a sample, each time it changes",
        event=True,
    ),
    Channel(
        "signature", "{prefix}/signature/{instrument}", SIGNATURE_SCHEMA, "a signature or its withdrawal", event=True
    ),
    Channel("live", "{prefix}/live/{instrument}", LIVE_SCHEMA, "the newest reading", qos=0, expiry_s=LIVE_EXPIRY_S),
    Channel("status", "{prefix}/status", STATUS_SCHEMA, "state of the daemon; its will too", retain=True),
    Channel("schema", "{prefix}/schema/{schema}/{version}", None, "a JSON Schema, or the list of codes", retain=True),
    Channel("refill", "{prefix}/refill", REFILL_SCHEMA, "request for results again", action="receive"),
    Channel("answer", "{prefix}/answer/{answer}", ANSWER_SCHEMA, "answer to a request", expiry_s=ANSWER_EXPIRY_S),
    Channel(
        "collected",
        "{prefix}/collected/{instrument}",
        COLLECTED_SCHEMA,
        "the highest result of an instrument that a collector has stored",
        action="receive",
        retain=True,
    ),
)


def asyncapi_document() -> dict[str, Any]:
    """Return the document as JSON values."""
    schemas: dict[str, Any] = {}
    for s in SCHEMAS:
        content = schema_content(s)
        definitions = content.pop("$defs", {})
        for name, found in {s.name: content, **{f"{s.name}.{d}": v for d, v in definitions.items()}}.items():
            schemas[name] = _referenced(found, s.name)
    return {
        "asyncapi": VERSION,
        "info": {
            "title": "Results of daq",
            "version": daq.__version__,
            "description": "Messages between a daemon that measures samples and the consumers of its results, by MQTT.",
        },
        "defaultContentType": JSON_TYPE,
        "channels": {c.name: _channel(c) for c in CHANNELS},
        "operations": {f"{c.action}-{c.name}": _operation(c) for c in CHANNELS if c.name != "answer"},
        "components": {
            "messages": {c.name: _message(c) for c in CHANNELS},
            "schemas": schemas,
        },
    }


def asyncapi_text() -> bytes:
    """Return the document as JSON text."""
    return json.dumps(asyncapi_document(), indent=1, sort_keys=True, ensure_ascii=False).encode()


def _channel(c: Channel) -> dict[str, Any]:
    parameters = {name: {"description": text} for name, text in _PARAMETERS.items() if f"{{{name}}}" in c.address}
    return {
        "address": c.address,
        "description": c.about,
        "messages": {c.name: {"$ref": f"#/components/messages/{c.name}"}},
        "parameters": parameters,
    }


def _operation(c: Channel) -> dict[str, Any]:
    binding: dict[str, Any] = {"bindingVersion": BINDING, "qos": c.qos, "retain": c.retain}
    if c.expiry_s is not None:
        binding["messageExpiryInterval"] = c.expiry_s
    operation: dict[str, Any] = {
        "action": c.action,
        "channel": {"$ref": f"#/channels/{c.name}"},
        "messages": [{"$ref": f"#/channels/{c.name}/messages/{c.name}"}],
        "bindings": {"mqtt": binding},
        "summary": c.about,
    }
    if c.name == "refill":
        operation["reply"] = {
            "address": {
                "location": "$message.header#/responseTopic",
                "description": "the request's response topic, below {prefix}/answer/; without one there is no answer",
            },
            "channel": {"$ref": "#/channels/answer"},
            "messages": [{"$ref": "#/channels/answer/messages/answer"}],
        }
    return operation


def _message(c: Channel) -> dict[str, Any]:
    message: dict[str, Any] = {
        "name": c.name,
        "title": c.about,
        "contentType": EVENT_TYPE if c.event else JSON_TYPE,
        "payload": _payload(c),
        "bindings": {"mqtt": {"bindingVersion": BINDING}},
    }
    if c.name in ("refill", "answer"):
        message["correlationId"] = {"location": "$message.header#/correlationData"}
    return message


def _payload(c: Channel) -> dict[str, Any]:
    if c.schema is None:
        return {"type": "object"}
    data = {"$ref": f"#/components/schemas/{c.schema}"}
    if not c.event:
        return data
    version = next(s.version for s in SCHEMAS if s.name == c.schema)
    typed = {"properties": {"type": {"const": f"lab.{c.schema}.v{version}"}, "data": data}}
    return {"allOf": [{"$ref": f"#/components/schemas/{ENVELOPE_SCHEMA}"}, typed]}


def _referenced(node: Any, schema: str) -> Any:
    """Return a schema whose references to its own definitions lead to the document's components."""
    if isinstance(node, dict):
        return {
            k: f"#/components/schemas/{schema}.{v.removeprefix('#/$defs/')}"
            if k == "$ref" and isinstance(v, str)
            else _referenced(v, schema)
            for k, v in node.items()
        }
    return [_referenced(v, schema) for v in node] if isinstance(node, list) else node
