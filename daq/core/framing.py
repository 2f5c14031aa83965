"""Cut bytes into lines: with a bounded buffer, with resynchronisation after garbage, and with counters.

This module holds the marks of a line (`Framing`) and the framer for lines that end with a terminator.  The framers
for other frames are in `daq.core.frames`.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Final

from daq.core.errors import DriverError

CUT: Final = "cut"
"""Bytes are skipped because a pause was too long."""
UNANSWERED: Final = "unanswered"
"""Bytes are skipped, also after the next request, because the answer to one was not complete in time."""
NEVER: Final = 1 << 62
"""A time (ns) that is never reached."""

#: Function from the bytes at which a frame may start (at most `longest`) to the length of the frame: 0 where it cannot
#: be known yet, -1 where no frame starts.  It uses no byte after the frame.  With more bytes its result may change only
#: where it was 0 or greater than the number of bytes given: so it may test a checksum.
Measure = Callable[[bytes], int]


@dataclass(frozen=True, slots=True)
class Framing:
    """Marks of the lines of an instrument.  A line ends with a terminator, unless one of the last three is given.

    Attributes:
        terminator: bytes that end a line, or a tuple of alternatives.  With alternatives an empty line is ignored, so
            that CR, LF and CR LF have the same effect.
        longest: greatest length of a line in bytes without its marks; a longer line is discarded.
        idle_ns: an incomplete line is discarded when no byte arrives for this time, and the next byte starts a line; 0
            for never.  Only for lines whose beginning is recognised, because bytes may also come late.
        longest_pause_ns: a line with a longer pause inside it was cut off: it is discarded with everything up to the
            next end of a line, or, for frames without an end, up to the next such pause; 0 for never.
        drop_first: whether the first line after opening is dropped, because a stream may be received from the middle
            of a line.  For lines only: the start of a frame with a length or a measure is recognised.
        begin: bytes with which a line starts; bytes before the last begin mark are discarded.
        length: number of bytes of every line (without `begin`); 0 where lines have no fixed length.
        silence_ns: a frame ends when no byte arrives for this time; 0 where frames do not end by a silence.
        measure: function that gives the length of a frame from its first bytes; None where there is none.
    """

    terminator: bytes | tuple[bytes, ...] = b"\r\n"
    longest: int = 256
    idle_ns: int = 0
    drop_first: bool = False
    begin: bytes = b""
    length: int = 0
    silence_ns: int = 0
    measure: Measure | None = None
    longest_pause_ns: int = 0

    def __post_init__(self) -> None:
        """Raise `DriverError` for marks that contradict each other."""
        if sum((self.length > 0, self.silence_ns > 0, self.measure is not None)) > 1:
            raise DriverError("a frame ends by its length, by a silence or by its measure: give only one of the three")
        if self.longest < 1 or self.length > self.longest:
            raise DriverError(f"longest ({self.longest}) must be at least 1 and at least the length of a frame")
        if self.begin and (self.silence_ns or self.measure is not None):
            raise DriverError(
                "begin is for lines with a terminator or a length; a measure tests the first bytes itself"
            )
        if self.longest_pause_ns and (self.idle_ns or self.silence_ns or (self.begin and self.by_terminator)):
            raise DriverError("longest_pause is for lines without begin, silence and idle")
        ends = self.ends
        if not ends or not all(ends):
            raise DriverError("a terminator needs at least one byte")
        if any(one in other[:-1] for one in ends for other in ends):
            # After the shorter terminator the longer one may follow: the lines would depend on how the bytes arrive.
            raise DriverError(f"no terminator may be inside another: {ends!r}; give the single bytes instead")
        if self.by_terminator and self.begin and any(self.begin in end or end in self.begin for end in ends):
            raise DriverError(f"begin {self.begin!r} and terminator {ends!r} must not contain each other")

    @property
    def ends(self) -> tuple[bytes, ...]:
        """Terminators, the longest first."""
        given = (self.terminator,) if isinstance(self.terminator, bytes) else self.terminator
        return tuple(sorted(given, key=len, reverse=True))

    @property
    def by_terminator(self) -> bool:
        """True if a line ends with a terminator."""
        return not self.length and not self.silence_ns and self.measure is None


@dataclass(slots=True)
class FramingCounters:
    """Counters of a framer since it was made."""

    lines: int = 0
    bytes: int = 0
    too_long: int = 0
    idle_cut: int = 0
    cut_off: int = 0
    """Lines that were cut off: `Framing.longest_pause_ns`."""
    first_dropped: int = 0
    skipped: int = 0
    """Bytes that belong to no frame, where frames are recognised by their start."""


class Framer:
    """Framer of lines that end with a terminator.  The lines do not depend on how the bytes are cut."""

    __slots__ = ("_buffer", "_end", "_last_t", "_pattern", "_pause_ns", "_reach", "_skipping", "counters", "spec")

    resynchronises: ClassVar[bool] = True
    """True if the framer finds the next frame after a damaged one by itself, also where the damaged length is wrong."""

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
        self._pause_ns = spec.idle_ns or spec.longest_pause_ns

    @property
    def starts_anew(self) -> bool:
        """True if an incomplete frame is discarded before a request."""
        return not self.resynchronises or self.spec.longest_pause_ns > 0

    def feed(self, t: int, data: bytes) -> list[bytes]:
        """Return the lines that `data`, read at `t` (ns), completes; earlier bytes are in the buffer."""
        spec, counters = self.spec, self.counters
        counters.bytes += len(data)
        buffer = self._buffer
        if self._pause_ns and t - self._last_t > self._pause_ns:
            buffer = self._after_pause(buffer)
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
                elif self._skipping == "first":
                    counters.first_dropped += 1
                self._skipping = ""
                del lines[0]
            if self._pattern is not None:
                lines = [line for line in lines if line]
            # One pass over the lengths is enough in the usual case, where no line is too long.
            if any(len(line) > longest for line in lines):
                kept = [line for line in lines if len(line) <= longest]
                counters.too_long += len(lines) - len(kept)
                lines = kept
            counters.lines += len(lines)
        if len(rest) > longest + self._reach:
            # The line is too long: discard it up to the next terminator.  Bytes that may be the start of a
            # terminator stay in the buffer.
            if not self._skipping:
                self._skipping = "long"
            rest = rest[-(self._reach - 1) :] if self._reach > 1 else b""
        self._buffer = rest
        return lines

    def _after_pause(self, buffer: bytes) -> bytes:
        """Return what stays of an incomplete line after a pause that is too long inside a line."""
        counters = self.counters
        if self.spec.idle_ns:
            # Bytes after a pause start a new line, also after a line that was too long.
            if self._skipping == "long":
                counters.too_long += 1
                self._skipping = ""
            elif buffer:
                counters.idle_cut += 1
            return b""
        if not buffer or self._skipping:
            return buffer
        # The rest was lost, and the next line follows, or it comes late: what follows up to the next end is no line.
        # Bytes that may be the start of a terminator stay.
        counters.cut_off += 1
        self._skipping = CUT
        return buffer[-(self._reach - 1) :] if self._reach > 1 else b""

    @property
    def wake_at(self) -> int:
        """Time (ns) at which a frame is complete if no byte arrives, or `NEVER`."""
        return NEVER

    def tick(self, t: int) -> list[bytes]:  # noqa: ARG002 - used by framers whose frames end by a silence
        """Return the frames that a silence has ended at `t` (ns)."""
        return []

    @property
    def pending(self) -> int:
        """Number of bytes of an incomplete line."""
        return len(self._buffer)

    def forget(self) -> None:
        """Discard an incomplete line: the next byte starts a new one, except after `unanswered`."""
        self._buffer = b""
        if self._skipping == "long":
            self.counters.too_long += 1
            self._skipping = ""
        elif self._skipping == CUT:
            self._skipping = ""

    def unanswered(self) -> None:
        """Note that the answer to a request did not come in time: the rest of an incomplete line may still come."""
        if self.spec.longest_pause_ns and self._skipping in ("", CUT) and (self._buffer or self._skipping):
            self.counters.cut_off += not self._skipping
            self._skipping = UNANSWERED

    def reset(self) -> None:
        """Discard an incomplete line, after a link was lost; the counters stay."""
        self._buffer = b""
        self._skipping = "first" if self.spec.drop_first else ""
