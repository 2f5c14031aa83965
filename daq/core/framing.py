"""Bytes to lines: bounded, resynchronising, and saying what was thrown away."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Framing:
    """How an instrument marks its lines.

    Attributes:
        terminator: bytes that end a line.
        longest: greatest length of a line in bytes without its terminator; longer ones are thrown away.
        idle_gap_ns: a part of a line older than this is thrown away; 0 for never.
        drop_first: the first line after opening may be a part of one (a stream was joined), so it is dropped.
    """

    terminator: bytes = b"\r\n"
    longest: int = 256
    idle_gap_ns: int = 0
    drop_first: bool = False


@dataclass(slots=True)
class FramingCounters:
    """What the framer saw since it was made."""

    lines: int = 0
    bytes: int = 0
    too_long: int = 0
    idle_cut: int = 0
    first_dropped: int = 0


class Framer:
    """Cuts a byte stream into lines; however the bytes are cut, the lines are the same."""

    __slots__ = ("_buffer", "_last_t", "_skipping", "counters", "spec")

    def __init__(self, spec: Framing) -> None:
        self.spec = spec
        self.counters = FramingCounters()
        self._buffer = b""
        self._skipping = "first" if spec.drop_first else ""
        self._last_t = 0

    def feed(self, t: int, data: bytes) -> list[bytes]:
        """The complete lines in `data`, read at `t` (ns), with what was left of earlier calls."""
        spec, counters = self.spec, self.counters
        counters.bytes += len(data)
        buffer = self._buffer
        if spec.idle_gap_ns and t - self._last_t > spec.idle_gap_ns:
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
        lines = data.split(spec.terminator)
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
            # One pass over lengths; the usual case finds nothing.
            if any(len(line) > longest for line in lines):
                kept = [line for line in lines if len(line) <= longest]
                counters.too_long += len(lines) - len(kept)
                lines = kept
            counters.lines += len(lines)
        if len(rest) > longest + len(spec.terminator):
            # No line can become valid any more: forget it, and skip to the next terminator.  What could be
            # the beginning of a terminator stays.
            if not self._skipping:
                self._skipping = "long"
            rest = rest[-(len(spec.terminator) - 1) :] if len(spec.terminator) > 1 else b""
        self._buffer = rest
        return lines

    @property
    def pending(self) -> int:
        """Bytes of a line that has not ended yet."""
        return len(self._buffer)

    def reset(self) -> None:
        """Forget a part of a line, after a link was lost; counters stay."""
        self._buffer = b""
        self._skipping = "first" if self.spec.drop_first else ""
