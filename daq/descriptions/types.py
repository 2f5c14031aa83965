"""Types of fields: their characters, and the conversion to numbers.

Every quantifier is possessive, so the time of a match is proportional to the length of the line.  No type accepts
infinities, NaN or a typographic minus, and none gives a number that is not finite: digits and exponents are bounded.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

DIGITS: Final = 15
"""Greatest number of digits before and after the decimal mark: the precision of a double."""
HEX_DIGITS: Final = 12
"""Greatest number of hexadecimal digits of a field that gives none: a double has every whole number of 48 bits."""
EXPONENT: Final = "[+-]?0?[0-9]{1,2}+"
Value = float | str


@dataclass(frozen=True, slots=True)
class FieldType:
    """One type of field.

    Attributes:
        gives: ``number`` or ``text``; ``nothing`` where the text is ignored.
        about: accepted text, for a person.
        chars: bytes it may end with; one more of them would belong to it too.
        first: bytes it may begin with.
        open: True where it accepts every character except those that may follow it in the template.
    """

    gives: Literal["number", "text", "nothing"]
    about: str
    chars: frozenset[int]
    first: frozenset[int]
    open: bool = False


_SIGNED: Final = frozenset(b"+-0123456789")
_DECIMAL: Final = _SIGNED | frozenset(b".,")
_HEX: Final = frozenset(b"0123456789ABCDEFabcdef")
_LETTERS: Final = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
_DIGITS: Final = frozenset(b"0123456789")
_CAPITALS: Final = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_BLANKS: Final = frozenset(b" \t")
_ANY: Final = frozenset(range(256))
_PRINTED: Final = _ANY - frozenset(range(0x20)) - {0x7F}

TYPES: Final[dict[str, FieldType]] = {
    "number": FieldType("number", "digits, with or without sign and fraction", _DECIMAL, _SIGNED),
    "padded": FieldType(
        "number", "a number with blanks before it, also between its sign and its digits", _DECIMAL, _SIGNED | {0x20}
    ),
    "whole": FieldType("number", "digits with or without sign", _SIGNED, _SIGNED),
    "scientific": FieldType(
        "number", "a number with or without exponent, in any usual form", _DECIMAL | frozenset(b"eE"), _DECIMAL
    ),
    "nr1": FieldType("number", "NR1 of IEEE 488.2: digits", _SIGNED, _SIGNED),
    "nr2": FieldType("number", "NR2 of IEEE 488.2: digits, point, digits", _DECIMAL, _SIGNED),
    "nr3": FieldType(
        "number", "NR3 of IEEE 488.2: digits, point, digits, E, sign, digits", _DECIMAL | frozenset(b"E"), _SIGNED
    ),
    "hex": FieldType("number", "hexadecimal digits", _HEX, _HEX),
    "digits": FieldType("text", "digits 0-9 that are a text: of a date, a status, a serial number", _DIGITS, _DIGITS),
    "letters": FieldType("text", "letters A-Z and a-z", _LETTERS, _LETTERS),
    "capitals": FieldType("text", "letters A-Z", _CAPITALS, _CAPITALS),
    "word": FieldType(
        "text", "anything without blanks, up to what follows it", _PRINTED - {0x20}, _PRINTED - {0x20}, open=True
    ),
    "text": FieldType("text", "anything printable, up to what follows it", _PRINTED, _PRINTED, open=True),
    "pad": FieldType("nothing", "any number of blanks and tabs, or none", _BLANKS, _BLANKS),
    "blanks": FieldType("nothing", "at least one blank or tab", _BLANKS, _BLANKS),
    "rest": FieldType("nothing", "everything to the end of the line", _ANY, _ANY),
}


def _binary() -> dict[str, FieldType]:
    """Return the types of fields of a frame of bytes; the characters do not matter there."""
    found: dict[str, FieldType] = {}
    letters = {
        "u": "whole number without sign", "i": "whole number in two's complement",
        "s": "whole number whose highest bit is the sign, and the others its magnitude",
    }  # fmt: skip
    for letter, about in letters.items():
        for bits in (8, 16, 24, 32, 64):
            for suffix in _orders(bits):
                found[f"{letter}{bits}{suffix}"] = FieldType("number", f"{about}, {bits} bits", _ANY, _ANY)
    for bits in (32, 64):
        for suffix in _orders(bits):
            found[f"f{bits}{suffix}"] = FieldType("number", f"floating point of IEEE 754, {bits} bits", _ANY, _ANY)
    found["bcd"] = FieldType("number", "two decimal digits in each byte, the first digits first", _ANY, _ANY)
    found["ascii"] = FieldType("text", "printable text; blanks and zero bytes at its end are removed", _ANY, _ANY)
    found["any"] = FieldType("nothing", "bytes that are not kept", _ANY, _ANY)
    found["length"] = FieldType("nothing", "length of the frame, as [frame] says", _ANY, _ANY)
    return found


def _orders(bits: int) -> tuple[str, ...]:
    """Return the orders of the bytes of a number, as the end of its type; those of 16-bit words from 32 bits on."""
    if bits == 8:
        return ("",)
    return ("be", "le", "belw", "lehw") if bits % 32 == 0 else ("be", "le")


BINARY: Final = _binary()
"""Types of fields of a frame of bytes: `be` has the most significant byte first, `le` the least significant one.

Registers of 16 bits in another order than their bytes: `belw` has the low word first, each with its high byte first;
`lehw` has the high word first, each with its low byte first.
"""
HEX_BYTES: Final = tuple(name for name in BINARY if name[0] in "uisf")
"""Types whose bytes a field of hexadecimal digits may hold (`bytes_as`)."""
BITS: Final = "bits"
"""Type of a part of a whole number (`split`)."""
KINDS: Final = TYPES | BINARY | {BITS: FieldType("number", "bits of a whole number", _ANY, _ANY)}
"""Types of the fields of all kinds of lines."""


def number_pattern(
    kind: str, mark: str = ".", decimals: int | None = None, digits: int | None = None, bits: int = 0
) -> str:
    """Return the regular expression of a numeric type; exactly `decimals`, at most `digits` before the `mark`.

    A number of a constant number of `bits` has exactly its number of hexadecimal digits.
    """
    if bits:
        return f"[0-9A-Fa-f]{{{bits // 4}}}"
    if kind not in TYPES:
        kind, mark = "scientific", "."  # numbers of a frame of bytes are written as text before they are read
    whole = f"[0-9]{{1,{digits or DIGITS}}}+"
    point = re.escape(mark)
    if decimals is None:
        fraction = f"(?:{point}[0-9]{{1,{DIGITS}}}+)?+"
    else:
        fraction = f"{point}[0-9]{{{decimals}}}" if decimals else ""
    forgiving = f"(?:{whole}{point}?+[0-9]{{0,{DIGITS}}}+|{point}[0-9]{{1,{DIGITS}}}+)"
    return {
        "number": f"[+-]?+{whole}{fraction}",
        "padded": f" *+[+-]?+ *+{whole}{fraction}",
        "whole": f"[+-]?+{whole}",
        "scientific": f"[+-]?+(?>{forgiving})(?:[eE]{EXPONENT})?+",
        "nr1": f"[+-]?+{whole}",
        "nr2": f"[+-]?+{whole}{point}[0-9]{{{decimals or f'1,{DIGITS}'}}}+",
        "nr3": f"[+-]?+{whole}{point}[0-9]{{{decimals or f'1,{DIGITS}'}}}+E[+-]0?[0-9]{{1,2}}+",
        "hex": f"[0-9A-Fa-f]{{1,{digits or HEX_DIGITS}}}+",
    }[kind]


def text_pattern(kind: str, until: frozenset[int] = frozenset()) -> str:
    """Return the regular expression of a text type; an open type stops before the bytes `until`."""
    stop = "".join(f"\\x{byte:02x}" for byte in sorted(until))
    return {
        "digits": "[0-9]++",
        "letters": "[A-Za-z]++",
        "capitals": "[A-Z]++",
        "word": f"[^\\x00-\\x20\\x7f{stop}]++",
        "text": f"[^\\x00-\\x1f\\x7f{stop}]*+",
        "pad": "[ \\t]*+",
        "blanks": "[ \\t]++",
        "rest": "[\\x00-\\xff]*+",
    }[kind]


def number_reader(kind: str, *, comma: bool, signed_bits: int = 0) -> Callable[[bytes], float]:
    """Return the function from bytes that `number_pattern` matched to a number."""
    if signed_bits:
        top, all_values = 1 << (signed_bits - 1), 1 << signed_bits
        return lambda raw: float((number := int(raw, 16)) - all_values * (number >= top))
    if kind not in TYPES:
        return float
    if kind == "hex":
        return lambda raw: float(int(raw, 16))
    if kind == "padded" and comma:
        return lambda raw: float(raw.replace(b" ", b"").replace(b",", b"."))
    if kind == "padded":
        return lambda raw: float(raw.replace(b" ", b""))
    if comma:
        return lambda raw: float(raw.replace(b",", b"."))
    return float
