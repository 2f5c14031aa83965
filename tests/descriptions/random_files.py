"""Descriptions made by chance: from the published schema, and bred from the built-in ones."""

import copy
import random
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from daq.descriptions.schema import description_schema
from tests.support import dialects
from tests.support.instruments.built_in import BUILT_IN

SCHEMA = description_schema()
NASTY: tuple[Any, ...] = (
    None, True, -1, 0, 1, 255, 10**30, 0.0, -0.0, 1e300, 1e-300, 5e-324, float("inf"), float("nan"), "", " ", "\x00", "\r",
    "\r\n", "\\", "{", "}", "[", "]", "{{", "[[", "{x:number}", "{x:number 999}", "{x:word}{y:word}", "[{x:text}]", "{:rest}",
    "{value}", "{interval_ms}", "{mass:number}{mass:number}", "(a+)+$", "5 s", "1e400 s", "-1 ms", "nan", "\N{EM DASH}",
    "\N{GRINNING FACE}", "a" * 5_000, "9" * 5_000, [], {}, [[]], {"": ""}, ["a", "a"], {"x": {}}, {"1": ["x"]}, {"9" * 5_000: ""},
)  # fmt: skip
NUMBERS: tuple[Any, ...] = (-1, 0, 1, 2, 1e-300, 5e-324, 1e30, 1e31, 1e300, -1e300, 1.7e308, 10**400, float("inf"))


def harvest(known: Iterable[Any]) -> dict[str, list[Any]]:
    """Return every value that these tables have under each key."""
    found: dict[str, list[Any]] = {}

    def look(node: Any) -> None:
        for key, value in node.items() if isinstance(node, dict) else ():
            found.setdefault(key, []).append(value)
            look(value)
        for value in node if isinstance(node, list) else ():
            look(value)

    for tables in known:
        look(tables)
    return found


POOL = harvest(dict(d.raw) for d in BUILT_IN.values())
NAMES = sorted(POOL)
FILES = [Path(d.source).read_text("utf-8").splitlines() for d in BUILT_IN.values()]
TEXTS = sorted({v for values in POOL.values() for v in values if isinstance(v, str)})


def from_schema(rng: random.Random, node: Any = SCHEMA, key: str = "", depth: int = 0) -> Any:
    """Tables as the schema allows them, mostly."""
    draw = rng.random()
    if depth and draw < 0.004:
        return copy.deepcopy(rng.choice(NASTY))
    if depth and draw < 0.6 and key in POOL:
        return copy.deepcopy(rng.choice(POOL[key]))
    if "$ref" in node:
        return from_schema(rng, SCHEMA["$defs"][node["$ref"].rpartition("/")[2]], key, depth)
    variants = node.get("anyOf") or node.get("oneOf")
    if variants:
        return from_schema(rng, rng.choice(variants), key, depth)
    if "const" in node or "enum" in node:
        return node["const"] if "const" in node else rng.choice(node["enum"])
    low, high = node.get("minimum", -3), node.get("maximum", 3_000)
    kind = node.get("type")
    if kind == "object":
        return table(rng, node, depth)
    if kind == "array":
        return [from_schema(rng, node["items"], key, depth + 1) for _ in range(rng.randrange(4))]
    return {
        "boolean": lambda: rng.random() < 0.5,
        "integer": lambda: rng.choice((low, high, rng.randint(low, high))),
        "number": lambda: rng.choice((low, 1, rng.uniform(-1e4, 1e4))),
    }.get(kind, lambda: rng.choice(rng.choice((TEXTS, NAMES))))()


def table(rng: random.Random, node: Any, depth: int) -> dict[str, Any]:
    needed = node.get("required", ())
    made = {
        name: from_schema(rng, one, name, depth + 1)
        for name, one in node.get("properties", {}).items()
        if rng.random() < (0.98 if name in needed else 0.35)
    }
    others = node.get("additionalProperties") or next(iter(node.get("patternProperties", {}).values()), None)
    if isinstance(others, dict):
        known = node.get("propertyNames", {}).get("enum", NAMES)
        made |= {name: from_schema(rng, others, name, depth + 1) for name in rng.sample(known, rng.randint(1, 3))}
    return made


def bred(rng: random.Random) -> dict[str, Any]:
    """A built-in description with up to four places changed, or with strange numbers for one of its fields."""
    known = copy.deepcopy(dict(rng.choice(list(BUILT_IN.values())).raw))
    if rng.random() < 0.7:
        return changed(rng, known, POOL)
    line = rng.choice(list(known["line"].values()))
    name = rng.choice([c["name"] for c in known["channel"]])
    field = line.setdefault("fields", {}).setdefault(name, {})
    for key in rng.sample(("scale", "offset", "digits", "decimals"), 2):
        field[key] = rng.choice(NUMBERS)
    return known


DIALECTS = [tomllib.loads(p.read_text("utf-8")) for p in sorted(Path(dialects.__file__).parent.glob("*.toml"))]
DIALECT_POOL = harvest([*DIALECTS, *(dict(d.raw) for d in BUILT_IN.values())])


def bred_dialect(rng: random.Random) -> dict[str, Any]:
    """A description with frames of bytes, blocks or fields in requests, with up to four places changed."""
    return changed(rng, rng.choice(DIALECTS), DIALECT_POOL)


def changed(rng: random.Random, known: dict[str, Any], pool: dict[str, list[Any]]) -> dict[str, Any]:
    """Leave out up to four places, or put a value of the same key from elsewhere or a hostile value there."""
    tables = copy.deepcopy(known)
    for _ in range(rng.choice((1, 1, 2, 4))):
        where, key = rng.choice(list(places(tables)))
        name = key if isinstance(key, str) else ""
        draw = rng.random()
        if draw < 0.1:
            del where[key]
        elif draw < 0.25:
            where[key] = copy.deepcopy(rng.choice(NASTY))
        elif isinstance(where[key], (int, float)):
            where[key] = rng.choice(NUMBERS)
        else:
            where[key] = copy.deepcopy(rng.choice(pool.get(name) or TEXTS))
        if not tables:
            break
    return tables


def places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Every table or list, with each of its keys."""
    for key in list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ():
        yield node, key
        yield from places(node[key])


def shuffled_text(rng: random.Random) -> str:
    """A file of lines of all built-in files: some missing, some from another, some twice, some cut."""
    lines = list(rng.choice(FILES))
    for _ in range(rng.randint(1, 2)):
        at = rng.randrange(len(lines) + 1)
        other = rng.choice(FILES)
        begin = rng.randrange(len(other))
        piece = other[begin : begin + rng.randint(0, 2)]
        if piece and rng.random() < 0.2:
            piece = [piece[0][: rng.randrange(len(piece[0]) + 1)]]
        lines[at : at + rng.randrange(3)] = piece
    return "\n".join(lines) + "\n"
