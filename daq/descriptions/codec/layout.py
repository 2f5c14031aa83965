"""Frames of bytes: a layout of constants and fields is read, written and measured with `struct`."""

import math
import re
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile
from operator import itemgetter
from typing import Final

from daq.descriptions.numbers import packed, padded_text, size_of, struct_code, unpacker
from daq.descriptions.template import Field, Part, opening_of
from daq.descriptions.types import BINARY, BITS

LARGEST: Final = 1e100
"""Numbers of a frame from here on are refused, so that no scale makes one infinite."""
_UNLISTED: Final = frozenset({"nan", "inf", "-inf"})
_RANGE: Final = re.compile(r"(\d{1,2})(?:-(\d{1,2}))?( signed)?")


@dataclass(frozen=True, slots=True)
class Length:
    """The length in a frame: its type, and the bytes of the frame that it does not count."""

    kind: str
    adds: int

    @property
    def size(self) -> int:
        """Number of bytes of the length itself."""
        return size_of(self.kind, 0)

    def of(self, total: int) -> bytes:
        """Return the length in a frame of `total` bytes.

        Raises:
            ValueError: it does not fit.
        """
        return packed(self.kind, 0, total - self.adds)

    def total(self, raw: bytes) -> int:
        """Return the number of bytes of the frame in which this length is."""
        return int.from_bytes(raw, "little" if self.kind.endswith("le") else "big") + self.adds


@dataclass(frozen=True, slots=True)
class Piece:
    """A field or a constant of a frame at its place; size 0 for a text of any length.

    The length of a frame is a constant, too, where the frame has no text of any length.
    """

    at: int
    size: int
    constant: bytes = b""
    field: Field | None = None


@dataclass(frozen=True, slots=True)
class BitRange:
    """Bits of a whole number, 0 is the lowest one."""

    low: int
    count: int
    signed: bool = False

    def of(self, number: int) -> int:
        """Return the value of the bits."""
        value = number >> self.low & (1 << self.count) - 1
        return value - (1 << self.count) if self.signed and value >> self.count - 1 else value

    def placed(self, value: int) -> int:
        """Return the number in which only these bits are set.

        Raises:
            ValueError: the value does not fit.
        """
        low = -(1 << self.count - 1) if self.signed else 0
        if not low <= value < low + (1 << self.count):
            raise ValueError(f"{value} does not fit in {self.count} bits")
        return (value & (1 << self.count) - 1) << self.low


def bit_range(text: str) -> BitRange:
    """Return the bits of a text such as ``7``, ``6-4``, ``11-0 signed``.

    Raises:
        ValueError: it is none.
    """
    found = _RANGE.fullmatch(text)
    if found is None or int(found[1]) > 63 or int(found[2] or 0) > 63:
        raise ValueError(f"{text!r}: bits are written as '7', '6-4' or '11-0 signed'; 0 is the lowest one")
    ends = sorted((int(found[1]), int(found[2] or found[1])))
    return BitRange(ends[0], ends[1] - ends[0] + 1, bool(found[3]))


def number_bytes(number: float) -> bytes:
    """Return the text of a number of a frame, with which it is decoded like that of a line."""
    return (str(number) if isinstance(number, int) else repr(float(number))).encode("ascii")


class FrameLayout:
    """Layout of one kind of frame, without its checksum.

    Attributes:
        pieces: constants and fields at their places; those after a text of any length count from its end.
        size: number of bytes; the least one where `grows`.
        grows: True where a text has any length.
        opening: constant bytes at the beginning.
    """

    def __init__(self, parts: Sequence[Part], length: Length | None, check_size: int) -> None:
        """Lay out the parts of a template of bytes; `check_size`: bytes of the checksum behind it.

        Raises:
            ValueError: the length does not fit in its field.
        """
        self.length, self.check_size = length, check_size
        self.pieces: list[Piece] = []
        at = 0
        for part in parts:
            if isinstance(part, str):
                piece = Piece(at, len(part), constant=part.encode("latin-1"))
            elif isinstance(part, Field) and is_length(part):
                piece = Piece(at, length.size if length else 1, field=part)
            elif isinstance(part, Field):
                piece = Piece(at, size_of(part.type, part.width), field=part)
            else:
                continue  # an option without a value, in a file that is still being checked
            self.pieces.append(piece)
            at += piece.size
        self.size = at
        self.grows = any(p.field is not None and p.field.type == "ascii" and not p.size for p in self.pieces)
        self.opening = opening_of(parts).encode("latin-1")
        if length is not None and not self.grows:
            whole = length.of(self.size + check_size)
            self.pieces = [Piece(p.at, p.size, whole) if is_length(p.field) else p for p in self.pieces]
        # The places of what follows a text depend on its length.
        self._before = list(takewhile(lambda piece: piece.size, self.pieces))
        self._constants = _constants(self._before)
        self._counted = next((piece for piece in self._before if is_length(piece.field)), None)

    def total(self, window: bytes) -> int:
        """Return the length with checksum of the frame that `window` begins; 0: not known yet, -1: there is none."""
        whole, own = self.size + self.check_size, self._counted
        if not _agree(self._constants, window):
            return -1
        if not self.grows:
            return whole
        if own is None or self.length is None or len(window) < own.at + own.size:
            return 0
        total = self.length.total(window[own.at : own.at + own.size])
        return total if total >= whole else -1

    @property
    def fixed(self) -> dict[int, int]:
        """Constant bytes by their places, up to a text of any length."""
        return {at + i: byte for at, _, constant in self._constants for i, byte in enumerate(constant)}

    def raw(self, content: bytes) -> dict[Field, bytes] | None:
        """Return the bytes of each named field of a frame without checksum; None where it is not of this layout."""
        more = len(content) - self.size
        if more < 0 or (more and not self.grows):
            return None
        pieces = self._moved(more) if self.grows else self.pieces
        if not _agree(_constants(pieces), content):
            return None
        found: dict[Field, bytes] = {}
        for piece in pieces:
            own = content[piece.at : piece.at + piece.size]
            if is_length(piece.field) and self.length and self.length.total(own) != len(content) + self.check_size:
                return None
            if piece.field is not None and piece.field.name:
                found[piece.field] = own
        return found

    def unnamed(self, content: bytes) -> list[tuple[str, bytes]]:
        """Return type and bytes of each field without a name in a frame without checksum; none for its length."""
        pieces = self._moved(len(content) - self.size) if self.grows else self.pieces
        return [
            (piece.field.type, content[piece.at : piece.at + piece.size])
            for piece in pieces
            if piece.field is not None and not piece.field.name and not is_length(piece.field)
        ]

    def _moved(self, more: int) -> list[Piece]:
        """Return the pieces of a frame whose text has `more` bytes."""
        out: list[Piece] = []
        shift = 0
        for piece in self.pieces:
            out.append(Piece(piece.at + shift, piece.size or more, piece.constant, piece.field))
            shift += 0 if piece.size else more
        return out

    def texts(self, content: bytes) -> dict[Field, bytes] | None:
        """Return each named field of a frame as text; None where it is not of this layout or a field is not valid."""
        raw = self.raw(content)
        if raw is None:
            return None
        found: dict[Field, bytes] = {}
        for field, data in raw.items():
            text = _text(field, data)
            if text is None:
                return None
            found[field] = text
        return found

    def written(self, texts: Mapping[Field, str]) -> bytes:
        """Return a frame without checksum; `texts` holds each field as `texts` gives it, missing ones are zero.

        Raises:
            ValueError: a value does not fit.
        """
        out: list[bytes] = []
        for piece in self.pieces:
            field = piece.field
            if field is None or field.type == "any" or is_length(field):
                out.append(piece.constant or bytes(piece.size))
            elif field.type == "ascii":
                text = texts.get(field, "")
                out.append(padded_text(text, piece.size or len(text)).encode("latin-1"))
            else:
                out.append(packed(field.type, field.width, float(texts.get(field, "0"))))
        if self.length is not None:
            total = sum(map(len, out)) + self.check_size
            counted = self.length.of(total)
            out = [counted if is_length(p.field) else o for p, o in zip(self.pieces, out, strict=True)]
        return b"".join(out)

    # ---- fast reading

    def pattern(self, good: Mapping[Field, Sequence[bytes]]) -> str | None:
        """Return the regular expression of frames whose fields in `good` have one of these bytes; None if it grows."""
        if self.grows:
            return None
        out = ""
        for piece in self.pieces:
            if piece.field is None:
                out += re.escape(piece.constant).decode("latin-1")
            elif piece.field in good:
                out += _one_of(good[piece.field])
            else:
                out += f".{{{piece.size}}}"
        return out

    def unpacker(self, fields: Sequence[Field]) -> Callable[[bytes], Sequence[float]] | None:
        """Return the function from a whole frame to the numbers of `fields`, in their order.

        None where the frame grows or a field has decimal digits.
        """
        if self.grows or any(f.type in ("bcd", "ascii") for f in fields):
            return None
        places = {p.field: p for p in self.pieces if p.field in fields}
        kinds = [struct_code(f.type, f.width) for f in fields]
        if any(code.endswith("s") for _, code in kinds):
            readers = [(places[f].at, places[f].at + places[f].size, unpacker(f.type, f.width)) for f in fields]
            return lambda frame: [read(frame[a:b]) or 0 for a, b, read in readers]
        orders = list(dict.fromkeys(order for order, _ in kinds if order)) or [">"]
        groups = [[f for f, (o, _) in zip(fields, kinds, strict=True) if (o or orders[0]) == order] for order in orders]
        reads = [
            self._struct(order, sorted(own, key=lambda f: places[f].at))
            for order, own in zip(orders, groups, strict=True)
        ]
        inside = [f for own in groups for f in sorted(own, key=lambda f: places[f].at)]
        if len(reads) == 1:
            (read,) = reads
            if inside == list(fields):
                return read
            order = itemgetter(*[inside.index(f) for f in fields])
            return lambda frame: order(read(frame))
        order = itemgetter(*[inside.index(f) for f in fields])
        first, second = reads
        return lambda frame: order(first(frame) + second(frame))

    def _struct(self, order: str, fields: Sequence[Field]) -> Callable[[bytes], tuple[float, ...]]:
        """Return the function that unpacks fields of one order of bytes, in their order in a whole frame."""
        form, at = order, 0
        for piece in self.pieces:
            if piece.field in fields and piece.field is not None:
                form += f"{piece.at - at}x" + struct_code(piece.field.type, piece.field.width)[1]
                at = piece.at + piece.size
        return struct.Struct(form + f"{self.size + self.check_size - at}x").unpack


def is_length(field: Part | None) -> bool:
    """Return True where a part is the length of its frame."""
    return isinstance(field, Field) and field.type == "length"


Constants = list[tuple[int, int, bytes]]
"""First place, place behind it, and bytes of each constant."""


def _constants(pieces: Sequence[Piece]) -> Constants:
    return [(piece.at, piece.at + piece.size, piece.constant) for piece in pieces if piece.constant]


def _agree(constants: Constants, data: bytes) -> bool:
    """Return True where all constants are in `data`, as far as it reaches."""
    for first, stop, constant in constants:
        own = data[first:stop]
        if own != constant and not constant.startswith(own):
            return False
    return True


def _one_of(values: Sequence[bytes]) -> str:
    """Return the regular expression of one of these values."""
    if values and all(len(value) == 1 for value in values):
        return "[" + "".join(f"\\x{value[0]:02x}" for value in values) + "]"
    return f"(?>{'|'.join(re.escape(value).decode('latin-1') for value in values) or '(?!)'})"


def _text(field: Field, data: bytes) -> bytes | None:
    """Return the bytes of a field as text; None where they are not valid."""
    if field.type == "ascii":
        text = data.rstrip(b" \x00").lstrip(b" ")
        return text if all(0x20 <= b < 0x7F for b in text) else None
    number = unpacker(field.type, field.width)(data)
    if number is None or (math.isfinite(number) and abs(number) >= LARGEST):
        return None
    return number_bytes(number)


__all__ = ["BINARY", "BITS", "BitRange", "FrameLayout", "Length", "Piece", "bit_range", "is_length", "number_bytes"]
