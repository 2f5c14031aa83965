"""The AsyncAPI document: its structure by the specification 3.0.0, its references, and real messages against it."""

import dataclasses
import json
import re

import jsonschema
import pytest

from daq.adapters.mqtt.topics import Topics
from daq.app.cli import main
from daq.app.delivery.asyncapi import CHANNELS, asyncapi_document, asyncapi_text
from daq.app.delivery.contract import SCHEMAS
from daq.methods.messages.envelope import Envelope
from tests.support.runs.result_events import SOURCE, curve, own_id, result

DOCUMENT = json.loads(asyncapi_text())
KEY = re.compile(r"[A-Za-z0-9._-]+")
TOPICS = Topics(enterprise="glaze-works")


def of(*required, **keys):
    """Return the schema of an object with these keys and no others; a key in `required` must be there."""
    return {"type": "object", "required": list(required), "properties": keys, "additionalProperties": False}


def each(schema):
    """Return the schema of an object with any keys, whose values follow one schema."""
    return {"type": "object", "additionalProperties": schema}


TEXT = {"type": "string"}
REFERENCE = of("$ref", **{"$ref": TEXT})
REFERENCES = {"type": "array", "items": REFERENCE, "uniqueItems": True}
LOCATION = {"type": "string", "pattern": r"^\$message\.(header|payload)#(/([^/~]|~[01])*)*$"}
VERSION = {"const": "0.2.0"}
EXPIRY = {"type": "integer", "minimum": 0, "maximum": 2**32 - 1}
SENDING = of(bindingVersion=VERSION, qos={"enum": [0, 1, 2]}, retain={"type": "boolean"}, messageExpiryInterval=EXPIRY)
REPLY = of(address=of("location", location=LOCATION, description=TEXT), channel=REFERENCE, messages=REFERENCES)
CHANNEL = of(address=TEXT, description=TEXT, messages=each(REFERENCE), parameters=each(of(description=TEXT)))
OPERATION = of(
    "action", "channel", action={"enum": ["send", "receive"]}, channel=REFERENCE, messages=REFERENCES, summary=TEXT,
    bindings=of(mqtt=SENDING), reply=REPLY,
)  # fmt: skip
MESSAGE = of(
    name=TEXT, title=TEXT, contentType=TEXT, payload={"type": "object"}, bindings=of(mqtt=of(bindingVersion=VERSION)),
    correlationId=of("location", location=LOCATION),
)  # fmt: skip
STRUCTURE = of(
    "asyncapi", "info", asyncapi=TEXT, defaultContentType=TEXT, channels=each(CHANNEL), operations=each(OPERATION),
    info=of("title", "version", title=TEXT, version=TEXT, description=TEXT),
    components=of(messages=each(MESSAGE), schemas={"type": "object"}),
)  # fmt: skip
"""The objects of the document by the AsyncAPI specification 3.0.0 (Info, Channel, Operation, Operation Reply, Message, and
Correlation ID Object) and the MQTT bindings 0.2.0, of their keys those that daq uses.  The specification's own JSON Schema
(repository asyncapi/spec-json-schemas, schemas/3.0.0.json, Apache-2.0) was applied once to the document and found nothing;
it is too large to be kept here."""


def structure(document):
    yield from (f"{e.message} at {list(e.path)}" for e in jsonschema.Draft7Validator(STRUCTURE).iter_errors(document))


def walk(node, path=()):
    yield path, node
    for key, inner in node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ():
        yield from walk(inner, (*path, key))


def resolve(document, reference):
    assert reference.startswith("#/"), reference
    here = document
    for step in reference[2:].split("/"):
        here = here[step.replace("~1", "/").replace("~0", "~")]
    return here


def faults(document):
    """Return the places that do not fit the specification: required fields, keys, references, and their kinds."""
    head = [] if document.get("asyncapi") == "3.0.0" and {"title", "version"} <= document["info"].keys() else ["head"]
    parts = (structure, references, channels, operations, components)
    return head + [fault for part in parts for fault in part(document)]


def references(document):
    for path, node in walk(document):
        if isinstance(node, dict) and isinstance(node.get("$ref"), str):
            try:
                resolve(document, node["$ref"])
            except (KeyError, AssertionError):
                yield f"reference {node['$ref']} at {path}"
        if path and path[-1] in ("$defs", "prefixItems", "unevaluatedProperties", "$schema", "$dynamicRef"):
            yield f"keyword {path[-1]} is not of draft 7"


def channels(document):
    for name, channel in document["channels"].items():
        used = set(re.findall(r"\{([^}]+)\}", channel["address"]))
        if used != set(channel["parameters"]) or not KEY.fullmatch(name):
            yield f"parameters of {name}"
        if not all(m["$ref"].startswith("#/components/messages/") for m in channel["messages"].values()):
            yield f"messages of {name}"


def operations(document):
    for name, operation in document["operations"].items():
        if operation.get("action") not in ("send", "receive"):
            yield f"action of {name}"
        for part in (operation, *([operation["reply"]] if "reply" in operation else [])):
            # The messages of an operation are those of its channel (specification, Operation Object).
            if not all(m["$ref"].startswith(part["channel"]["$ref"] + "/messages/") for m in part["messages"]):
                yield f"messages of {name}"


def components(document):
    for group in document["components"].values():
        yield from (f"key {key}" for key in group if not KEY.fullmatch(key))
    for name, schema in document["components"]["schemas"].items():
        try:
            jsonschema.Draft7Validator.check_schema(schema)
        except jsonschema.SchemaError:
            yield f"schema {name}"


def test_the_document_has_the_structure_of_the_specification():
    assert faults(DOCUMENT) == []


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.update(asyncapi="2.6.0"),
        lambda d: d["info"].pop("version"),
        lambda d: d["components"]["schemas"].pop("result.Origin"),
        lambda d: d["components"]["messages"].pop("live"),
        lambda d: d["channels"]["status"].update(address="{prefix}/{more}"),
        lambda d: d["operations"]["send-last"].update(action="publish"),
        lambda d: d["operations"]["send-last"]["channel"].update({"$ref": "#/channels/result"}),
        lambda d: d["components"]["schemas"]["live"].update(type="numbers"),
        lambda d: d["components"]["schemas"]["live"].update({"$defs": {}}),
    ],
)
def test_the_check_finds_a_fault(change):
    document = json.loads(asyncapi_text())
    change(document)
    assert faults(document) != []


OTHERS = {"number": 7, "list": [], "text": "?", "object": {"unknown": 1}, "null": None}
KINDS = {int: "number", bool: "flag", list: "list", str: "text", dict: "object"}
NAMED = re.compile(r"channels|operations|components(/messages)?|.*/(messages|parameters)")
"""Objects whose keys are names, so that a further key is another entry."""


def places(node, path=()):
    """Yield path and value of each place of the document that the specification describes: no schema, no payload."""
    for key, value in node.items() if isinstance(node, dict) else ():
        if (*path, key)[-2:] != ("components", "schemas") and key != "payload":
            yield (*path, key), value
            yield from places(value, (*path, key))


def changed(path, change):
    document = json.loads(json.dumps(DOCUMENT | {"components": DOCUMENT["components"] | {"schemas": {}}}))
    parent = document
    for key in path[:-1]:
        parent = parent[key]
    change(parent, path[-1])
    return document


@pytest.mark.slow
def test_a_value_of_another_kind_and_an_unknown_key_are_found_at_every_place():
    found = dict(places(DOCUMENT))
    assert len(found) > 200
    for path, value in found.items():
        for kind, other in OTHERS.items():
            if KINDS[type(value)] != kind:
                document = changed(path, lambda parent, key, other=other: parent.update({key: other}))
                assert list(structure(document)), (path, kind)
        if isinstance(value, dict) and not NAMED.fullmatch("/".join(path)):
            assert list(structure(changed(path, lambda parent, key: parent[key].update(unknown=1)))), path


@pytest.mark.parametrize(
    "path",
    [
        ("asyncapi",), ("info",), ("info", "title"), ("info", "version"), ("operations", "send-live", "action"),
        ("operations", "send-live", "channel"), ("operations", "receive-refill", "reply", "address", "location"),
        ("components", "messages", "refill", "correlationId", "location"), ("channels", "last", "messages", "last", "$ref"),
    ],
)  # fmt: skip
def test_a_missing_required_key_is_found(path):
    assert list(structure(changed(path, lambda parent, key: parent.pop(key))))


def test_every_topic_has_a_channel_and_every_schema_a_place():
    of_instrument = ("result", "flat", "curve", "reportable", "signature", "last", "live", "collected")
    built = {name: getattr(TOPICS, name)("x") for name in of_instrument}
    built |= {"status": TOPICS.status(), "refill": TOPICS.refill()}
    for name, topic in built.items():
        address = DOCUMENT["channels"][name]["address"]
        assert address.format(prefix=TOPICS.prefix, instrument="x") == topic
    assert TOPICS.schema("a", "1") == DOCUMENT["channels"]["schema"]["address"].format(
        prefix=TOPICS.prefix, schema="a", version="1"
    )
    assert set(DOCUMENT["channels"]) == {*built, "schema", "answer"}
    text = json.dumps(DOCUMENT["components"]["messages"])
    assert all(f'"#/components/schemas/{s.name}"' in text for s in SCHEMAS)


def validator(message):
    payload = DOCUMENT["components"]["messages"][message]["payload"]
    return jsonschema.Draft7Validator({**DOCUMENT, "allOf": [payload]})


EVENTS = {
    "result": result(7)[1],
    "last": result(7)[1],
    "live": json.dumps({
        "time": "2026-03-02T05:43:10Z", "source": SOURCE, "instrument": "bench-1", "state": "ready",
        "values": {"viscosity": {"value": 800.0, "unit": "mPa.s", "quality": "Good", "status_code": 0}},
    }),
    "refill": json.dumps({"source": SOURCE, "stream": "bench-1", "first": 1, "last": 2}),
    "collected": json.dumps(
        {"source": SOURCE, "epoch": 1, "stream": "bench-1", "sequence": 7, "id": own_id(SOURCE, "bench-1", 7)}
    ),
    "answer": json.dumps({"source": SOURCE, "granted": False, "messages": 0, "reason": "the request is not JSON"}),
}  # fmt: skip


@pytest.mark.parametrize("name", EVENTS)
def test_real_messages_are_valid_and_altered_ones_are_not(name):
    check, event = validator(name), json.loads(EVENTS[name])
    check.validate(event)
    required = [k for k in event if k not in ("dataschema", "reason")]
    for key in required:
        assert not check.is_valid({k: v for k, v in event.items() if k != key}), key
    if name in ("result", "last"):
        for key, wrong in {"type": "lab.curve.v1", "source": "urn:uuid:x#1", "sequence": "7", "data": {}}.items():
            assert not check.is_valid(event | {key: wrong}), key


@pytest.mark.parametrize("message", [result(7), curve(7)])
def test_the_envelope_is_the_model_s(message):
    event = json.loads(message[1])
    assert Envelope.model_validate(event).model_dump(exclude_none=True) == event


def test_properties_of_the_messages_are_those_that_are_sent():
    by_name = {c.name: c for c in CHANNELS}
    assert {n: (c.qos, c.retain) for n, c in by_name.items() if n in ("result", "last", "live", "status")} == {
        "result": (1, False), "last": (1, True), "live": (0, False), "status": (1, True),
    }  # fmt: skip
    binding = DOCUMENT["operations"]["send-live"]["bindings"]["mqtt"]
    assert (binding["messageExpiryInterval"], binding["qos"]) == (10, 0)
    assert DOCUMENT["operations"]["receive-refill"]["reply"]["channel"] == {"$ref": "#/channels/answer"}
    assert all(dataclasses.asdict(c)["about"] for c in CHANNELS)


def test_the_command_prints_it(capsys):
    assert main(["schemas", "--asyncapi"]) == 0
    assert json.loads(capsys.readouterr().out) == asyncapi_document()
