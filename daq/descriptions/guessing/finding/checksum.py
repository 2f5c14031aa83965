"""Find the checksum at the end of lines: try every checksum of the catalogue in every usual place."""

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

from daq.descriptions.guessing.finding.catalogue import ALGORITHMS, Algorithm

Written = Literal["hex", "decimal", "big_endian", "little_endian"]
Letters = Literal["upper", "lower"]
SKIPS: Final = (0, 1, 2)
"""Numbers of bytes at the beginning that the checksum may leave out; often it leaves out the first character."""
ENOUGH_BITS: Final = 12.0
"""Least evidence for a checksum, bits beyond coincidence; each alternative that is tried reduces the evidence."""
SURE_BITS: Final = 26.0
"""Evidence from which coincidence is excluded, bits."""
LETTERS: Final[tuple[Letters, ...]] = ("upper", "lower")
USUAL_MARKS: Final = "*#!"
FEW_LINES: Final = 6
"""Number of different lines below which a checksum may remain unidentified by chance."""
MOST_FRAMES: Final = 100
"""Greatest number of different lines that are used."""


@dataclass(frozen=True, slots=True)
class FoundChecksum:
    """A checksum at the end of every line, with the keys of a description file.

    Attributes:
        bits: evidence of the lines for it beyond coincidence (log2).
        wrong: number of lines that do not fit it: damaged ones, or lines without a checksum.
    """

    name: str
    written: Written
    letters: Letters
    digits: int
    mark: str
    covers_mark: bool
    skip: int
    bits: float = 0.0
    wrong: int = 0
    rivals: tuple[str, ...] = ()
    """Other checksums that fit the same lines as well, as text."""
    others: tuple["FoundChecksum", ...] = ()
    """The same, as checksums."""

    lines: int = 0
    """Number of different lines that fit it."""
    values: int = 0
    """Number of different checksums among them: a checksum that hardly changes is little evidence."""

    @property
    def kind(self) -> Algorithm:
        """The kind of checksum."""
        return ALGORITHMS[self.name]

    @property
    def sure(self) -> bool:
        """True where coincidence is excluded."""
        return self.bits >= SURE_BITS and not self.rivals

    def __str__(self) -> str:
        how = f"{self.digits} {'hexadecimal' if self.written == 'hex' else 'decimal'} digits"
        if self.written in ("big_endian", "little_endian"):
            how = f"{self.kind.size} bytes, {self.written}"
        where = f" after {self.mark!r}" if self.mark else " at the end"
        return f"{self.name}, {how}{where}" + (f", without the first {self.skip} bytes" if self.skip else "")

    def tail(self, content: bytes) -> bytes:
        """Return mark and checksum of `content`."""
        mark = self.mark.encode("latin-1")
        covered = (content + mark if self.covers_mark else content)[self.skip :]
        value = self.kind.checksum.of(covered)
        if self.written == "hex":
            text = f"{value:0{self.digits}X}"[-self.digits :]
            return mark + (text if self.letters == "upper" else text.lower()).encode("ascii")
        if self.written == "decimal":
            return mark + f"{value:0{self.digits}d}".encode("ascii")
        order: Literal["big", "little"] = "big" if self.written == "big_endian" else "little"
        return mark + value.to_bytes(self.kind.size, order)

    @property
    def needed(self) -> int:
        """Number of different lines that prove it."""
        missing = max(0.0, SURE_BITS - self.bits)
        return self.lines + max(1, math.ceil(missing / self.kind.bits)) if not self.sure else self.lines

    @property
    def tail_length(self) -> int:
        """Number of bytes of mark and checksum."""
        return len(self.mark) + (self.digits if self.written in ("hex", "decimal") else self.kind.size)

    def content(self, frame: bytes) -> bytes:
        """Return a line without mark and checksum."""
        return frame[: max(0, len(frame) - self.tail_length)]

    def fits(self, frame: bytes) -> bool:
        """Return True where a line has this checksum."""
        content = self.content(frame)
        return len(content) > self.skip and frame == content + self.tail(content)

    def seal(self, frame: bytes) -> bytes:
        """Return a line with its checksum corrected."""
        content = self.content(frame)
        return content + self.tail(content)


def find_checksum(frames: Sequence[bytes], *, enough_bits: float = ENOUGH_BITS) -> FoundChecksum | None:
    """Return the checksum of at least nine in ten of the different lines; None where none is likely."""
    different = tuple(dict.fromkeys(f for f in frames if len(f) > 2))[:MOST_FRAMES]
    return None if len(different) < 2 else _found(different, enough_bits)


@lru_cache(maxsize=4)  # the same lines are searched again after each answer of a person
def _found(different: tuple[bytes, ...], enough_bits: float) -> FoundChecksum | None:
    best: FoundChecksum | None = None
    fitting: list[FoundChecksum] = []
    places = [place for place in _places(different) if _is_written(place, different)]
    tried = sum(map(len, (place.algorithms for place in places))) * len(SKIPS)
    for place in places:
        for way in _fitting(place, different):
            bits = min(way.lines, 2 * way.values) * way.kind.bits - math.log2(max(2, tried)) - 4.0 * way.wrong
            if bits < enough_bits:
                continue
            found = replace(way, bits=bits)
            fitting.append(found)
            if best is None or bits > best.bits:
                best = found
    if best is None:
        return None
    rivals = [f for f in fitting if f.bits >= best.bits and not _same(f, best, different[0])]
    unlike = {str(f): f for f in rivals if str(f) != str(best)}
    return replace(best, rivals=tuple(unlike), others=tuple(unlike.values()))


@dataclass(frozen=True, slots=True)
class _Place:
    """One way to write a checksum at the end of lines, and the kinds that have this size."""

    written: Written
    letters: Letters
    digits: int
    size: int
    """Number of bytes of the checksum as it is written."""
    mark: str
    covers_mark: bool
    algorithms: tuple[str, ...]

    def value(self, frame: bytes) -> int:
        """Return the checksum that is written in a line; -1 where none is."""
        mark, raw = self.mark.encode("latin-1"), frame[-self.size :]
        if len(frame) <= self.size + len(mark) or not frame[: -self.size].endswith(mark):
            return -1
        if self.written == "hex":
            allowed = b"0123456789ABCDEF" if self.letters == "upper" else b"0123456789abcdef"
            return -1 if raw.strip(allowed) else int(raw, 16)
        if self.written == "decimal":
            return int(raw) if raw.isdigit() else -1
        return int.from_bytes(raw, "big" if self.written == "big_endian" else "little")


def _is_written(place: _Place, frames: Sequence[bytes]) -> bool:
    """Return True where nine in ten lines end as the place says."""
    return sum(place.value(f) < 0 for f in frames) <= len(frames) // 10


def _fitting(place: _Place, frames: Sequence[bytes]) -> Iterator[FoundChecksum]:
    """Yield the checksums in one place that nine in ten lines have."""
    values = [place.value(f) for f in frames]
    end = -place.size - len(place.mark)
    contents = [f[: -place.size] if place.covers_mark else f[:end] for f in frames]
    most = len(frames) // 10
    for skip in SKIPS:
        if any(len(f) + end <= skip for f in frames):
            continue
        covered = [content[skip:] for content in contents]
        for name in place.algorithms:
            of, wrong = ALGORITHMS[name].checksum.of, 0
            for value, content in zip(values, covered, strict=True):
                wrong += value < 0 or of(content) != value
                if wrong > most:
                    break
            right = len(frames) - wrong
            if wrong <= most and right >= 2:
                yield FoundChecksum(
                    name, place.written, place.letters, place.digits, place.mark, place.covers_mark, skip,
                    wrong=wrong, lines=right, values=min(right, len(set(values))),
                )  # fmt: skip


def _same(one: FoundChecksum, other: FoundChecksum, frame: bytes) -> bool:
    """Return True where two checksums agree on any line: those of eight fixed lines without a pattern are compared."""
    alphabet = bytes(sorted({*frame, *b"0123456789.-"}))
    size = len(alphabet)
    contents = [
        bytes(alphabet[(row * row * 31 + at * at * 7 + row * at * 13) % size] for at in range(len(frame) + row))
        for row in range(8)
    ]
    head = frame[: max(one.skip, other.skip)]
    return all(one.tail(head + c) == other.tail(head + c) for c in contents)


@dataclass(frozen=True, slots=True)
class Tail:
    """End of every line that looks like a checksum and is none of the known ones: a mark and hexadecimal digits."""

    mark: str
    digits: int
    different: int
    """Number of different lines that have it."""

    @property
    def length(self) -> int:
        """Number of characters of mark and digits."""
        return len(self.mark) + self.digits

    def ends(self, text: str) -> bool:
        """Return True where a line ends with it."""
        return _tail_of(text) == (self.mark, self.digits)


_TAIL: Final = re.compile(r"[^A-Za-z0-9.,+\s-]((?:[0-9A-F]{2}){1,4}|(?:[0-9a-f]{2}){1,4})")


def _tail_of(text: str) -> tuple[str, int] | None:
    found = re.search(_TAIL.pattern + r"\Z", text)
    return None if found is None else (found[0][0], len(found[1]))


def unknown_tail(frames: Sequence[bytes]) -> Tail | None:
    """Return the end of all lines that looks like a checksum; None where there is none.

    Nine in ten lines end with a mark and the same number of hexadecimal digits, which differ where the text before them
    does; some have a letter, unless the mark is a usual one of checksums.
    """
    different = [frame.decode("latin-1") for frame in dict.fromkeys(f for f in frames if len(f) > 2)]
    tails = Counter(found for text in different if (found := _tail_of(text)) is not None)
    if not tails:
        return None
    (mark, digits), count = tails.most_common(1)[0]
    if count * 10 < 9 * len(different):
        return None
    ends = [text[-digits:] for text in different]
    letters, usual, distinct = any(c.isalpha() for end in ends for c in end), mark in USUAL_MARKS, len(set(ends))
    if not (letters or usual) or (distinct * 2 <= len(different) and not (usual and letters and distinct > 1)):
        return None
    return Tail(mark, digits, len(different))


def _places(frames: Sequence[bytes]) -> Iterator[_Place]:
    """Yield all places and forms of a checksum, simple ones first."""
    sizes: dict[tuple[Written, int], list[str]] = {}
    for name, kind in ALGORITHMS.items():
        sizes.setdefault(("decimal", kind.decimals), []).append(name)
        if kind.values & (kind.values - 1):
            continue  # a sum modulo 100 is written in decimal digits
        sizes.setdefault(("hex", 2 * kind.size), []).append(name)
        sizes.setdefault(("big_endian", kind.size), []).append(name)
        if kind.size > 1:
            sizes.setdefault(("little_endian", kind.size), []).append(name)
    for (written, size), names in sizes.items():
        digits = size if written in ("hex", "decimal") else 0
        mark = _mark(frames, size)
        for covers in (False, True) if mark else (False,):
            for letters in LETTERS if written == "hex" else LETTERS[:1]:
                yield _Place(written, letters, digits, size, mark, covers, tuple(names))


def _mark(frames: Sequence[bytes], size: int) -> str:
    """Return the character before the last `size` ones of nine in ten lines; "" where it cannot be a mark."""
    before = Counter(frame[-size - 1 : -size].decode("latin-1") for frame in frames)
    found, count = before.most_common(1)[0]
    return "" if found.isalnum() or count * 10 < 9 * len(frames) else found
