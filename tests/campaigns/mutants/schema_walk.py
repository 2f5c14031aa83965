"""The schema of a description beside its tables: the other values of a key, and the keys that a table leaves out."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

SCHEMA: dict[str, Any] = json.loads((Path(__file__).parents[3] / "daq/descriptions/schema.json").read_text("utf-8"))


def other_values(path: tuple[Any, ...], raw: dict[str, Any]) -> list[Any]:
    """Return the other values of an enumeration at a path of the tables; none where any text or number may stand there."""
    own = _value(raw, path)
    return [value for value in _enumerated(_at(path, raw)) if value != own]


def left_out(path: tuple[Any, ...], raw: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield keys that the table at a path leaves out, with each value that is not the default: switches and enumerations."""
    table = _value(raw, path)
    for node in _objects(_at(path, raw), table):
        for key, own in node.get("properties", {}).items():
            if key in table or key == "says":
                continue
            values = [True] if {"type": "boolean"} in _all(own) or own.get("type") == "boolean" else _enumerated([own])
            # The unit of a number is tried where a file has one; here it would give a mutant for each unit.
            for value in values if len(values) < 12 else ():
                if value != own.get("default", False):
                    yield key, value


def _at(path: tuple[Any, ...], raw: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the schemas that hold for the value at a path."""
    nodes: list[dict[str, Any]] = [SCHEMA]
    table: Any = raw
    for part in path:
        nodes = [child for node in _objects(nodes, table) for child in _child(node, part)]
        table = table[part]
    return nodes


def _child(node: dict[str, Any], part: Any) -> list[dict[str, Any]]:
    if isinstance(part, int):
        return [node["items"]] if "items" in node else []
    if part in node.get("properties", {}):
        return [node["properties"][part]]
    more = node.get("additionalProperties")
    return [*node.get("patternProperties", {}).values(), *([more] if isinstance(more, dict) else [])]


def _objects(nodes: list[dict[str, Any]], table: Any) -> list[dict[str, Any]]:
    """Return the schemas without references and alternatives; of the kinds of lines the one that the table says."""
    found = [own for node in nodes for own in _all(node)]
    says = table.get("says") if isinstance(table, dict) else None
    return [
        node for node in found if says is None or node.get("properties", {}).get("says", {}).get("const", says) == says
    ]


def _all(node: dict[str, Any]) -> list[dict[str, Any]]:
    if "$ref" in node:
        return _all(SCHEMA["$defs"][node["$ref"].rpartition("/")[2]])
    alternatives = [*node.get("anyOf", ()), *node.get("oneOf", ())]
    return [own for one in alternatives for own in _all(one)] if alternatives else [node]


def _enumerated(nodes: list[dict[str, Any]]) -> list[Any]:
    return [value for node in nodes for own in _all(node) for value in own.get("enum", ())]


def _value(raw: Any, path: tuple[Any, ...]) -> Any:
    for part in path:
        raw = raw[part]
    return raw
