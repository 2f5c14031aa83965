"""Template language for lines and requests: text with {fields}.

* ``{name:type}`` is a field of a line, ``{name:type 8}`` one of exactly 8 characters, ``{:type}`` one without a name,
  whose text is ignored.
* ``{name}`` is the value of an option of the instrument's file, ``{value}`` that of a command.  ``{name as type 4}``
  writes it as a number of 4 characters: ``whole`` with leading zeros, ``+whole`` with its sign always, ``number``,
  ``+number``, ``hex``; in a frame of bytes as one of its types, as in ``{address as u8}``.
* ``[...]`` is an optional part, in lines only.  ``{{``, ``}}``, ``[[`` and ``]]`` are the characters themselves.

A template of bytes is pairs of hexadecimal digits and the same fields, as in ``AA 55 {mass:i32be} {:any 2}``.

Nothing in a template is evaluated.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from daq.descriptions.numbers import written
from daq.descriptions.types import BINARY, TYPES, FieldType

WRITTEN: Final = ("whole", "+whole", "number", "+number", "hex")
"""Types in which an option or a value is written in a text."""
_TYPED: Final = re.compile(r"([a-z][A-Za-z0-9_]*) as (\+?[a-z0-9]+)(?: ([1-9]\d{0,2}))?")
_PAIR: Final = re.compile(r"[0-9A-Fa-f]{2}")
_FIELD: Final = re.compile(r"(?:([a-z][A-Za-z0-9_]*))?:([a-z0-9]+)(?: ([1-9]\d{0,2}))?")
LONGEST: Final = 2_000
"""Greatest length of a template, in characters."""
MOST_BCD: Final = 7
"""Greatest number of bytes of decimal digits: two digits each, at most those of a double."""
MOST_OPTIONAL: Final = 32
"""Greatest number of optional parts of a template."""
_NAME: Final = re.compile(r"[a-z][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Field:
    """A variable part of a line; `width` characters, or as many as its type allows (0)."""

    name: str
    type: str
    width: int = 0


@dataclass(frozen=True, slots=True)
class Setting:
    """Placeholder of the value of an option; with a `type` it is written as a number of `width` characters or bytes."""

    name: str
    type: str = ""
    width: int = 0


@dataclass(frozen=True, slots=True)
class Maybe:
    """An optional part."""

    parts: "tuple[Part, ...]"


Part = str | Field | Setting | Maybe


def parse(text: str, *, line: bool) -> tuple[Part, ...]:
    """Parse a template of a line (`line`) or of a request.

    Raises:
        ValueError: the fault, as a sentence for a person.
    """
    if len(text) > LONGEST:
        raise ValueError(f"has {len(text)} characters; a pattern has at most {LONGEST}")
    parts, rest = _parts(text, 0, line=line, inside=False)
    if sum(isinstance(part, Maybe) for part in parts) > MOST_OPTIONAL:
        raise ValueError(f"has more than {MOST_OPTIONAL} optional parts [...]; describe several lines instead")
    if rest < len(text):
        raise ValueError(f"{text!r}: ']' without '['; write ']]' for the character itself")
    return parts


def parse_bytes(text: str, *, line: bool) -> tuple[Part, ...]:
    """Parse a template of bytes, of a line (`line`) or of a request; the bytes are characters of Latin-1.

    Raises:
        ValueError: the fault, as a sentence for a person.
    """
    if len(text) > LONGEST:
        raise ValueError(f"has {len(text)} characters; a template has at most {LONGEST}")
    parts: list[Part] = []
    at = 0
    while at < len(text):
        pair = _PAIR.match(text, at)
        if text[at] in " \t\r\n":
            at += 1
        elif text[at] == "{":
            end = text.find("}", at)
            if end < 0:
                raise ValueError(f"{text!r}: '{{' without '}}'")
            parts.append(_field(text[at + 1 : end], line=line, types=BINARY))
            at = end + 1
        elif pair is not None:
            parts.append(chr(int(pair[0], 16)))
            at += 2
        else:
            raise ValueError(f"{text!r}: at {text[at : at + 4]!r} two hexadecimal digits or a {{field}} are expected")
    if not parts:
        raise ValueError("is empty; write bytes as hexadecimal digits, as in 'AA 55'")
    return filled(tuple(parts), {})


def _parts(text: str, at: int, *, line: bool, inside: bool) -> tuple[tuple[Part, ...], int]:
    parts: list[Part] = []
    literal = ""
    while at < len(text):
        here, doubled = text[at], text[at : at + 1] == text[at + 1 : at + 2]
        special = here in "{}" or (line and here in "[]")
        if not special or doubled:
            literal += here
            at += 2 if special else 1
            continue
        if here == "]":
            break
        if literal:
            parts.append(literal)
            literal = ""
        if here == "}":
            raise ValueError(f"{text!r}: '}}' without '{{'; write '}}}}' for the character itself")
        if here == "{":
            end = text.find("}", at)
            if end < 0:
                raise ValueError(f"{text!r}: '{{' without '}}'; write '{{{{' for the character itself")
            parts.append(_field(text[at + 1 : end], line=line))
            at = end + 1
            continue
        if inside:
            raise ValueError(f"{text!r}: '[' inside '[...]'; write '[[' for the character itself")
        optional, at = _parts(text, at + 1, line=line, inside=True)
        if text[at : at + 1] != "]":
            raise ValueError(f"{text!r}: '[' without ']'; write '[[' for the character itself")
        if not optional or not isinstance(optional[0], str):
            raise ValueError(f"{text!r}: an optional part [...] must begin with a text, which marks its presence")
        parts.append(Maybe(optional))
        at += 1
    if literal:
        parts.append(literal)
    return tuple(parts), at


def _field(inner: str, *, line: bool, types: Mapping[str, FieldType] = TYPES) -> Field | Setting:
    bytewise = types is BINARY
    if _NAME.fullmatch(inner):
        if bytewise:
            raise ValueError(f"{{{inner}}}: write its type too, as in {{{inner} as u8}}")
        return Setting(inner)
    typed = _TYPED.fullmatch(inner)
    if typed is not None:
        return _setting(typed[1], typed[2], int(typed[3] or 0), [*BINARY] if bytewise else [*WRITTEN])
    found = _FIELD.fullmatch(inner)
    if found is None:
        hint = "write {name:type}, {name:type 8}, {:type} or, for an option, {name}" if line else "write {name}"
        raise ValueError(f"{{{inner}}} is not understood: {hint}; names have letters, digits and _")
    if not line and not (bytewise and found[2] == "length" and not found[1]):
        name = f"{found[1] or 'name'} as {found[2]}" if bytewise else found[1] or "name"
        raise ValueError(f"{{{inner}}}: a request has no fields; write {{{name}}} for an option or value")
    if found[2] not in types:
        raise ValueError(f"{{{inner}}}: unknown type {found[2]!r}; {_near(found[2], types)}")
    width = int(found[3] or 0)
    if bytewise and (found[2] in ("bcd", "any")) != bool(width) and found[2] != "ascii":
        needs = "needs its number of bytes, as in" if not width else "has a fixed size: write"
        raise ValueError(f"{{{inner}}}: {found[2]} {needs} {{{found[1] or ''}:{found[2]}{'' if width else ' 4'}}}")
    if found[2] == "bcd" and width > MOST_BCD:
        raise ValueError(f"{{{inner}}}: bcd has at most {MOST_BCD} bytes")
    return Field(found[1] or "", found[2], width)


def _setting(name: str, kind: str, width: int, types: list[str]) -> Setting:
    if kind not in types or kind in ("any", "length"):
        raise ValueError(f"{{{name} as {kind}}}: unknown type {kind!r}; {_near(kind, types)}")
    if kind in ("bcd", "ascii") and not width:
        raise ValueError(f"{{{name} as {kind}}}: {kind} needs its number of bytes, as in {{{name} as {kind} 4}}")
    if kind in BINARY and kind not in ("bcd", "ascii") and width:
        raise ValueError(f"{{{name} as {kind}}}: {kind} has a fixed size: write {{{name} as {kind}}}")
    if kind == "bcd" and width > MOST_BCD:
        raise ValueError(f"{{{name} as {kind}}}: bcd has at most {MOST_BCD} bytes")
    return Setting(name, kind, width)


def _near(name: str, types: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(types), 1)
    return f"did you mean {near[0]!r}?" if near else f"types: {', '.join(types)}"


def walk(parts: tuple[Part, ...]) -> Iterator[str | Field | Setting]:
    """Yield all parts in order, those of optional parts too."""
    for part in parts:
        if isinstance(part, Maybe):
            yield from walk(part.parts)
        else:
            yield part


def named_fields(parts: tuple[Part, ...]) -> list[Field]:
    """Return the named fields, in order."""
    return [p for p in walk(parts) if isinstance(p, Field) and p.name]


def opening_of(parts: Iterable[Part]) -> str:
    """Return the text at the beginning of a template; "" where it begins with a field."""
    first = next(iter(parts), "")
    return first if isinstance(first, str) else ""


def filled(parts: tuple[Part, ...], settings: Mapping[str, str]) -> tuple[Part, ...]:
    """Return the parts with the values of `settings` in place of their names (others stay), and join adjacent texts.

    Raises:
        ValueError: a value cannot be written in the type of its place.
    """
    out: list[Part] = []
    for part in parts:
        new: Part = part
        if isinstance(part, Setting) and part.name in settings:
            text = settings[part.name]
            new = written(part.type, part.width, text) if part.type else text
        if isinstance(new, Maybe):
            new = Maybe(filled(new.parts, settings))
        if new == "":
            continue  # an empty option is no text: what is behind it follows the field before it
        if isinstance(new, str) and out and isinstance(out[-1], str):
            out[-1] += new
        else:
            out.append(new)
    return tuple(out)
