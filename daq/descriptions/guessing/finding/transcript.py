"""Split a capture into lines: their ends, the request that each answers, and whether readings come unasked."""

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
"""Greatest number of lines after a request among which its answer is."""
ENVELOPE: Final = re.compile(rb"([\x01\x02])[^\x01\x02\x03]*\x03([\x01\x02\x03]|[^\x01\x02\x03]{0,4})(?=\1|$)")
"""STX or SOH, text, ETX, and the checksum after it."""
CONTROL: Final = (b"\r\n", b"\n\r", b"\n", b"\r", b"\x03", b"\x00")


@dataclass(frozen=True, slots=True)
class ReceivedLine:
    """One line received: time of its end (ns), text, and the request before it (with its end) or None."""

    t: int
    text: bytes
    asked: bytes | None
    took_ns: int = 0
    """Time from the request to the end of the line, ns."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes received at `t` (ns), the request before them, and the time it was sent (ns)."""

    t: int
    data: bytes
    asked: bytes | None
    sent_t: int


@dataclass(slots=True)
class Lines:
    """The lines of a capture.

    Attributes:
        ends: line ends; empty where lines have a fixed `length` or end with a silence.
        length: bytes of every line; 0 where it varies.
        silence_ns: silence that ends a line, ns; 0 where lines end otherwise.
        echo: True where the instrument sends every request back first.
        sends_end: end of the requests; None where none was sent.
        streams: True where readings come unasked.
        received: the lines in order.
        inside_ns: longest time between two pieces of one line, ns.
        enveloped: True where lines are between STX and ETX, with a checksum after ETX.
    """

    ends: tuple[bytes, ...] = ()
    length: int = 0
    silence_ns: int = 0
    echo: bool = False
    sends_end: bytes | None = None
    streams: bool = False
    received: list[ReceivedLine] = field(default_factory=list)
    inside_ns: int = 0
    enveloped: bool = False
    begin: bytes = b""
    """STX, where the check behind ETX is followed by a line end; the lines are then without STX."""

    def answers(self, request: bytes) -> list[bytes]:
        """Return the lines after a request, until the next request."""
        return [h.text for h in self.received if h.asked == request]

    def slowest_ns(self, request: bytes) -> int:
        """Return the longest time from a request to the end of its answer, ns."""
        return max((h.took_ns for h in self.received if h.asked == request), default=0)

    @property
    def requests(self) -> list[bytes]:
        """Requests that were answered, in the order of their first occurrence."""
        return list(dict.fromkeys(h.asked for h in self.received if h.asked is not None))


def cut_lines(capture: Capture, file: str) -> Lines:
    """Split a capture into lines.

    Raises:
        SettingError: the capture has too few bytes from the instrument.
    """
    received = capture.received
    if len(received) < LEAST_BYTES:
        raise SettingError(
            "the capture has almost no bytes from the instrument; capture again, for longer or with --send",
            file=file,
        )
    lines = Lines(sends_end=_common_end(capture.sent))
    lines.echo = _echoes(capture)
    lines.enveloped = _enveloped(received)
    chunks = _chunks(capture, echo=lines.echo)
    lines.ends = () if lines.enveloped else _ends(b"".join(chunk.data for chunk in chunks))
    if len(lines.ends) == 1:
        lines.ends = (lines.ends[0] + _prompt(chunks, lines.ends[0]),)
    if not lines.enveloped and (size := _check_before_end(received)):
        lines.begin, lines.ends = b"\x02", (b"\r\n",)
        _cut_sealed(lines, chunks, size)
        lines.streams = _streams(lines, capture)
        if lines.streams:
            _part_answers_from_stream(lines, capture)
        return lines
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
    """Return True where at least four in five requests were echoed."""
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
    """Return True where there is a checksum between each ETX and the next STX; a line does not end with ETX then."""
    behind = [text for _, text in ENVELOPE.findall(received)]
    if len(behind) < 2 or len(behind) * 5 < 4 * received.count(b"\x03"):
        return False
    # One checksum may look like a line end; where all of them do, they are line ends.
    return all(behind) and not all(text.endswith((b"\r", b"\n")) for text in behind)


def _check_before_end(received: bytes) -> int:
    """Return the number of bytes between ETX and CR LF where they are a checksum in bytes; 0 where there is none."""
    best = 0
    for size in (1, 2, 4):
        frame = re.compile(rb"\x02[^\x02\x03]{2,}\x03.{%d}\r\n" % size, re.DOTALL)
        frames = frame.findall(received)
        checks = {one[-2 - size : -2] for one in frames}
        odd = any(byte < 0x20 or byte > 0x7E for check in checks for byte in check) or (size == 1 and len(checks) > 2)
        if len(frames) >= 3 and odd and sum(map(len, frames)) * 10 >= 8 * len(received):
            best = best or size
    return best


def _cut_sealed(lines: Lines, chunks: Sequence[Chunk], size: int) -> None:
    """Cut lines of STX, text, ETX, `size` bytes, CR LF; STX and CR LF are left out. Other lines end with CR LF."""
    sealed = re.compile(rb"\x02([^\x02\x03]*\x03.{%d})\r\n" % size, re.DOTALL)
    buffer = b""
    before: Chunk | None = None
    for chunk in chunks:
        buffer = buffer + chunk.data if before is not None and before.asked == chunk.asked else chunk.data
        before = chunk
        while (found := sealed.search(buffer)) is not None:
            took = chunk.t - chunk.sent_t if chunk.asked is not None else 0
            lines.received.append(ReceivedLine(chunk.t, found[1], chunk.asked, took))
            buffer = buffer[found.end() :]


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


def _prompt(chunks: Sequence[Chunk], end: bytes) -> bytes:
    """Return the prompt behind the line end of every answer, such as ``>``; b"" where there is none.

    As the beginning of the next line it would make two kinds of lines, one with it and one without.
    """
    answers: dict[tuple[bytes, int], bytes] = {}
    for chunk in chunks:
        if chunk.asked is None:
            return b""
        answers[chunk.asked, chunk.sent_t] = answers.get((chunk.asked, chunk.sent_t), b"") + chunk.data
    # The capture may stop before the prompt of the last answer; any other line without one would swallow the next line.
    *whole, last = answers.values() or (b"",)
    prompts = {answer.rpartition(end)[2] for answer in whole}
    if len(whole) < 2 or len(prompts) != 1 or last.count(end) > 1 or any(answer.count(end) != 1 for answer in whole):
        return b""
    (prompt,) = prompts
    return prompt if re.fullmatch(rb"[!-/:-@\[-`{-~]{1,3} ?", prompt) else b""


def _chunks(capture: Capture, *, echo: bool) -> list[Chunk]:
    """Return time, bytes and the request before them, without echoes."""
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
    """Find a fixed length or a silence, where no byte marks the end of a line."""
    pauses = [b.t - a.t for a, b in pairwise(chunks)]
    if not pauses:
        lines.silence_ns = SECOND // 50
        return
    long = [g for g in pauses if g * 4 > max(pauses)]
    short = [g for g in pauses if g * 4 <= max(pauses)]
    lines.silence_ns = max(2_000_000, min(SECOND // 20, (max(short, default=0) + min(long)) // 2))
    blocks: list[int] = [len(chunks[0].data)]
    for pause, chunk in zip(pauses, chunks[1:], strict=True):
        if pause > lines.silence_ns:
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
        lines.received.append(ReceivedLine(t, text, chunk.asked, t - chunk.sent_t))

    for chunk in chunks:
        t = chunk.t
        if lines.silence_ns and buffer and t - last_t > lines.silence_ns:
            keep(last_t, buffer, before)
            buffer = b""
        if buffer and before is not None and before.sent_t == chunk.sent_t:
            lines.inside_ns = max(lines.inside_ns, t - last_t)
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
    if any(h.asked is None for h in lines.received[:-1]):
        return True
    per_request = Counter(h.asked for h in lines.received)
    # The lines of one answer come without a pause.
    later = Counter(b.asked for a, b in pairwise(lines.received) if b.asked == a.asked and b.t - a.t > SECOND // 10)
    times_sent = Counter(capture.sent)
    return any(
        n > 3 * times_sent[asked] and (later[asked] > times_sent[asked] or n > 16 * times_sent[asked])
        for asked, n in per_request.items()
        if asked is not None
    )


def _part_answers_from_stream(lines: Lines, capture: Capture) -> None:
    """Take back the request of lines that belong to the stream.

    Where one text follows nearly every sending of a request and hardly comes otherwise, it is the answer. Otherwise an
    answer is among the first lines after its request, and its shape is not more frequent than the request.
    """
    shapes = Counter(shape_of(h.text) for h in lines.received)
    texts = Counter(h.text for h in lines.received)
    times_sent = Counter(capture.sent)
    constant: dict[bytes, bytes] = {}
    for request, times in times_sent.items():
        near = Counter(h.text for h in lines.received if h.asked == request)
        usual, count = near.most_common(1)[0] if near else (b"", 0)
        if times > 1 and count * 5 >= 4 * times and texts[usual] * 5 <= 6 * times:
            constant[request] = usual
    since: Counter[int] = Counter()
    for i, h in enumerate(lines.received):
        if h.asked is None:
            continue
        since[h.t - h.took_ns] += 1
        late = since[h.t - h.took_ns] > SOON or shapes[shape_of(h.text)] > times_sent[h.asked]
        if h.text != constant[h.asked] if h.asked in constant else late:
            lines.received[i] = ReceivedLine(h.t, h.text, None)


def shape_of(text: bytes) -> bytes:
    """Return a line with 9 in the place of its numbers, signs and blanks."""
    return re.sub(rb"[0-9+., -]+", b"9", text)


def _drop_first(lines: Lines) -> None:
    """Remove the first line where it is shorter than all others, because it is incomplete then."""
    if len(lines.received) < 4:
        return
    first, rest = lines.received[0].text, [len(h.text) for h in lines.received[1:]]
    if len(first) < min(rest):
        del lines.received[0]


def interval_of(times: Sequence[int]) -> int:
    """Return the median time between readings (ns), rounded; 1 s where there is only one reading."""
    pauses = [b - a for a, b in pairwise(times) if b > a]
    if not pauses:
        return SECOND
    usual = statistics.median(pauses)
    for step in (10_000_000, 50_000_000, 100_000_000, 500_000_000):
        if usual < 12 * step:
            return max(step, round(usual / step) * step)
    return round(usual / SECOND) * SECOND
