"""JSON Schema of description files, for editors that complete and check them.

``schema.json`` in this folder is generated from the model.  The first line of each example, `#:schema PATH`, names it.
"""

import json
from pathlib import Path
from typing import Any, Final

from daq.descriptions.entries import TIME_SCHEMA
from daq.descriptions.model import DescriptionTables

SCHEMA_FILE: Final = Path(__file__).with_name("schema.json")


def description_schema() -> dict[str, Any]:
    """Return the schema (draft 2020-12).  It cannot express the contradictions that `checks` finds."""
    schema = DescriptionTables.model_json_schema(mode="validation")
    schema = _tidied(schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Description of an instrument",
    }


def schema_text() -> str:
    """Return the text of ``schema.json``."""
    return json.dumps(description_schema(), indent=2) + "\n"


def _tidied(node: Any) -> Any:
    """Remove parts without information: titles made of names, null (TOML has none), defaults that are tables.

    The keyword `discriminator` is removed too: it is not part of JSON Schema, and `says` is a constant in each variant.
    """
    if isinstance(node, list):
        return [_tidied(item) for item in node]
    if not isinstance(node, dict):
        return node
    out = {k: _tidied(v) for k, v in node.items() if not (k == "default" and (v is None or isinstance(v, dict)))}
    if isinstance(node.get("properties"), dict):  # their names may be "default" or "title"
        out["properties"] = {name: _tidied(v) for name, v in node["properties"].items()}
    if out.get("anyOf") == TIME_SCHEMA["anyOf"] and "default" in out:
        out["default"] = _time(out["default"])
    # A key named "title" is a property of that name, not a title.
    if isinstance(out.get("title"), str):
        del out["title"]
    if "oneOf" in out:
        out.pop("discriminator", None)
    options = [o for o in out.get("anyOf", []) if o != {"type": "null"}]
    if "anyOf" in out and len(options) == 1:
        del out["anyOf"]
        out = options[0] | out
    elif "anyOf" in out:
        out["anyOf"] = options
    return out


def _time(ns: int) -> str:
    """Return a time (ns) as text: '5 s', '200 ms'."""
    return f"{ns / 1e9:g} s" if ns % 1_000_000_000 == 0 else f"{ns / 1e6:g} ms"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
