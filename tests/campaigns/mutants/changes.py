"""Mutants of a description: one key changed, left out or added."""

import copy
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

from daq.core.units import UNITS
from daq.descriptions.types import BINARY
from tests.campaigns.mutants.schema_walk import left_out, other_values

Tables = dict[str, Any]
CHECKSUMS: Final = ("xor", "sum", "lrc", "crc-16/modbus", "crc-16/xmodem", "crc-16/kermit")


def mutants(raw: Tables) -> Iterator[tuple[str, str, Tables]]:
    """Yield key, change and tables of every mutant."""
    for path in _paths(raw):
        value, key = at(raw, path), _key(path)
        for mark, what, other in _others(raw, path, value):
            yield key + mark, what, _with(raw, path, other)
        if isinstance(path[-1], str):
            tables = copy.deepcopy(raw)
            del at(tables, path[:-1])[path[-1]]
            yield key, "left out", tables
        if isinstance(value, dict):
            for name, other in left_out(path, raw):
                yield f"{key}.{name}", f"added: {other!r}", _with(raw, (*path, name), other)
    for line, field in _numbers(raw):
        for name, other in _FORMS:
            tables = copy.deepcopy(raw)
            table = tables["line"][line].setdefault("fields", {}).setdefault(field, {})
            if name not in table:
                table[name] = other
                yield f"line.{line}.fields.{field}.{name}", f"added: {other}", tables


_FORMS: Final[tuple[tuple[str, Any], ...]] = (
    ("scale", -1.0), ("scale", 10.0), ("scale", 0.001), ("offset", 1.0), ("decimals", 1), ("decimal", "comma"),
    ("signed_bits", 16),
)  # fmt: skip


def at(node: Any, path: tuple[Any, ...]) -> Any:
    """Return the value at a path."""
    for key in path:
        node = node[key]
    return node


def _with(raw: Tables, path: tuple[Any, ...], value: Any) -> Tables:
    tables = copy.deepcopy(raw)
    at(tables, path[:-1])[path[-1]] = value
    return tables


def _numbers(raw: Tables) -> Iterator[tuple[str, str]]:
    """Yield line and field of every number of a channel."""
    for name, line in raw["line"].items():
        text = " ".join([line.get("pattern", ""), line.get("bytes", ""), *line.get("columns", ())])
        for field in re.findall(r"\{([a-z]\w*):", text):
            if line["says"] == "reading" and is_value(raw, line, field):
                yield name, field


def is_value(raw: Tables, line: Tables, field: str) -> bool:
    """Return True where a field of a line is the number of a channel."""
    channel = line.get("fields", {}).get(field, {}).get("channel", field)
    return channel in {channel["name"] for channel in raw["channel"]}


def _paths(node: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield (*before, key)
        yield from _paths(value, (*before, key))


def _key(path: tuple[Any, ...]) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


Change = tuple[str, str, Any]
"""Changed part of the value (appended to the key), description of the change, and the new value."""


def _others(raw: Tables, path: tuple[Any, ...], value: Any) -> Iterator[Change]:
    listed = [] if path[-1] == "unit" else other_values(path, raw)
    for other in listed:
        yield "", repr(other), other
    if isinstance(value, bool):
        yield "", f"{not value}", not value
    elif isinstance(value, int | float):
        for number in (-value, value * 10, value + 1, value / 10 if isinstance(value, float) else value // 10):
            if number != value and number not in listed:
                yield "", f"{number}", number
    elif isinstance(value, list):
        yield from (
            ("", f"without {value[i]!r}", value[:i] + value[i + 1 :]) for i in range(len(value) if value[1:] else 0)
        )
        if len(value) > 1:
            yield "", "in the other order", value[::-1]
    elif isinstance(value, dict):
        yield from _exchanged(path, value)
    elif isinstance(value, str) and not listed:
        yield from _other_texts(raw, path, value)


def _exchanged(path: tuple[Any, ...], table: Tables) -> Iterator[Change]:
    """Yield a table of texts with two neighbours exchanged: meanings, bits, units."""
    if {"means", "bits", "special", "units", "split"} & set(path[-2:]):
        names = list(table)
        for a, b in pairwise(names):
            if table[a] != table[b]:
                yield f".{a}", f"exchanged with {b}", table | {a: table[b], b: table[a]}


#: Keys whose text is sent or received as it is.
_SENT: Final = frozenset(
    {
        "send",
        "mark",
        "begin",
        "separator",
        "behind",
        "after",
        "before",
        "sends_begin",
        "sends_end",
        "wake",
        "ends",
        "ignore",
    }
)
_NAMES: Final = frozenset({"channel", "fact", "confirms", "start", "identify", "divide_by", "unit_of"})
_TIMES: Final = frozenset({"interval", "timeout", "stale_after", "refresh", "settle", "pause", "idle", "longest_pause"})


def _other_texts(raw: Tables, path: tuple[Any, ...], value: str) -> Iterator[Change]:
    name, keys = path[-1], set(path)
    if keys & {"pattern", "bytes", "columns"}:
        yield from _other_layouts(raw, path, value)
    elif name == "unit" and value in UNITS:
        same = (code for code, unit in UNITS.items() if unit.dimension == UNITS[value].dimension)
        yield from (("", repr(code), code) for code in same if code != value)
    elif name == "name" and "checksum" in keys:
        yield from (("", repr(other), other) for other in CHECKSUMS if other != value)
    elif keys & {"split", "units"}:
        yield from (("", repr(other), other) for other in (_bits(value) if "split" in keys else ["mg"]))
    elif keys & _SENT:
        yield "", repr(value + "x"), value + "x"
        yield from [("", repr(value[:-1]), value[:-1])] if len(value) > 1 else []
        for setting in re.findall(r"\{[^}]*\}", value):
            yield "{other}", f"1 in place of {setting}", value.replace(setting, "1", 1)
    elif keys & {"means", "bits", "special"}:
        yield "", "''" if value else "'probe'", "" if value else "probe"
    elif keys & _NAMES:
        yield "", f"'{value}x'", value + "x"
        yield from (
            ("", repr(c["name"]), c["name"]) for c in raw["channel"] if name == "channel" and c["name"] != value
        )
    elif keys & _TIMES:
        yield from (("", repr(other), other) for other in ("10 ms", "100 s") if other != value)


def _other_layouts(raw: Tables, path: tuple[Any, ...], value: str) -> Iterator[Change]:
    is_line = path[0] == "line"
    for field, what, other in _patterns(value, binary=path[-1] == "bytes"):
        own = is_line and bool(field) and is_value(raw, raw["line"][path[1]], field)
        yield f"{{{field}}}" if own else "{other}" if field else "", what, other


def _bits(text: str) -> list[str]:
    low, _, high = text.partition("-")
    numbers = [int(n) for n in (low, high) if n.isdigit()]
    if len(numbers) == 1:
        return [str(numbers[0] + 1), f"{numbers[0] + 1}-{numbers[0]}", f"{numbers[0]} signed"]
    first, last = numbers
    return [f"{first + 1}-{last + 1}", f"{first}-{last + 1}", str(last), f"{first}-{last} signed"]


def _patterns(text: str, *, binary: bool) -> Iterator[tuple[str, str, str]]:
    """Yield the template with each field of another type or width, fields exchanged, and each text changed."""
    fields = re.findall(r"\{[^}]*\}", text)
    for field in fields:
        inner = field[1:-1]
        name = re.split("[: ]", inner)[0]
        for other in _binary_fields(inner) if binary else _text_fields(field, inner):
            if other != field:
                yield name or "-", f"{field} as {other}", text.replace(field, other, 1)
    for one, two in pairwise(fields):
        swapped = text.replace(one, "\0", 1).replace(two, one, 1).replace("\0", two, 1)
        if swapped != text:
            yield re.split("[: ]", one[1:-1])[0] or "-", f"{one} and {two} exchanged", swapped
    plain = re.compile(r"\b[0-9A-F]{2}\b(?![^{]*\})" if binary else r"[A-Za-z]+(?![^{\[]*\})")
    for found in plain.finditer(text):
        other = f"{int(found[0], 16) ^ 1:02X}" if binary else "zz"
        yield "", f"{other} in place of {found[0]}", text[: found.start()] + other + text[found.end() :]


def _text_fields(field: str, inner: str) -> Iterator[str]:
    if ":" in inner:
        yield from (f"{{{inner} 3}}", field.replace(":number", ":whole"), field.replace(":whole", ":hex"))
        yield from (field.replace(":hex", ":whole"), field.replace(":number", ":padded"), "{:text}")
    else:
        yield from ("{:word}", "1")


def _binary_fields(inner: str) -> Iterator[str]:
    name, colon, kind = inner.partition(":")
    kind, _, width = kind.partition(" ")
    if not colon:
        yield from ("{:any 1}", "01")
        return
    if width.isdigit():
        yield from (f"{{{name}:{kind} {int(width) + 1}}}", f"{{{name}:{kind} {int(width) - 1}}}")
    ends = ("le", "be") if kind.endswith("be") else ("be", "le")
    swapped = kind.removesuffix(ends[1]) + ends[0]
    letters = {"u": "i", "i": "u", "f": "u"}
    for other in (
        swapped,
        letters.get(kind[:1], kind[:1]) + kind[1:],
        kind.replace("32", "16"),
        kind.replace("16", "32"),
    ):
        if other in BINARY and other != kind and name:
            yield f"{{{name}:{other}}}"
    bits = re.search(r"\d+", kind)
    if bits and name:
        yield f"{{:any {int(bits[0]) // 8}}}"
