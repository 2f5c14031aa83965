"""Find the checksum at the end of lines: try every checksum of `daq.core.checksums` in every usual place."""

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from daq.core.checksums import CHECKSUMS

Written = Literal["hex", "decimal", "big_endian", "little_endian"]
Letters = Literal["upper", "lower"]
SKIPS: Final = (0, 1, 2)
"""Numbers of bytes at the beginning that the checksum may leave out; often it leaves out the first character."""
ENOUGH_BITS: Final = 12.0
"""Least evidence for a checksum, bits beyond coincidence; each alternative that is tried reduces the evidence."""
SURE_BITS: Final = 26.0
"""Evidence from which coincidence is excluded, bits."""
USUAL_MARKS: Final = "*#!"
FEW_LINES: Final = 6
"""Number of different lines below which a checksum may remain unidentified by chance."""
MOST_FRAMES: Final = 200
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

    @property
    def sure(self) -> bool:
        """True where coincidence is excluded."""
        return self.bits >= SURE_BITS and not self.rivals

    def __str__(self) -> str:
        how = f"{self.digits} {'hexadecimal' if self.written == 'hex' else 'decimal'} digits"
        if self.written in ("big_endian", "little_endian"):
            how = f"{CHECKSUMS[self.name].size} bytes, {self.written}"
        where = f" after {self.mark!r}" if self.mark else " at the end"
        return f"{self.name}, {how}{where}" + (f", without the first {self.skip} bytes" if self.skip else "")

    def tail(self, content: bytes) -> bytes:
        """Return mark and checksum of `content`."""
        mark = self.mark.encode("latin-1")
        covered = (content + mark if self.covers_mark else content)[self.skip :]
        value = CHECKSUMS[self.name].of(covered)
        if self.written == "hex":
            text = f"{value:0{self.digits}X}"[-self.digits :]
            return mark + (text if self.letters == "upper" else text.lower()).encode("ascii")
        if self.written == "decimal":
            return mark + f"{value:0{self.digits}d}".encode("ascii")
        order: Literal["big", "little"] = "big" if self.written == "big_endian" else "little"
        return mark + value.to_bytes(CHECKSUMS[self.name].size, order)

    @property
    def tail_length(self) -> int:
        """Number of bytes of mark and checksum."""
        return len(self.mark) + (self.digits if self.written in ("hex", "decimal") else CHECKSUMS[self.name].size)

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
    different = list(dict.fromkeys(f for f in frames if len(f) > 2))[:MOST_FRAMES]
    if len(different) < 2:
        return None
    best: FoundChecksum | None = None
    fitting: list[FoundChecksum] = []
    ways = list(_ways(different[0], different[-1]))
    for way in ways:
        wrong = sum(not way.fits(f) for f in different)
        right = len(different) - wrong
        if right < 2 or wrong > len(different) // 10:
            continue
        per_line = min(8.0 * CHECKSUMS[way.name].size, 4.0 * way.digits if way.written == "hex" else 64.0)
        bits = right * per_line - math.log2(len(ways)) - 4.0 * wrong
        if bits < enough_bits:
            continue
        found = replace(way, bits=bits, wrong=wrong)
        fitting.append(found)
        if best is None or bits > best.bits:
            best = found
    if best is None:
        return None
    rivals = [str(f) for f in fitting if f.bits >= best.bits and not _same(f, best, different[0])]
    return replace(best, rivals=tuple(dict.fromkeys(rivals)))


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
    letters = any(c.isalpha() for end in ends for c in end)
    if not (letters or mark in USUAL_MARKS) or len(set(ends)) * 2 <= len(different):
        return None
    return Tail(mark, digits, len(different))


def _ways(first: bytes, last: bytes) -> Iterator[FoundChecksum]:
    """Yield all alternatives, simple ones first."""
    for name, kind in CHECKSUMS.items():
        digits = 2 * kind.size
        decimal = len(str((1 << 8 * kind.size) - 1))
        for skip in SKIPS:
            for size, written in ((digits, "hex"), (decimal, "decimal")):
                for mark in dict.fromkeys(("", _mark(first, size), _mark(last, size))):
                    for covers in (False, True) if mark else (False,):
                        for letters in ("upper", "lower") if written == "hex" else ("upper",):
                            yield FoundChecksum(name, written, letters, size, mark, covers, skip)  # type: ignore[arg-type]
            yield FoundChecksum(name, "big_endian", "upper", 0, "", False, skip)
            if kind.size > 1:
                yield FoundChecksum(name, "little_endian", "upper", 0, "", False, skip)


def _mark(frame: bytes, size: int) -> str:
    """Return the character before the last `size` ones, or "" where it cannot be a mark."""
    found = frame[-size - 1 : -size].decode("latin-1")
    return "" if found.isalnum() else found
