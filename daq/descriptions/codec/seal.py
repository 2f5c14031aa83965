"""Checksum at the end of a line, written and compared: readers, requests, simulation and kit use this one."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from daq.descriptions.codec.checktable import ChecksumTable


@dataclass(frozen=True, slots=True, eq=False)
class Seal:
    """Adds a checksum to a line, and checks and removes it.

    Attributes:
        mark: bytes between the line and its checksum.
        behind: bytes behind the checksum.
        size: number of bytes of the checksum as it is written.
        covers_mark: True where the checksum covers the mark too.
        of: computes the checksum of a line (with the mark where that is covered); -1 where the part that it covers is
            not in the line.
        pattern: regular expression of the end of the line: mark, checksum as a group, text behind it; it closes the
            group of the part that `of` takes.
        value: from the checksum as it is written to its value.
        is_bytes: True where the checksum is written as bytes, which may be equal to any mark.
        big_endian: True where its most significant byte comes first.
        direct: `of` as a function of the bytes from a place on, and that place.
    """

    mark: bytes
    behind: bytes
    size: int
    covers_mark: bool
    of: Callable[[bytes], int]
    pattern: str
    value: Callable[[bytes], int]
    is_bytes: bool
    big_endian: bool
    direct: tuple[Callable[[bytes], int], int]
    _write: Callable[[int], bytes]
    _folded: bool

    @property
    def length(self) -> int:
        """Number of bytes of mark, checksum and the text behind it."""
        return len(self.mark) + self.size + len(self.behind)

    def sealed(self, content: bytes) -> bytes:
        """Return `content` with mark and checksum; one without the covered part is refused when it is read."""
        value = max(0, self.of(content + self.mark if self.covers_mark else content))
        return content + self.mark + self._write(value) + self.behind

    def opened(self, line: bytes) -> bytes | None:
        """Return the line without mark and checksum; None where the mark is not in its place."""
        end = len(line) - self.length
        if end < 0 or line[end : end + len(self.mark)] != self.mark or not line.endswith(self.behind):
            return None
        return line[:end]

    def holds(self, line: bytes, content: bytes) -> bool:
        """Return True where the checksum of `line` fits `content`, which is `line` without mark and checksum."""
        at = len(line) - self.size - len(self.behind)
        written = line[at : at + self.size]
        if self._folded:
            written = written.upper()
        value = self.of(content + self.mark if self.covers_mark else content)
        return value >= 0 and written == self._write(value)

    def content(self, line: bytes) -> bytes | None:
        """Return a line without mark and checksum; None where one of them is absent or wrong."""
        opened = self.opened(line)
        return opened if opened is not None and self.holds(line, opened) else None


def seal_of(table: ChecksumTable, encode: Callable[[str], bytes], begin: bytes) -> Seal:
    """Return the seal of a description; `begin` is the text that the framing removes from a line."""
    kind = table.kind
    mark, behind = encode(table.mark), encode(table.behind)
    size = (table.digits or table.least_digits) if table.is_digits else kind.size
    letters = {"upper": "0-9A-F", "lower": "0-9a-f", "either": "0-9A-Fa-f"}[table.letters]
    inner = {"hex": f"[{letters}]{{{size}}}", "decimal": f"[0-9]{{{size}}}"}.get(table.written, f".{{{size}}}")
    of = _covering(kind.of, table, encode, begin)
    simple = not (table.covers_begin and begin) and not table.after and not table.before
    return Seal(
        mark=mark,
        behind=behind,
        size=size,
        covers_mark=table.covers_mark,
        of=of,
        pattern=(f"{_escaped(mark)})" if table.covers_mark else f"){_escaped(mark)}") + f"({inner}){_escaped(behind)}",
        value=_reader(table),
        is_bytes=not table.is_digits,
        big_endian=table.written == "big_endian",
        direct=(kind.of, table.skip) if simple else (of, 0),
        _write=_writer(table, kind.size),
        _folded=table.written == "hex" and table.letters == "either",
    )


def _escaped(raw: bytes) -> str:
    return re.escape(raw).decode("latin-1")


def _covering(
    of: Callable[[bytes], int], table: ChecksumTable, encode: Callable[[str], bytes], begin: bytes
) -> Callable[[bytes], int]:
    """Return the function of a whole line that computes the checksum of the part that it covers."""
    head, skip = begin if table.covers_begin else b"", table.skip
    after, before = encode(table.after), encode(table.before)
    if not after and not before:
        if not head:
            return of if not skip else lambda data: of(data[skip:])
        return lambda data: of(head + data[skip:])

    def part(data: bytes) -> int:
        start, end = skip, len(data)
        if after:
            at = data.find(after)
            if at < 0:
                return -1
            start = at if table.covers_after else at + len(after)
        if before:
            at = data.rfind(before, start)
            if at < 0:
                return -1
            end = at + len(before) if table.covers_before else at
        return of(head + data[start:end])

    return part


def _reader(table: ChecksumTable) -> Callable[[bytes], int]:
    if table.written == "big_endian":
        return partial(int.from_bytes, byteorder="big")
    if table.written == "little_endian":
        return partial(int.from_bytes, byteorder="little")
    if table.written == "decimal":
        return int
    if table.low_first:
        return lambda digits: int.from_bytes(bytes.fromhex(digits.decode("ascii")), "little")
    return partial(int, base=16)


def _writer(table: ChecksumTable, size: int) -> Callable[[int], bytes]:
    if table.written == "big_endian":
        return lambda value: value.to_bytes(size, "big")
    if table.written == "little_endian":
        return lambda value: value.to_bytes(size, "little")
    digits = table.digits or table.least_digits
    if table.written == "decimal":
        return lambda value: b"%0*d" % (digits, value)
    swap = (lambda value: int.from_bytes(value.to_bytes(size, "little"), "big")) if table.low_first else int
    if table.letters == "lower":
        return lambda value: b"%0*x" % (digits, swap(value))
    return lambda value: b"%0*X" % (digits, swap(value))


__all__ = ["Seal", "seal_of"]
