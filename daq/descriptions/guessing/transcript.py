"""From a capture to lines: how they end, which answer what, whether readings come unasked."""

import re
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from daq.core.errors import SettingError
from daq.descriptions.capture import Capture

SECOND: Final = 1_000_000_000
LEAST_BYTES: Final = 4
SOON: Final = 5
"""Among so many lines after a request is its answer."""
ENVELOPE: Final = re.compile(rb"([\x01\x02])[^\x01\x02\x03]*\x03([\x01\x02\x03]|[^\x01\x02\x03]{0,4})(?=\1|$)")
"""STX or SOH, text, ETX, and the checksum behind it."""
CONTROL: Final = (b"\r\n", b"\n\r", b"\n", b"\r", b"\x03", b"\x00")


@dataclass(frozen=True, slots=True)
class Heard:
    """One line that came, when it was complete (ns), and the request before it (with its end) or None."""

    t: int
    text: bytes
    asked: bytes | None
    took_ns: int = 0
    """From the request to here."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that came at `t` (ns), the request before them, and when that was sent."""

    t: int
    data: bytes
    asked: bytes | None
    sent_t: int


@dataclass(slots=True)
class Lines:
    """What a capture holds, cut into lines.

    Attributes:
        ends: what ends a line; empty where lines have a fixed `length` or end with a `silence_ns`.
        length: bytes of every line; 0 where it differs.
        silence_ns: a quiet time that ends a line; 0 where something else does.
        echo: the instrument sends every request back first.
        sends_end: what ended the requests; None where none was sent.
        streams: readings come unasked.
        heard: the lines in order.
        enveloped: they stand between STX and ETX, with a checksum behind.
        began: the first line was the rest of one.
    """

    ends: tuple[bytes, ...] = ()
    length: int = 0
    silence_ns: int = 0
    echo: bool = False
    sends_end: bytes | None = None
    streams: bool = False
    heard: list[Heard] = field(default_factory=list)
    enveloped: bool = False
    began: bool = False

    def answers(self, request: bytes) -> list[bytes]:
        """Lines that came after a request, until the next one."""
        return [h.text for h in self.heard if h.asked == request]

    def slowest_ns(self, request: bytes) -> int:
        """The longest time (ns) until an answer was complete."""
        return max((h.took_ns for h in self.heard if h.asked == request), default=0)

    @property
    def requests(self) -> list[bytes]:
        """Requests that something came after, in the order of their first time."""
        return list(dict.fromkeys(h.asked for h in self.heard if h.asked is not None))


def cut_lines(capture: Capture, file: str) -> Lines:
    """The lines of a capture.

    Raises:
        SettingError: it holds too little, or bytes that are no text.
    """
    received = capture.received
    if len(received) < LEAST_BYTES:
        raise SettingError(
            "hardly anything came from the instrument in this capture; capture again, for longer or with --send",
            file=file,
        )
    lines = Lines(sends_end=_common_end(capture.sent))
    lines.echo = _echoes(capture)
    lines.enveloped = _enveloped(received)
    lines.ends = () if lines.enveloped else _ends(received)
    chunks = _chunks(capture, echo=lines.echo)
    if not lines.ends:
        _without_ends(lines, chunks)
    _cut(lines, chunks)
    lines.streams = _streams(lines, capture)
    if lines.streams:
        _part_answers_from_stream(lines, capture)
        if lines.ends:
            _drop_first(lines)
    return lines


def _common_end(sent: Sequence[bytes]) -> bytes | None:
    for end in CONTROL:
        if sent and all(s.endswith(end) for s in sent):
            return end
    return b"" if sent else None


def _echoes(capture: Capture) -> bool:
    """Whether at least four in five requests came back at once."""
    came = seen = 0
    asked, got = b"", b""
    for piece in [*capture.pieces, None]:
        if piece is None or piece.way == ">":
            if asked:
                seen += 1
                came += len(got) > len(asked) and got.startswith(asked)
            asked, got = (piece.data, b"") if piece is not None else (b"", b"")
        elif piece.way == "<":
            got += piece.data
    return seen >= 2 and came * 5 >= seen * 4


def _enveloped(received: bytes) -> bool:
    """Whether a checksum stands between each ETX and the next STX: then a line does not end with ETX."""
    behind = [text for _, text in ENVELOPE.findall(received)]
    if len(behind) < 2 or len(behind) * 5 < 4 * received.count(b"\x03"):
        return False
    # A checksum may happen to be a line end, but not each of them; where all are, that is what ends the lines.
    return all(behind) and not all(text.endswith((b"\r", b"\n")) for text in behind)


def _ends(received: bytes) -> tuple[bytes, ...]:
    cr, lf, both = received.count(b"\r"), received.count(b"\n"), received.count(b"\r\n")
    if both and both * 10 >= 9 * max(cr, lf):
        return (b"\r\n",)
    if received.count(b"\n\r") * 10 >= 9 * max(cr, lf, 1):
        return (b"\n\r",)
    if cr and lf and min(cr, lf) * 5 >= max(cr, lf):
        return (b"\r", b"\n")
    if lf or cr:
        return (b"\n",) if lf >= cr else (b"\r",)
    for end in (b"\x03", b"\x00", b";"):
        if received.count(end) >= 3 and len(received) / received.count(end) > 3:
            return (end,)
    return ()


def _chunks(capture: Capture, *, echo: bool) -> list[Chunk]:
    """Time, bytes and the request before them; echoes taken out."""
    out: list[Chunk] = []
    asked: bytes | None = None
    skip, sent_t = b"", 0
    for piece in capture.pieces:
        if piece.way == ">":
            asked, sent_t = piece.data, piece.t
            skip = asked if echo else b""
        elif piece.way == "<":
            data = piece.data
            while skip and data and data[0] == skip[0]:
                data, skip = data[1:], skip[1:]
            if data:
                out.append(Chunk(piece.t, data, asked, sent_t))
    return out


def _without_ends(lines: Lines, chunks: Sequence[Chunk]) -> None:
    """A fixed length, or a gap, where nothing marks the end."""
    gaps = [b.t - a.t for a, b in pairwise(chunks)]
    if not gaps:
        lines.silence_ns = SECOND // 50
        return
    long = [g for g in gaps if g * 4 > max(gaps)]
    short = [g for g in gaps if g * 4 <= max(gaps)]
    lines.silence_ns = max(2_000_000, min(SECOND // 20, (max(short, default=0) + min(long)) // 2))
    blocks: list[int] = [len(chunks[0].data)]
    for gap, chunk in zip(gaps, chunks[1:], strict=True):
        if gap > lines.silence_ns:
            blocks.append(0)
        blocks[-1] += len(chunk.data)
    usual, count = Counter(blocks).most_common(1)[0]
    if count * 10 >= 9 * len(blocks) and len(blocks) >= 3 and not lines.enveloped:
        lines.length, lines.silence_ns = usual, 0


def _cut(lines: Lines, chunks: Sequence[Chunk]) -> None:
    buffer, last_t = b"", 0
    before: Chunk | None = None

    def keep(t: int, text: bytes, chunk: Chunk | None) -> None:
        if chunk is None or (not text and len(lines.ends) > 1):
            return
        lines.heard.append(Heard(t, text, chunk.asked, t - chunk.sent_t))

    for chunk in chunks:
        t = chunk.t
        if lines.silence_ns and buffer and t - last_t > lines.silence_ns:
            keep(last_t, buffer, before)
            buffer = b""
        before = chunk
        buffer, last_t = buffer + chunk.data, t
        if lines.length:
            while len(buffer) >= lines.length:
                keep(t, buffer[: lines.length], chunk)
                buffer = buffer[lines.length :]
            continue
        while lines.ends:
            found = [(at, end) for end in lines.ends if (at := buffer.find(end)) >= 0]
            if not found:
                break
            at, end = min(found)
            keep(t, buffer[:at], chunk)
            buffer = buffer[at + len(end) :]
    if lines.silence_ns and buffer:
        keep(last_t, buffer, before)


def _streams(lines: Lines, capture: Capture) -> bool:
    if not capture.sent:
        return True
    if any(h.asked is None for h in lines.heard[:-1]):
        return True
    per_request = Counter(h.asked for h in lines.heard)
    times_sent = Counter(capture.sent)
    return any(n > 3 * times_sent[asked] for asked, n in per_request.items() if asked is not None)


def _part_answers_from_stream(lines: Lines, capture: Capture) -> None:
    """An answer comes soon after its request, and lines of its shape no more often than it was asked for."""
    shapes = Counter(shape(h.text) for h in lines.heard)
    times_sent = Counter(capture.sent)
    since: Counter[bytes] = Counter()
    before: bytes | None = None
    for i, h in enumerate(lines.heard):
        if h.asked is None:
            continue
        since[h.asked] = since[h.asked] + 1 if h.asked == before else 1
        before = h.asked
        if since[h.asked] > SOON or shapes[shape(h.text)] > times_sent[h.asked]:
            lines.heard[i] = Heard(h.t, h.text, None)


def shape(text: bytes) -> bytes:
    """A line in which numbers do not matter."""
    return re.sub(rb"\d+", b"9", text)


def _drop_first(lines: Lines) -> None:
    """Leave the first line out where it is the rest of one: shorter than all others, and the end of nothing known."""
    if len(lines.heard) < 4:
        return
    first, rest = lines.heard[0].text, [len(h.text) for h in lines.heard[1:]]
    if len(first) < min(rest):
        lines.began = True
        del lines.heard[0]


def interval_of(times: Sequence[int]) -> int:
    """The usual time (ns) between readings, to a round number; 1 s where that cannot be told."""
    gaps = [b - a for a, b in pairwise(times) if b > a]
    if not gaps:
        return SECOND
    usual = statistics.median(gaps)
    for step in (10_000_000, 50_000_000, 100_000_000, 500_000_000):
        if usual < 12 * step:
            return max(step, round(usual / step) * step)
    return round(usual / SECOND) * SECOND
