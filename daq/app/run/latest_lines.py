"""The last bytes of an instrument's line in both directions, kept in memory and shown as lines on request."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.framing import Framing

MOST_PIECES: Final = 256
"""Number of pieces that are kept; the oldest is dropped."""
MOST_BYTES: Final = 1024
"""Number of bytes that are kept of one piece, its last ones."""
SAME_NS: Final = 1_000_000_000
"""Pieces of one line are received within this time."""

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

        Received pieces are joined and cut at the ends of `framing`; other framings show the pieces as they came.
        """
        found = list(self._cut(framing.ends) if framing.by_terminator else self._pieces)
        return found[-count:] if count > 0 else []

    def _cut(self, ends: tuple[bytes, ...]) -> Iterator[RawLine]:
        open_line: RawLine | None = None
        for piece in self._pieces:
            if open_line is not None and (piece.way != "<" or piece.t - open_line.t > SAME_NS):
                yield open_line
                open_line = None
            if piece.way != "<":
                yield piece
                continue
            data = (open_line.data if open_line is not None else b"") + piece.data
            *whole, rest = _split(data, ends)
            yield from (RawLine(piece.t, "<", line) for line in whole)
            open_line = RawLine(piece.t, "<", rest) if rest else None
        if open_line is not None:
            yield open_line


def _split(data: bytes, ends: tuple[bytes, ...]) -> list[bytes]:
    """Return the lines with their ends, and what follows the last end."""
    out: list[bytes] = []
    while True:
        stops = [at + len(end) for end in ends if (at := data.find(end)) >= 0]
        if not stops:
            return [*out, data]
        out.append(data[: min(stops)])
        data = data[min(stops) :]
