"""Numbers as texts and as bytes: one function writes each type, and one reads it."""

import math
import re
import struct
from collections.abc import Callable
from typing import Final

from daq.core.wordorder import from_sign_and_magnitude, ordered, to_sign_and_magnitude
from daq.descriptions.types import BINARY

#: Codes of `struct` of the sizes that it has; the order of the bytes is put before them.
_CODES: Final = {
    "u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q",
    "f32": "f", "f64": "d",
}  # fmt: skip
LARGEST: Final = 1e15
"""Numbers in requests are below this: a double has no whole numbers between larger ones."""
_TYPE: Final = re.compile(r"([uisf])(\d+)(belw|lehw|be|le)?")


def size_of(kind: str, width: int) -> int:
    """Return the number of bytes of a binary type; 0 where it is not fixed."""
    found = _TYPE.fullmatch(kind)
    return int(found[2]) // 8 if found else width


def struct_code(kind: str, width: int) -> tuple[str, str]:
    """Return the order of the bytes (`>`, `<`, or "" for either) and the code of `struct` of a binary type."""
    found = _TYPE.fullmatch(kind)
    if found is None or f"{found[1]}{found[2]}" not in _CODES or found[3] in ("belw", "lehw"):
        return "", f"{size_of(kind, width)}s"
    return {"be": ">", "le": "<", None: ""}[found[3]], _CODES[f"{found[1]}{found[2]}"]


def unpacker(kind: str, width: int) -> Callable[[bytes], float | int | None]:
    """Return the function from the bytes of a numeric binary type to the number; None for no decimal digits."""
    if kind == "bcd":
        return lambda raw: int(digits) if (digits := raw.hex()).isdecimal() else None
    order, code = struct_code(kind, width)
    if code.endswith("s"):
        order, letter = _TYPE.fullmatch(kind)[3], kind[0]  # type: ignore[index]  # a type of numbers
        if letter == "f":
            of_float = struct.Struct(">f" if size_of(kind, width) == 4 else ">d").unpack
            return lambda raw: of_float(_ordered(raw, order))[0]
        if letter == "s":
            return lambda raw: from_sign_and_magnitude(_ordered(raw, order))
        signed = letter == "i"
        return lambda raw: int.from_bytes(_ordered(raw, order), "big", signed=signed)
    read = struct.Struct((order or ">") + code).unpack
    return lambda raw: read(raw)[0]


def packed(kind: str, width: int, number: float) -> bytes:
    """Return the bytes of a number in a binary type.

    Raises:
        ValueError: it does not fit.
    """
    size = size_of(kind, width)
    try:
        if kind == "bcd":
            # Its decimal digits, read as hexadecimal ones; a negative number or a digit too many does not fit.
            return int(f"{round(number):d}", 16).to_bytes(size, "big")
        letter, order = kind[0], _TYPE.fullmatch(kind)[3]  # type: ignore[index]  # a type of numbers
        if letter == "f":
            return _ordered(struct.pack(">f" if size == 4 else ">d", number), order)
        if letter == "s":
            return _ordered(to_sign_and_magnitude(number, size), order)
        return _ordered(round(number).to_bytes(size, "big", signed=letter == "i"), order)
    except (ValueError, OverflowError):
        raise ValueError(f"{number:g} does not fit in {kind}{f' {width}' if width else ''}") from None


def _ordered(raw: bytes, order: str | None) -> bytes:
    """Return the bytes of a number, the most significant first, in an order of `daq.descriptions.types`, and back."""
    return ordered(raw, low_word_first=order in ("le", "belw"), low_byte_first=order in ("le", "lehw"))


def of_digits(kind: str) -> Callable[[bytes], float]:
    """Return the function from hexadecimal digits to the number whose bytes they are; `kind` is a binary type.

    A floating-point number may be NaN or infinite.
    """
    read = unpacker(kind, 0)
    return lambda raw: float(read(bytes.fromhex(raw.decode("ascii"))) or 0)


def single(number: float) -> float:
    """Return a number as 32 bits of floating point hold it; an infinity where it is too large."""
    try:
        return float(struct.unpack(">f", struct.pack(">f", number))[0])
    except OverflowError:
        return math.copysign(math.inf, number)


def is_negative_zero(text: str, number: float) -> bool:
    """Return True for the text of a negative zero, with which some instruments mark a missing value, and its number."""
    return number == 0 and text.strip().startswith("-")


def is_whole(number: float) -> bool:
    """Return True for a whole number, also an `int` of more digits than a float has."""
    return isinstance(number, int) or number.is_integer()


def padded_text(text: str, width: int) -> str:
    """Return a text of exactly `width` characters of Latin-1, filled with blanks.

    Raises:
        ValueError: it does not fit.
    """
    if len(text) > width or any(not 0x20 <= ord(c) < 0x7F for c in text):
        raise ValueError(f"{text!r} does not fit in {width} bytes of printable ASCII")
    return text.ljust(width)


def hexadecimal(number: float, digits: int, *, signed_bits: int = 0) -> str:
    """Return a whole number in hexadecimal digits (capitals); negative ones in two's complement of `signed_bits`.

    Raises:
        ValueError: it does not fit.
    """
    whole = round(number)
    if signed_bits and not -(1 << signed_bits - 1) <= whole < 1 << signed_bits - 1:
        raise ValueError(f"{whole} does not fit in {signed_bits} bits")
    if whole < 0 and not signed_bits:
        raise ValueError(f"{whole} is negative; hexadecimal digits without `signed_bits` have no sign")
    return f"{whole & (1 << signed_bits) - 1 if signed_bits else whole:0{digits}X}"


def written(kind: str, width: int, text: str) -> str:
    """Return an option or a value (a number as text) in a type of `daq.descriptions.template`.

    `width`: number of characters or bytes; 0 for as many as the number has.  Binary types give characters of Latin-1.

    Raises:
        ValueError: it does not fit.
    """
    if kind == "ascii":
        return padded_text(text, width)
    number = float(text.replace(",", "."))
    if not abs(number) < LARGEST:
        raise ValueError(f"{number:g} is too large")
    if kind in BINARY:
        return packed(kind, width, number).decode("latin-1")
    if kind == "hex":
        out = hexadecimal(number, width, signed_bits=4 * width if number < 0 else 0)
    elif kind.endswith("whole"):
        out = f"{round(number):{'+' if kind.startswith('+') else ''}0{width}d}"
    else:
        decimals = len(text.replace(",", ".").partition(".")[2])
        out = f"{number:{'+' if kind.startswith('+') else ''}0{width}.{decimals}f}"
        out = out.replace(".", ",") if "," in text else out
    if width and len(out) > width:
        raise ValueError(f"{text} does not fit in {width} characters")
    return out


def written_pattern(kind: str, width: int) -> str:
    """Return the regular expression of the texts that `written` gives for numbers."""
    if kind in BINARY:
        return f".{{{size_of(kind, width)}}}"
    if kind == "hex":
        return f"[0-9A-F]{{{width or '1,12'}}}"
    sign = "[+-]" if kind.startswith("+") else "-?"
    return f"{sign}[0-9]+" + ("" if kind.endswith("whole") else "(?:[.,][0-9]+)?")


def read_back(kind: str, width: int, raw: bytes, *, negative: bool = True) -> float | None:
    """Return the number that `written` wrote; `negative`: whether hexadecimal digits may be in two's complement."""
    if kind in BINARY:
        return unpacker(kind, width)(raw)
    if kind == "hex":
        number, top = int(raw, 16), 1 << 4 * width - 1 if width else 0
        return float(number - 2 * top if negative and width and number >= top else number)
    return float(raw.replace(b",", b"."))
