"""Framers for frames that do not only end with a terminator: a begin mark, a length, a measure, a silence."""

import re
from typing import ClassVar

from daq.core.framing import CUT, NEVER, UNANSWERED, Framer, Framing, Measure


def make_framer(spec: Framing) -> Framer:
    """Return the framer for `spec`."""
    if spec.silence_ns:
        return SilenceFramer(spec)
    if spec.length or spec.measure is not None:
        return MeasuredFramer(spec)
    return MarkedFramer(spec) if spec.begin else Framer(spec)


class MarkedFramer(Framer):
    """Framer of lines with a begin mark and a terminator, returned without both.

    A begin mark inside a line discards the line before it, which was cut off.
    """

    __slots__ = ("_limit", "_marks")

    def __init__(self, spec: Framing) -> None:
        super().__init__(spec)
        self._skipping = ""  # `drop_first` is not needed: a line received from its middle has no begin mark
        self._marks = re.compile(b"|".join(map(re.escape, (spec.begin, *spec.ends))))
        self._limit = len(spec.begin) + spec.longest + self._reach

    def feed(self, t: int, data: bytes) -> list[bytes]:  # noqa: PLR0915 - runs for every chunk of bytes: calls would cost more than the loop
        """Return the lines that `data`, read at `t` (ns), completes; earlier bytes are in the buffer."""
        spec, counters = self.spec, self.counters
        counters.bytes += len(data)
        if spec.idle_ns and t - self._last_t > spec.idle_ns and self._buffer:
            counters.idle_cut += self._buffer.startswith(spec.begin)
            self._buffer = b""
        self._last_t = t
        data = self._buffer + data
        begin, size, limit = spec.begin, len(spec.begin), self._limit
        lines: list[bytes] = []
        done = at = 0  # bytes before `done` are processed; the search goes on at `at`
        start = -1  # start of the present line; -1 outside a line
        while True:
            if start < 0:
                at = data.find(begin, at)
                if at < 0:
                    break
                counters.skipped += at - done
                done = start = at
                at += size
                continue
            mark = self._marks.search(data, at)
            if mark is None:
                break
            at = mark.end()
            if mark.group() == begin:
                # The line was cut off.  Received byte by byte, it would already be counted as too long.
                counters.too_long += at - start > limit
                counters.skipped += mark.start() - done
                done = start = mark.start()
                continue
            line = data[start + size : mark.start()]
            if len(line) > spec.longest:
                counters.too_long += 1
                counters.skipped += at - done
            else:
                lines.append(line)
            done, start = at, -1
        rest = data[done:]
        if start >= 0 and len(rest) > limit:
            counters.too_long += 1
            start = -1
        if start < 0:
            kept = _beginning_of(begin, rest)
            counters.skipped += len(rest) - kept
            rest = rest[len(rest) - kept :]
        self._buffer = rest
        counters.lines += len(lines)
        return lines

    def reset(self) -> None:
        """Discard an incomplete line, after a link was lost; the counters stay."""
        self._buffer = b""


class MeasuredFramer(Framer):
    """Framer of frames with a fixed length or a length given by their first bytes.

    A byte at which no frame starts is skipped.
    """

    __slots__ = ("_cut", "_measure", "_window")

    resynchronises: ClassVar[bool] = False

    def __init__(self, spec: Framing) -> None:
        super().__init__(spec)
        self._measure = measure_of(spec)
        self._skipping = ""  # `drop_first` is for lines
        self._cut = len(spec.begin)
        self._window = spec.longest + len(spec.begin)

    def feed(self, t: int, data: bytes) -> list[bytes]:
        """Return the frames that `data`, read at `t` (ns), completes; earlier bytes are in the buffer."""
        counters, window = self.counters, self._window
        counters.bytes += len(data)
        if self.spec.idle_ns and t - self._last_t > self.spec.idle_ns and self._buffer:
            counters.idle_cut += 1
            self._buffer = b""
        elif self.spec.longest_pause_ns and t - self._last_t > self.spec.longest_pause_ns:
            if self._buffer or self._skipping == UNANSWERED:
                counters.cut_off += not self._skipping
                self._skipping = CUT
                counters.skipped += len(self._buffer)
                self._buffer = b""
            else:
                self._skipping = ""
        self._last_t = t
        if self._skipping:
            # No byte shows where the next frame starts: it is the one behind a pause.
            counters.skipped += len(data)
            return []
        data = self._buffer + data
        frames: list[bytes] = []
        at, end = 0, len(data)
        while at < end:
            there = min(end - at, window)
            length = self._measure(data[at : at + there])
            if 0 < length <= there:
                frames.append(data[at + self._cut : at + length])
                at += length
            elif length < 0 or length > window or (length == 0 and there == window):
                counters.skipped += 1
                at += 1
            else:
                break
        self._buffer = data[at:]
        counters.lines += len(frames)
        return frames

    def reset(self) -> None:
        """Discard an incomplete frame; the counters stay."""
        self._buffer, self._skipping = b"", ""


class SilenceFramer(Framer):
    """Framer of frames that end when no byte arrives for `Framing.silence_ns`."""

    __slots__ = ()

    def feed(self, t: int, data: bytes) -> list[bytes]:
        """Return the frame that was complete before `data` was read at `t` (ns)."""
        done = self.tick(t) if t > self.wake_at else []
        if not data:
            return done  # no byte arrived, so the silence is not interrupted
        self.counters.bytes += len(data)
        self._last_t = t
        self._buffer += data
        if len(self._buffer) > self.spec.longest:
            self._skipping = self._skipping or "long"
            self._buffer = self._buffer[: self.spec.longest]  # not empty, so that the end of the frame is detected
        return done

    @property
    def wake_at(self) -> int:
        """Time (ns) at which the present frame is complete if no byte arrives, or `NEVER`."""
        return self._last_t + self.spec.silence_ns if self._buffer else NEVER

    def tick(self, t: int) -> list[bytes]:
        """Return the frame that is complete at `t` (ns), if any."""
        if t < self.wake_at:
            return []
        frame, self._buffer = self._buffer, b""
        skipped, self._skipping = self._skipping, ""
        if skipped == "long":
            self.counters.too_long += 1
        elif skipped:
            self.counters.first_dropped += 1
        else:
            self.counters.lines += 1
            return [frame]
        return []


def measure_of(spec: Framing) -> Measure:
    """Return the measure of frames with a measure or a fixed length, their begin mark included."""
    if spec.measure is not None:
        return spec.measure
    begin, length = spec.begin, spec.length
    total = len(begin) + length

    def measure(window: bytes) -> int:
        if window.startswith(begin):
            return total
        return 0 if begin.startswith(window) else -1

    return measure


def _beginning_of(mark: bytes, data: bytes) -> int:
    """Return the number of bytes at the end of `data` that may be the start of `mark`."""
    for size in range(min(len(mark) - 1, len(data)), 0, -1):
        if data.endswith(mark[:size]):
            return size
    return 0
