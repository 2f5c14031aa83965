"""Check that a reader written for an old JSON Schema can read documents of a new one.

The check walks both schemas together, with `$ref`s resolved, and names every place where the new one allows more than
the old one: a removed key, a key that is no longer required, another type, a wider list of names or range, another unit.
New keys are compatible.
The check understands only the keywords that the schemas of our models use; it names any other keyword.
"""

from collections.abc import Iterator
from typing import Any

KNOWN = frozenset({
    "$ref", "$defs", "$schema", "additionalProperties", "anyOf", "const", "default", "description", "enum", "format",
    "items", "maximum", "minimum", "minLength", "pattern", "per", "properties", "required", "title", "type", "unit",
    "unit_at",
})  # fmt: skip
MEANING = ("unit", "unit_at", "per", "format")
"""Keys beside a value's type: with another unit or format the same value has another meaning."""
Schema = dict[str, Any]


def breaks(old: Schema, new: Schema) -> list[str]:
    """Return every break as ``path: what``; the list is empty if the new schema is compatible."""
    return list(dict.fromkeys(_compare("", old, new, old.get("$defs", {}), new.get("$defs", {}), ())))


def _compare(
    path: str, old: Schema, new: Schema, old_defs: Schema, new_defs: Schema, seen: tuple[Any, ...]
) -> Iterator[str]:
    for word in MEANING:
        if word in old and new.get(word) != old[word]:
            yield f"{path}: {word} was {old[word]}, is {new.get(word, 'none')}"
    pair = (old.get("$ref"), new.get("$ref"))
    if all(pair) and pair in seen:
        return
    seen = (*seen, pair) if all(pair) else seen
    olds, news = _alternatives(old, old_defs), _alternatives(new, new_defs)
    for schema in (*olds, *news):
        for word in sorted(schema.keys() - KNOWN):
            yield f"{path}: {word} is not understood by this check"
    for candidate in news:
        fitting = [o for o in olds if _kind(o) == _kind(candidate) or _kind(o) == "any"]
        if _kind(candidate) == "integer" and not fitting:
            fitting = [o for o in olds if _kind(o) == "number"]
        if not fitting:
            yield f"{path}: may now be {_kind(candidate)}, was {', '.join(_kind(o) for o in olds)}"
            continue
        found = [list(_inside(path, o, candidate, old_defs, new_defs, seen)) for o in fitting]
        yield from min(found, key=len)


def _inside(
    path: str, old: Schema, new: Schema, old_defs: Schema, new_defs: Schema, seen: tuple[Any, ...]
) -> Iterator[str]:
    names, now = _names(old), _names(new)
    if names is not None and (now is None or not now <= names):
        yield f"{path}: may now also be {'anything' if now is None else ', '.join(sorted(map(str, now - names)))}"
    for bound, further in (("minimum", -1), ("maximum", 1), ("minLength", -1)):
        if bound in old and (bound not in new or (new[bound] - old[bound]) * further > 0):
            yield f"{path}: {bound} was {old[bound]}, is {new.get(bound, 'none')}"
    if "pattern" in old and new.get("pattern") != old["pattern"]:
        yield f"{path}: another pattern"
    needed = set(old.get("required", ()))
    for key, schema in old.get("properties", {}).items():
        if key not in new.get("properties", {}):
            yield f"{path}.{key}: is gone"
            continue
        if key in needed and key not in new.get("required", ()):
            yield f"{path}.{key}: need not come any more"
        yield from _compare(f"{path}.{key}", schema, new["properties"][key], old_defs, new_defs, seen)
    for word, mark in (("items", "[]"), ("additionalProperties", ".*")):
        if isinstance(old.get(word), dict):
            if isinstance(new.get(word), dict):
                yield from _compare(path + mark, old[word], new[word], old_defs, new_defs, seen)
            else:
                yield f"{path}{mark}: may now be anything"


def _alternatives(schema: Schema, defs: Schema) -> list[Schema]:
    if "$ref" in schema:
        return _alternatives(defs[schema["$ref"].rpartition("/")[2]], defs)
    if "anyOf" in schema:
        return [found for one in schema["anyOf"] for found in _alternatives(one, defs)]
    return [schema]


def _kind(schema: Schema) -> str:
    if "type" in schema:
        return str(schema["type"])
    values = _names(schema)
    if values:
        return {str: "string", bool: "boolean", int: "integer", float: "number"}[type(next(iter(values)))]
    return "any"


def _names(schema: Schema) -> set[Any] | None:
    if "const" in schema:
        return {schema["const"]}
    return set(schema["enum"]) if "enum" in schema else None
