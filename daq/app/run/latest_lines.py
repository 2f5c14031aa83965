"""The last bytes of an instrument's line in both directions, kept in memory and shown as lines on request."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final, Literal

from daq.core.frames import measure_of
from daq.core.framing import Framing, Measure

MOST_PIECES: Final = 256
"""Number of pieces that are kept; the oldest is dropped."""
MOST_BYTES: Final = 1024
"""Number of bytes that are kept of one piece, its last ones."""
SAME_NS: Final = 1_000_000_000
"""Pieces of one line are received within this time."""
MARGIN: Final = 2
"""Lines that are cut and not shown, because the first piece may begin inside one."""

Way = Literal["<", ">"]


@dataclass(frozen=True, slots=True)
class RawLine:
    """Bytes of one line with its end, or of a piece of it; ``<`` is received, ``>`` is sent; `t` (ns) is its end's."""

    t: int
    way: Way
    data: bytes


class LatestLines:
    """A bounded ring of pieces.  Keeping one costs no more than appending to a list."""

    def __init__(self) -> None:
        """Keep nothing yet."""
        self._pieces: deque[RawLine] = deque(maxlen=MOST_PIECES)

    def add(self, t: int, way: Way, data: bytes) -> None:
        """Keep bytes of time `t` (ns)."""
        if data:
            self._pieces.append(RawLine(t, way, data[-MOST_BYTES:]))

    def lines(self, framing: Framing, count: int) -> list[RawLine]:
        """Return the last `count` lines, the newest last.

        Received pieces are joined and cut as `framing` says, also where the link delivers single bytes.  A pause after
        which the framer discards an unfinished line parts it here, too.
        """
        within_ns = framing.idle_ns or framing.longest_pause_ns or SAME_NS
        split: Callable[[bytes], list[bytes]]
        if framing.silence_ns:
            split, within_ns = _whole, framing.silence_ns
        elif framing.by_terminator:
            split = partial(_lines, framing.ends)
        else:
            split = partial(_frames, measure_of(framing), framing.longest + len(framing.begin))
        pieces, used = [*self._pieces], count + MARGIN
        # Only the newest pieces are cut, as many as are needed: to measure noise takes long.
        while count > 0:
            found = [*_cut(pieces[-used:], split, within_ns)]
            if len(found) >= count + MARGIN or used >= len(pieces):
                return found[-count:]
            used *= 2
        return []


def _cut(pieces: Sequence[RawLine], split: Callable[[bytes], list[bytes]], within_ns: int) -> Iterator[RawLine]:
    """Yield the lines; `split` returns whole lines and the rest behind them, of pieces received `within_ns`."""
    open_line: RawLine | None = None
    for piece in pieces:
        if open_line is not None and (piece.way != "<" or piece.t - open_line.t > within_ns):
            yield open_line
            open_line = None
        if piece.way != "<":
            yield piece
            continue
        data = (open_line.data if open_line is not None else b"") + piece.data
        *whole, rest = split(data)
        yield from (RawLine(piece.t, "<", line) for line in whole)
        open_line = RawLine(piece.t, "<", rest) if rest else None
    if open_line is not None:
        yield open_line


def _whole(data: bytes) -> list[bytes]:
    """Return the bytes as the beginning of a frame, which a silence ends."""
    return [data]


def _lines(ends: tuple[bytes, ...], data: bytes) -> list[bytes]:
    """Return the lines with their ends, and what follows the last end."""
    out: list[bytes] = []
    while True:
        stops = [at + len(end) for end in ends if (at := data.find(end)) >= 0]
        if not stops:
            return [*out, data]
        out.append(data[: min(stops)])
        data = data[min(stops) :]


def _frames(measure: Measure, longest: int, data: bytes) -> list[bytes]:
    """Return the frames and the bytes that belong to none, and the beginning of a frame behind them."""
    out: list[bytes] = []
    done = at = 0
    while at < len(data):
        window = data[at : at + longest]
        size = measure(window)
        if not 0 <= size <= longest or (size == 0 and len(window) == longest):
            at += 1
            continue
        out += [data[done:at]] if at > done else []
        done = at
        if size == 0 or size > len(window):
            break
        at = done = at + size
        out.append(data[at - size : at])
    else:
        return [*out, data[done:], b""] if done < at else [*out, b""]
    return [*out, data[done:]]
