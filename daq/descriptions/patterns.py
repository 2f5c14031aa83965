"""Compile templates of lines to regular expressions over bytes that match in linear time."""

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from daq.descriptions.codec.fieldtables import FieldTable
from daq.descriptions.numbers import of_digits, unpacker
from daq.descriptions.template import Field, Maybe, Part
from daq.descriptions.types import HEX_DIGITS, TYPES, number_pattern, number_reader, text_pattern

_NO_TABLE: Final = FieldTable()
EXACT: Final = 2.0**53
"""A float of 64 bits has every whole number up to this one (IEEE 754, binary64)."""


@dataclass(frozen=True, slots=True)
class Writing:
    """Encoding and decimal mark of a description's text."""

    encoding: str
    comma: bool

    def of(self, text: str) -> bytes:
        """Return the bytes of a text."""
        return text.encode(self.encoding)

    def mark(self, field: FieldTable) -> str:
        """Return the decimal mark of a field."""
        return "," if (self.comma if field.decimal is None else field.decimal == "comma") else "."


#: From a field or an optional part and its own regular expression to the one to use, with or without a group.
Inner = Callable[[Field | Maybe, str], str]


def expression(
    parts: tuple[Part, ...], fields: Mapping[str, FieldTable], writing: Writing, inner: Inner | None = None
) -> str:
    """Return the regular expression (as latin-1 text) of a line; named fields are groups unless `inner` is given."""
    return _expression(parts, frozenset(), fields, writing, inner or _named)


def _named(part: Field | Maybe, own: str) -> str:
    """Return the expression of a field, with a group where it has a name, or that of an optional part."""
    return own if isinstance(part, Maybe) or not part.name else f"({own})"


def _expression(
    parts: tuple[Part, ...], after: frozenset[int], fields: Mapping[str, FieldTable], writing: Writing, make: Inner
) -> str:
    out = ""
    for i, part in enumerate(parts):
        follows = following(parts[i + 1 :], writing) or after
        if isinstance(part, str):
            out += escaped(writing.of(part))
        elif isinstance(part, Maybe):
            out += f"(?:{make(part, _expression(part.parts, follows, fields, writing, make))})?+"
        elif isinstance(part, Field):
            out += make(part, of_field(part, fields.get(part.name, _NO_TABLE), follows, writing))
    return out


def following(parts: tuple[Part, ...], writing: Writing) -> frozenset[int]:
    """Return the bytes that can come first in `parts`."""
    found: set[int] = set()
    for part in parts:
        if isinstance(part, Maybe):
            found |= following(part.parts, writing)
        elif isinstance(part, str):
            return frozenset(found | {writing.of(part)[0]})
        elif isinstance(part, Field):
            found |= TYPES[part.type].first
            if part.type not in ("pad", "rest", "text"):
                break
    return frozenset(found)


def of_field(field: Field, table: FieldTable, follows: frozenset[int], writing: Writing) -> str:
    """Return the regular expression of one field, including the texts that may be in its place."""
    if field.type == "digits" and field.width:
        return f"[0-9{' ' if field.name else ''}]{{{field.width}}}"
    if field.width:
        return f"[\\x20-\\x7e\\xa0-\\xff]{{{field.width}}}"
    kind = TYPES[field.type]
    if kind.gives == "number":
        own = plain_number(field, table, writing)
        others = [t for t in table.instead if not is_number(t, field, table, writing)]
    else:
        own = text_pattern(field.type, follows if kind.open else frozenset())
        others = [] if kind.open else [t for t in table.meanings if not re.fullmatch(own, t)]
    # Longer texts first: in an atomic group the first alternative that matches is taken.
    texts = sorted(others, key=len, reverse=True)
    return f"(?>{'|'.join([own, *(escaped(writing.of(t)) for t in texts)])})" if texts else own


def plain_number(field: Field, table: FieldTable, writing: Writing) -> str:
    """Return the regular expression of a field's number alone."""
    return number_pattern(field.type, writing.mark(table), table.decimals, table.digits, table.constant_bits)


def number_of(field: Field, table: FieldTable, writing: Writing) -> Callable[[bytes], float]:
    """Return the function from bytes that `plain_number` matched to a number; that of `bytes_as` may be NaN."""
    if table.bytes_as is not None:
        return of_digits(table.bytes_as)
    return number_reader(field.type, comma=writing.mark(table) == ",", signed_bits=table.signed_bits or 0)


def exact_number_of(field: Field, table: FieldTable, writing: Writing) -> Callable[[bytes], float | int]:
    """Return the function of `number_of` whose positive whole numbers keep all of their digits.

    A float of 64 bits loses the low bits of a status above 2^53, and with them a fault.
    """
    read = number_of(field, table, writing)

    def exact(raw: bytes) -> float | int:
        number = read(raw)
        if not EXACT <= number < math.inf:
            return number
        if table.bytes_as is not None:
            return unpacker(table.bytes_as, 0)(bytes.fromhex(raw.decode("ascii"))) or 0
        if field.type == "hex":
            return int(raw, 16)  # a positive number has no other meaning with `signed_bits`
        whole = Decimal(raw.replace(b" ", b"").replace(b",", b".").decode("ascii"))
        return int(whole) if whole == whole.to_integral_value() else number

    return exact


def is_number(text: str, field: Field, table: FieldTable, writing: Writing) -> bool:
    """Return True where a special text is a number of the field's type or of a wider one (``9.9E37``)."""
    if table.bytes_as is not None:
        return re.fullmatch(plain_number(field, table, writing), text) is not None
    if field.type == "hex":
        return re.fullmatch(number_pattern("hex", digits=max(table.digits or 0, HEX_DIGITS)), text) is not None
    return re.fullmatch(number_pattern("scientific", writing.mark(table)), text) is not None


def bare(text: str, field: Field) -> str:
    """Return a special text without the blanks that do not matter: around it, and behind the sign of a padded number.

    A line is compared without them, so that a number is the same with any number of blanks before it.
    """
    text = text.strip(" ")
    return text[:1] + text[1:].lstrip(" ") if field.type == "padded" and text[:1] in ("+", "-") else text


def escaped(raw: bytes) -> str:
    """Return a regular expression for exactly these bytes."""
    return re.escape(raw).decode("latin-1")


def compiled(pattern: str) -> "re.Pattern[bytes]":
    """Compile an expression over bytes."""
    return re.compile(pattern.encode("latin-1"), re.DOTALL)


def touching(
    parts: tuple[Part, ...], fields: Mapping[str, FieldTable], writing: Writing, rest: tuple[Part, ...] = ()
) -> Iterator[tuple[Field, Field | str]]:
    """Yield pairs of a field without width and the part after it where the end of the field is ambiguous.

    `rest` are the parts that follow `parts`.
    """
    for i, part in enumerate(parts):
        if isinstance(part, Maybe):
            yield from touching(part.parts, fields, writing, (*parts[i + 1 :], *rest))
        if not isinstance(part, Field) or part.width:
            continue
        kind = TYPES[part.type]
        other = "." if writing.mark(fields.get(part.name, _NO_TABLE)) == "," else ","
        chars = kind.chars - {ord(other)} if kind.gives == "number" else kind.chars
        for after in (*parts[i + 1 :], *rest):
            nexts = after.parts[0] if isinstance(after, Maybe) else after
            if isinstance(nexts, str):
                if not kind.open and writing.of(nexts)[0] in chars and part.type not in ("pad", "blanks"):
                    yield part, nexts
            elif isinstance(nexts, Field) and nexts.type == "rest" and part.type in ("pad", "blanks"):
                pass  # neither is kept
            elif isinstance(nexts, Field) and chars & TYPES[nexts.type].first:
                yield part, nexts
            if not isinstance(after, Maybe):
                break
