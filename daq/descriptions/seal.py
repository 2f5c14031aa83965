"""Checksum at the end of a line: write it, remove it and compare it."""

from collections.abc import Callable
from dataclasses import dataclass

from daq.core.checksums import CHECKSUMS
from daq.descriptions.model import ChecksumTable
from daq.descriptions.patterns import escaped


@dataclass(frozen=True, slots=True)
class Seal:
    """Adds a checksum to a line, and checks and removes it.

    Attributes:
        mark: bytes between the line and its checksum.
        size: number of bytes of the checksum as it is written.
        covers_mark: True where the checksum covers the mark too.
        of: computes the checksum of a line (with the mark where that is covered).
        pattern: regular expression of mark and checksum as digits; "" where the checksum is written as bytes.
        base: base of the digits, 16 or 10.
    """

    mark: bytes
    size: int
    covers_mark: bool
    of: Callable[[bytes], int]
    pattern: str
    base: int
    _write: Callable[[int], bytes]
    _folded: bool

    def sealed(self, content: bytes) -> bytes:
        """Return `content` with mark and checksum."""
        return content + self.mark + self._write(self.of(content + self.mark if self.covers_mark else content))

    def opened(self, line: bytes) -> bytes | None:
        """Return the line without mark and checksum; None where the mark is not in its place."""
        end = len(line) - self.size - len(self.mark)
        if end < 0 or line[end : end + len(self.mark)] != self.mark:
            return None
        return line[:end]

    def holds(self, line: bytes, content: bytes) -> bool:
        """Return True where the checksum of `line` fits `content`, which is `line` without mark and checksum."""
        written = line[-self.size :]
        if self._folded:
            written = written.upper()
        return written == self._write(self.of(content + self.mark if self.covers_mark else content))


def seal_of(table: ChecksumTable, mark: bytes, begin: bytes) -> Seal:
    """Return the seal of a description; `begin` is the text that the framing removes from a line."""
    kind = CHECKSUMS[table.name]
    before, skip = begin if table.covers_begin else b"", table.skip
    of = kind.of if not before and not skip else lambda data: kind.of(before + data[skip:])
    size, write = kind.size, _writer(table, kind.size)
    if table.is_digits:
        size = table.digits or table.least_digits
    letters = {"upper": "0-9A-F", "lower": "0-9a-f", "either": "0-9A-Fa-f"}[table.letters]
    digits = {"hex": f"([{letters}]{{{size}}})", "decimal": f"([0-9]{{{size}}})"}.get(table.written, "")
    return Seal(
        mark=mark,
        size=size,
        covers_mark=table.covers_mark,
        of=of,
        pattern=(f"{escaped(mark)})" if table.covers_mark else f"){escaped(mark)}") + digits if digits else "",
        base=16 if table.written == "hex" else 10,
        _write=write,
        _folded=table.written == "hex" and table.letters == "either",
    )


def _writer(table: ChecksumTable, size: int) -> Callable[[int], bytes]:
    if table.written == "big_endian":
        return lambda value: value.to_bytes(size, "big")
    if table.written == "little_endian":
        return lambda value: value.to_bytes(size, "little")
    digits = table.digits or table.least_digits
    if table.written == "decimal":
        return lambda value: b"%0*d" % (digits, value)
    if table.letters == "lower":
        return lambda value: b"%0*x" % (digits, value)
    return lambda value: b"%0*X" % (digits, value)
