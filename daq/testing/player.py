"""Replay a capture as a simulator: the same answers to the same requests, and the unasked bytes repeated."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from daq.descriptions.capture import Capture

HELD: Final = 4096
"""Greatest number of unrecognised bytes that are kept, for a request that arrives in pieces."""
SECOND: Final = 1_000_000_000


@dataclass(slots=True)
class Segment:
    """Bytes received after one request, each piece with the time (ns) since the request."""

    pieces: list[tuple[int, bytes]] = field(default_factory=list)

    @property
    def length_ns(self) -> int:
        """Time from the request to the last piece, ns."""
        return self.pieces[-1][0] if self.pieces else 0


class CapturePlayer:
    """A `Simulator` that sends the bytes of a capture.

    A request of the capture is answered with the pieces after it, with the same delays.  A request that occurs several
    times gets each of its answers in turn.  The bytes before the first request are repeated.
    """

    def __init__(self, capture: Capture) -> None:
        self._unasked = Segment()
        self._answers: dict[bytes, list[Segment]] = {}
        self._turn: dict[bytes, int] = {}
        segment, start, last = self._unasked, 0, 0
        for piece in capture.pieces:
            if piece.way == ">":
                segment, start = Segment(), piece.t
                self._answers.setdefault(piece.data, []).append(segment)
            elif piece.way == "<":
                segment.pieces.append((piece.t - start, piece.data))
            last = piece.t
        self._period = self._repeats_after(last)
        self._now = 0
        self._held = b""
        self._coming: list[tuple[int, bytes]] = []
        self._begin_unasked()

    @property
    def requests(self) -> list[bytes]:
        """Requests that it answers."""
        return list(self._answers)

    @property
    def streams(self) -> bool:
        """True where bytes came unasked."""
        return bool(self._unasked.pieces)

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes sent meanwhile."""
        self._now += round(dt_s * 1e9)
        out = b""
        while self._coming and self._coming[0][0] <= self._now:
            due, data = self._coming.pop(0)
            out += data
            if not self._coming and self.streams:
                self._begin_unasked(due)
        return out

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; the answer is returned by `advance`."""
        self._held = (self._held + data)[-HELD:]
        matching = [asked for asked in self._answers if self._held.endswith(asked)]
        if matching:
            asked = max(matching, key=len)
            turn = self._turn.get(asked, 0)
            self._turn[asked] = turn + 1
            segments = self._answers[asked]
            self._held = b""
            answer = [(self._now + max(1, t), d) for t, d in segments[turn % len(segments)].pieces]
            # Bytes of an earlier answer or of the stream that are still under way come first.
            self._coming = sorted([*self._coming, *answer], key=lambda item: item[0]) if self.streams else answer
        return b""

    def due_in_s(self) -> float | None:
        """Return the time to the next byte, s; None where there is none."""
        return max(0.0, (self._coming[0][0] - self._now) / 1e9) if self._coming else None

    def _begin_unasked(self, since: int | None = None) -> None:
        if self._unasked.pieces:
            first = self._unasked.pieces[0][0]
            start = self._now if since is None else since + self._period
            self._coming += [(start + t - first, data) for t, data in self._unasked.pieces]

    def _repeats_after(self, last: int) -> int:
        """Return the pause before a stream is repeated, ns: about the time between its lines."""
        times = [t for t, _ in self._unasked.pieces]
        pauses = sorted(b - a for a, b in pairwise(times))
        if not pauses:
            return min(max(last, SECOND // 10), SECOND)
        # Pieces of one line follow each other closely; the pause between lines counts.
        return max(pauses[len(pauses) // 2], pauses[-1], 1_000_000)
