"""Generate the JSON Schema of the journal's header, for programs in other languages that read journals.

The schema is made from the dataclasses and stored beside this file as ``header.schema.json``.  `python -m
daq.core.header_schema` writes it; a test compares file and code.
"""

import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from daq.core.encoding import fields, options
from daq.core.header import FORMAT, OLDEST, Header

SCHEMA_FILE: Final = Path(__file__).with_name("header.schema.json")
PLAIN: Final[Mapping[Any, dict[str, Any]]] = {
    Any: {},
    str: {"type": "string"},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    types.NoneType: {"type": "null"},
}
EXACT: Final = {
    "description": "A number, exactly: hexadecimal as C's printf writes it with %a.",
    "type": "string",
    "pattern": r"^(-?0x[01]\.[0-9a-f]+p[+-][0-9]+|-?inf|nan)$",
}


def header_schema() -> dict[str, Any]:
    """Return the schema (draft 2020-12) of the header as JSON."""
    parts: dict[str, Any] = {"number": EXACT}
    _described(Header, parts, exact=True)
    whole = parts.pop("Header")
    whole["properties"]["format"] = {"enum": list(range(OLDEST, FORMAT + 1))}
    whole["required"].insert(0, "format")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Header of a journal of format {FORMAT}; older ones from {OLDEST} on have it too",
        **whole,
        "$defs": dict(sorted(parts.items())),
    }


def schema_text() -> str:
    """Return the text of the schema file."""
    return json.dumps(header_schema(), indent=2) + "\n"


def _described(kind: Any, parts: dict[str, Any], *, exact: bool) -> dict[str, Any]:
    allowed = options(kind)
    if len(allowed) > 1:
        exact = exact and str not in allowed  # as `daq.core.encoding` writes them
        return {"anyOf": [_described(k, parts, exact=exact) for k in allowed]}
    if kind is float:
        return {"$ref": "#/$defs/number"} if exact else {"type": "number"}
    if dataclasses.is_dataclass(kind):
        return _object(typing.cast("type", kind), parts, exact=exact)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple:
        return {"type": "array", "items": _described(inner[0], parts, exact=exact)}
    if origin in (dict, Mapping):
        return {"type": "object", "additionalProperties": _described(inner[1], parts, exact=exact)}
    return {"enum": list(inner)} if origin is typing.Literal else PLAIN[kind]


def _object(kind: type, parts: dict[str, Any], *, exact: bool) -> dict[str, Any]:
    if kind.__name__ not in parts:
        parts[kind.__name__] = {}  # a rule holds rules
        parts[kind.__name__] = {
            "description": (kind.__doc__ or "").partition("\n")[0],
            "type": "object",
            "properties": {name: _described(hint, parts, exact=exact) for name, hint, _ in fields(kind)},
            "required": [name for name, _, needed in fields(kind) if needed],
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
