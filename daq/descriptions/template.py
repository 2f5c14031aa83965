"""Template language for lines and requests: text with {fields}.

* ``{name:type}`` is a field of a line, ``{name:type 8}`` one of exactly 8 characters, ``{:type}`` one without a name,
  whose text is ignored.
* ``{name}`` is the value of an option of the instrument's file, ``{value}`` that of a command.
* ``[...]`` is an optional part, in lines only.  ``{{``, ``}}``, ``[[`` and ``]]`` are the characters themselves.

Nothing in a template is evaluated.
"""

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from daq.descriptions.types import TYPES

_FIELD: Final = re.compile(r"(?:([a-z][A-Za-z0-9_]*))?:([a-z0-9]+)(?: ([1-9]\d{0,2}))?")
LONGEST: Final = 2_000
"""Greatest length of a template, in characters."""
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
    """Placeholder of the value of an option."""

    name: str


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


def _field(inner: str, *, line: bool) -> Field | Setting:
    if _NAME.fullmatch(inner):
        return Setting(inner)
    found = _FIELD.fullmatch(inner)
    if found is None:
        hint = "write {name:type}, {name:type 8}, {:type} or, for an option, {name}" if line else "write {name}"
        raise ValueError(f"{{{inner}}} is not understood: {hint}; names have letters, digits and _")
    if not line:
        raise ValueError(f"{{{inner}}}: a request has no fields; write {{{found[1] or 'name'}}} for an option or value")
    if found[2] not in TYPES:
        near = difflib.get_close_matches(found[2], list(TYPES), 1)
        hint = f"did you mean {near[0]!r}?" if near else f"types: {', '.join(TYPES)}"
        raise ValueError(f"{{{inner}}}: unknown type {found[2]!r}; {hint}")
    return Field(found[1] or "", found[2], int(found[3] or 0))


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


def filled(parts: tuple[Part, ...], settings: Mapping[str, str]) -> tuple[Part, ...]:
    """Return the parts with the values of `settings` in place of their names (others stay), and join adjacent texts."""
    out: list[Part] = []
    for part in parts:
        new = settings.get(part.name, part) if isinstance(part, Setting) else part
        if isinstance(new, Maybe):
            new = Maybe(filled(new.parts, settings))
        if isinstance(new, str) and out and isinstance(out[-1], str):
            out[-1] += new
        else:
            out.append(new)
    return tuple(out)
