"""The checksum at the end of a line, as a description says it is written."""

from collections.abc import Callable
from dataclasses import dataclass

from daq.core.checksums import CHECKSUMS
from daq.descriptions.model import ChecksumTable
from daq.descriptions.patterns import escaped


@dataclass(frozen=True, slots=True)
class Seal:
    """Puts a checksum on a line and takes it off.

    Attributes:
        mark: bytes between the line and its checksum.
        size: bytes of the checksum as it is written.
        of: the checksum of a line (with the mark where that is covered).
        usual: the regular expression of the checksum as digits; "" where it is written as bytes.
    """

    mark: bytes
    size: int
    covers_mark: bool
    of: Callable[[bytes], int]
    usual: str
    base: int
    _write: Callable[[int], bytes]
    _folded: bool

    def sealed(self, body: bytes) -> bytes:
        """`body` with mark and checksum."""
        return body + self.mark + self._write(self.of(body + self.mark if self.covers_mark else body))

    def opened(self, line: bytes) -> bytes | None:
        """The line without mark and checksum; None where it does not end with the mark and a checksum."""
        end = len(line) - self.size - len(self.mark)
        if end < 0 or line[end : end + len(self.mark)] != self.mark:
            return None
        return line[:end]

    def holds(self, line: bytes, body: bytes) -> bool:
        """Whether the checksum of `line`, opened to `body`, is right."""
        said = line[-self.size :]
        if self._folded:
            said = said.upper()
        return said == self._write(self.of(body + self.mark if self.covers_mark else body))


def seal_of(table: ChecksumTable, mark: bytes, begin: bytes) -> Seal:
    """The seal a description asks for; `begin` is the text the framing takes off a line."""
    kind = CHECKSUMS[table.name]
    before, skip = begin if table.covers_begin else b"", table.skip
    of = kind.of if not before and not skip else lambda data: kind.of(before + data[skip:])
    size, write = kind.size, _writer(table, kind.size)
    if table.is_digits:
        size = table.digits or table.least_digits
    letters = {"upper": "0-9A-F", "lower": "0-9a-f", "either": "0-9A-Fa-f"}[table.letters]
    usual = {"hex": f"([{letters}]{{{size}}})", "decimal": f"([0-9]{{{size}}})"}.get(table.written, "")
    return Seal(
        mark=mark,
        size=size,
        covers_mark=table.covers_mark,
        of=of,
        usual=(f"{escaped(mark)})" if table.covers_mark else f"){escaped(mark)}") + usual if usual else "",
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
