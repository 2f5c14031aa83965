"""Bytes to lines: bounded, resynchronising, and saying what was thrown away.

Here is what marks a line and the framer for lines that end with a terminator; those for
frames that end otherwise are in `daq.core.frames`.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Final

from daq.core.errors import DriverError

NEVER: Final = 1 << 62
"""A time (ns) that does not come."""

#: Given bytes from where a frame may begin (at most `longest`): its whole length, 0 where that cannot be known yet,
#: -1 where no frame begins here.  It looks at no byte behind the frame, and what it says of more bytes may differ from
#: what it said of fewer only where that was 0 or more than there were: so it may check a checksum.
Measure = Callable[[bytes], int]


@dataclass(frozen=True, slots=True)
class Framing:
    """How an instrument marks its lines.  They end with a terminator, unless one of the last three says otherwise.

    Attributes:
        terminator: bytes that end a line, or several such.  Where there are several, an empty line is no line: so it
            does not matter whether CR, LF or both come.
        longest: greatest length of a line in bytes without its marks; longer ones are thrown away.
        idle_ns: a part of a line older than this is thrown away; 0 for never.
        drop_first: the first line after opening may be a part of one (a stream was joined), so it is dropped.  Lines
            only; a frame with a length or a measure is found by looking at it.
        begin: bytes a line begins with; what stands before the last of them is thrown away.
        length: number of bytes of every line (without `begin`); 0: they end otherwise.
        silence_ns: a frame ends when nothing came for this long; 0: they end otherwise.
        measure: says from its first bytes how long a frame is; None: they end otherwise.
    """

    terminator: bytes | tuple[bytes, ...] = b"\r\n"
    longest: int = 256
    idle_ns: int = 0
    drop_first: bool = False
    begin: bytes = b""
    length: int = 0
    silence_ns: int = 0
    measure: Measure | None = None

    def __post_init__(self) -> None:
        """Raise `DriverError` for marks that contradict each other."""
        if sum((self.length > 0, self.silence_ns > 0, self.measure is not None)) > 1:
            raise DriverError("a frame ends by its length, by a gap or by its measure: only one of the three")
        if self.longest < 1 or self.length > self.longest:
            raise DriverError(f"longest ({self.longest}) must be at least 1 and at least the length of a frame")
        if self.begin and (self.silence_ns or self.measure is not None):
            raise DriverError(
                "begin is for lines with a terminator or a length; a measure looks at the beginning itself"
            )
        ends = self.ends
        if not ends or not all(ends):
            raise DriverError("a terminator needs at least one byte")
        if any(one in other[:-1] for one in ends for other in ends):
            # Whoever sees the shorter one could not know whether the longer one will follow.
            raise DriverError(f"no terminator may stand inside another: {ends!r}; give the single bytes instead")
        if self.by_terminator and self.begin and any(self.begin in end or end in self.begin for end in ends):
            raise DriverError(f"begin {self.begin!r} and terminator {ends!r} must not hold each other")

    @property
    def ends(self) -> tuple[bytes, ...]:
        """The terminators, the longest first."""
        given = (self.terminator,) if isinstance(self.terminator, bytes) else self.terminator
        return tuple(sorted(given, key=len, reverse=True))

    @property
    def by_terminator(self) -> bool:
        """Whether a line ends with a terminator."""
        return not self.length and not self.silence_ns and self.measure is None


@dataclass(slots=True)
class FramingCounters:
    """What the framer saw since it was made."""

    lines: int = 0
    bytes: int = 0
    too_long: int = 0
    idle_cut: int = 0
    first_dropped: int = 0
    skipped: int = 0
    """Bytes that belonged to no frame, where frames are known by their beginning."""


class Framer:
    """Cuts a byte stream into lines; however the bytes are cut, the lines are the same."""

    __slots__ = ("_buffer", "_end", "_last_t", "_pattern", "_reach", "_skipping", "counters", "spec")

    resynchronises: ClassVar[bool] = True
    """Whether it finds the next frame after a damaged one by itself, however long that claimed to be."""

    def __init__(self, spec: Framing) -> None:
        ends = spec.ends
        self.spec = spec
        self.counters = FramingCounters()
        self._end = ends[0]
        self._reach = len(ends[0])
        self._pattern = re.compile(b"|".join(map(re.escape, ends))) if len(ends) > 1 else None
        self._buffer = b""
        self._skipping = "first" if spec.drop_first else ""
        self._last_t = 0

    def feed(self, t: int, data: bytes) -> list[bytes]:
        """The complete lines in `data`, read at `t` (ns), with what was left of earlier calls."""
        spec, counters = self.spec, self.counters
        counters.bytes += len(data)
        buffer = self._buffer
        if spec.idle_ns and t - self._last_t > spec.idle_ns:
            # What comes after a pause is a new line, also after one that was too long.
            if self._skipping == "long":
                counters.too_long += 1
                self._skipping = ""
            elif buffer:
                counters.idle_cut += 1
            buffer = b""
        if buffer:
            data = buffer + data
        self._last_t = t
        lines = data.split(self._end) if self._pattern is None else self._pattern.split(data)
        rest = lines.pop()
        longest = spec.longest
        if lines:
            if self._skipping:
                if self._skipping == "long":
                    counters.too_long += 1
                else:
                    counters.first_dropped += 1
                self._skipping = ""
                del lines[0]
            if self._pattern is not None:
                lines = [line for line in lines if line]
            # One pass over lengths; the usual case finds nothing.
            if any(len(line) > longest for line in lines):
                kept = [line for line in lines if len(line) <= longest]
                counters.too_long += len(lines) - len(kept)
                lines = kept
            counters.lines += len(lines)
        if len(rest) > longest + self._reach:
            # No line can become valid any more: forget it, and skip to the next terminator.  What could be
            # the beginning of a terminator stays.
            if not self._skipping:
                self._skipping = "long"
            rest = rest[-(self._reach - 1) :] if self._reach > 1 else b""
        self._buffer = rest
        return lines

    @property
    def wake_at(self) -> int:
        """When (ns) a frame is complete if nothing more comes, or `NEVER`."""
        return NEVER

    def tick(self, t: int) -> list[bytes]:  # noqa: ARG002 - framers that end by a gap look at it
        """What is complete at `t` because nothing more came."""
        return []

    @property
    def pending(self) -> int:
        """Bytes of a line that has not ended yet."""
        return len(self._buffer)

    def forget(self) -> None:
        """Forget a part of a line: what comes now is the beginning of another."""
        self._buffer = b""
        if self._skipping == "long":
            self.counters.too_long += 1
            self._skipping = ""

    def reset(self) -> None:
        """Forget a part of a line, after a link was lost; counters stay."""
        self._buffer = b""
        self._skipping = "first" if self.spec.drop_first else ""
