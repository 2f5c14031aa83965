"""Mutants of a description: one key changed, and the reason why a capture with notes cannot tell some of them."""

import copy
import re
from collections.abc import Iterator
from typing import Any

from daq.core.units import UNITS

Tables = dict[str, Any]
CHECKSUMS = ("xor", "sum", "lrc", "crc-16/modbus")

#: Key, and why a mutant there may survive: the capture has the same bytes for both.
REASONS = (
    (r"(kind|title|about|zero_condition|.*\.about|.*\.reason)", "a text for a person"),
    (r"on_link_loss", "only the manual tells what the motor does without its cable"),
    (r"(port\..*)", "a setting of the serial line: no byte of the capture depends on it"),
    (r"(lag|.*\.(interval|refresh|stale_after|timeout|tries)|framing\.(idle|silence|longest|drop_first))", "a time or a bound"),
    (r"framing\.ends\[[1-9]\]", "an end of lines that the capture does not have"),
    (r"channel\[\d+\]\.name", "the name of a quantity: the bytes are the same"),
    (r"channel\[\d+\]\.(low|high)", "a range that is wider than that of the instrument"),
    (r"(options\..*|line\..*\.divide_by)", "an option with another value than in the capture"),
    (r"command\..*", "a limit or a form of a command that the capture does not have"),
    (r"line\..*\.(means|bits|special)(\..*)?", "only the manual tells the meaning of a state"),
    (r"line\..*\.others", "a state that is not in the capture"),
    (r"line\..*\.(decimals|digits|more|separator)", "a form of lines that the capture does not have"),
    (r"line\..*\.says", "a line without a value, as the capture has it"),
    (r"line\.(other|header|no|error|refusal|yes).*", "a line that is not in the capture"),
    (r"line\.(identity|who).*", "a fact of the identity that no check compares"),
    (r"request\..*\.answers.*", "lines that are accepted at any time, too"),
    (r"(identify)", "without it the identity is not requested: a note says so"),
    (r"stream(\..*)?|poll", "the other way of asking, which the capture does not have"),
    (r"checksum\.letters", "digits without letters in the capture"),
)  # fmt: skip


def reason(key: str) -> str:
    """Return why a mutant at this key may survive; "" where it must not."""
    return next((why for pattern, why in REASONS if re.fullmatch(pattern, key)), "")


def mutants(raw: Tables) -> Iterator[tuple[str, str, Tables]]:
    """Yield key, change and tables of every mutant."""
    for path in _paths(raw):
        value = _at(raw, path)
        key = _key(path)
        for what, other in _others(path, value):
            tables = copy.deepcopy(raw)
            _at(tables, path[:-1])[path[-1]] = other
            yield key, what, tables
        if isinstance(path[-1], str):
            tables = copy.deepcopy(raw)
            del _at(tables, path[:-1])[path[-1]]
            yield key, "left out", tables
    for line, field in _numbers(raw):
        for name, other in (("scale", -1.0), ("scale", 10.0), ("scale", 0.001), ("offset", 1.0), ("decimals", 1)):
            tables = copy.deepcopy(raw)
            table = tables["line"][line].setdefault("fields", {}).setdefault(field, {})
            if name not in table:
                table[name] = other
                yield f"line.{line}.fields.{field}.{name}", f"added: {other:g}", tables


def _numbers(raw: Tables) -> Iterator[tuple[str, str]]:
    """Yield line and field of every number of a channel."""
    names = {channel["name"] for channel in raw["channel"]}
    for name, line in raw["line"].items():
        text = " ".join([line.get("pattern", ""), *line.get("columns", ())])
        for field in re.findall(r"\{([a-z]\w*):", text):
            channel = line.get("fields", {}).get(field, {}).get("channel", field)
            if line["says"] == "reading" and channel in names:
                yield name, field


def _paths(node: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield (*before, key)
        yield from _paths(value, (*before, key))


def _at(node: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        node = node[key]
    return node


def _key(path: tuple[Any, ...]) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def _others(path: tuple[Any, ...], value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, bool):
        yield f"{not value}", not value
    elif isinstance(value, int | float):
        for other in (-value, value * 10, value + 1, value / 10 if isinstance(value, float) else value // 10):
            if other != value:
                yield f"{other}", other
    elif isinstance(value, str):
        for other in _other_texts(path, value):
            yield repr(other), other


def _other_texts(path: tuple[Any, ...], value: str) -> Iterator[str]:
    name = path[-1]
    if name == "pattern" or "columns" in path:
        yield from _patterns(value)
    elif name == "unit" and value in UNITS:
        yield from (c for c, unit in UNITS.items() if c != value and unit.dimension == UNITS[value].dimension)
    elif name == "name" and path[0] == "checksum":
        yield from (other for other in CHECKSUMS if other != value)
    elif name in ("send", "mark", "begin", "separator") or "ends" in path:
        yield value + "x"
        yield from [value[:-1]] if len(value) > 1 else []
    elif {"means", "bits", "special"} & set(path):
        yield "" if value else "probe"
    elif name == "decimal":
        yield "comma" if value == "point" else "point"


def _patterns(text: str) -> Iterator[str]:
    """Yield the template with each field of another type or width, fields exchanged, and each text changed."""
    fields = re.findall(r"\{[^}]*\}", text)
    for field in fields:
        inner = field[1:-1]
        if ":" not in inner:
            continue
        for other in (f"{{{inner} 3}}", field.replace(":number", ":whole"), field.replace(":whole", ":hex"), "{:text}"):
            if other != field:
                yield text.replace(field, other, 1)
    if len(fields) > 1:
        swapped = text.replace(fields[0], "\0", 1).replace(fields[1], fields[0], 1).replace("\0", fields[1], 1)
        if swapped != text:
            yield swapped
    plain = re.search(r"[A-Za-z]{2,}(?![^{]*\})", text)
    if plain:
        yield text[: plain.start()] + "zz" + text[plain.end() :]
