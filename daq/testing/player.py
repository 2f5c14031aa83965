"""Plays a capture back: answers what was asked as it was answered then, and repeats what came unasked."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from daq.descriptions.capture import Capture

HELD: Final = 4096
"""Bytes of what is not understood that are kept, for a request that comes in pieces."""
SECOND: Final = 1_000_000_000


@dataclass(slots=True)
class Segment:
    """What came after one request, each piece with the time (ns) since the request."""

    pieces: list[tuple[int, bytes]] = field(default_factory=list)

    @property
    def length_ns(self) -> int:
        """Until the last piece."""
        return self.pieces[-1][0] if self.pieces else 0


class CapturePlayer:
    """A `Simulator` that says what was captured.

    A request that was sent in the capture is answered with the pieces that followed it, at the same distance in time;
    where it was sent several times, with each answer in turn.  Whatever came before any request is repeated from its
    beginning when it has come to its end.
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
        """What it answers."""
        return list(self._answers)

    @property
    def streams(self) -> bool:
        """Whether something came unasked."""
        return bool(self._unasked.pieces)

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s); what it said meanwhile."""
        self._now += round(dt_s * 1e9)
        out = b""
        while self._coming and self._coming[0][0] <= self._now:
            due, data = self._coming.pop(0)
            out += data
            if not self._coming and self.streams:
                self._begin_unasked(due)
        return out

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; what is answered comes with `advance`."""
        self._held = (self._held + data)[-HELD:]
        known = [asked for asked in self._answers if self._held.endswith(asked)]
        if known:
            asked = max(known, key=len)
            turn = self._turn.get(asked, 0)
            self._turn[asked] = turn + 1
            segments = self._answers[asked]
            self._held = b""
            answer = [(self._now + max(1, t), d) for t, d in segments[turn % len(segments)].pieces]
            # What is still under way of an earlier answer or of the stream comes first.
            self._coming = sorted([*self._coming, *answer], key=lambda item: item[0]) if self.streams else answer
        return b""

    def due_in_s(self) -> float | None:
        """Seconds until it says something; None where nothing is coming."""
        return max(0.0, (self._coming[0][0] - self._now) / 1e9) if self._coming else None

    def _begin_unasked(self, since: int | None = None) -> None:
        if self._unasked.pieces:
            first = self._unasked.pieces[0][0]
            start = self._now if since is None else since + self._period
            self._coming += [(start + t - first, data) for t, data in self._unasked.pieces]

    def _repeats_after(self, last: int) -> int:
        """How long after its end a stream begins anew: as long as its pieces were usually apart."""
        times = [t for t, _ in self._unasked.pieces]
        gaps = sorted(b - a for a, b in pairwise(times))
        if not gaps:
            return min(max(last, SECOND // 10), SECOND)
        # Pieces of one line come close together; what counts is the pause between lines.
        return max(gaps[len(gaps) // 2], gaps[-1], 1_000_000)
