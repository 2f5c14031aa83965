"""Make the beginning of a description from frames of bytes: their fixed bytes, length and checksum.

The quantities in a frame are for a person: the bytes of a number do not tell its type, scale or unit.  The file is
refused until they are filled in, so that no number is read by a guess.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Final

from daq.descriptions.capture import Capture
from daq.descriptions.guessing.finding.bytevalues import fits, noted_frames, remarks
from daq.descriptions.guessing.finding.checksum import FoundChecksum, find_checksum
from daq.descriptions.guessing.finding.textbytes import strange
from daq.descriptions.guessing.questions import Answers
from daq.descriptions.guessing.remarks import SECOND, fill_in, quoted, seconds, time
from daq.descriptions.guessing.write import checksum, head, pause_key, pause_of, port, stream, unnamed_channel

PAUSE_NS: Final = 30_000_000
"""Pause between two pieces that belong to different frames of a stream, ns."""
LEAST_FRAMES: Final = 3
SHOWN: Final = 4
"""Greatest number of frames of a kind that are shown."""
LENGTHS: Final = (("u8", 1, "big"), ("u16be", 2, "big"), ("u16le", 2, "little"))


@dataclass(frozen=True, slots=True)
class Heard:
    """A frame, the time of its first byte (ns) and the request that it answers; None for an unasked one."""

    t: int
    data: bytes
    asked: bytes | None


@dataclass(frozen=True, slots=True)
class FoundLength:
    """The length in frames: its type, its place, and the bytes of the frame that it does not count."""

    kind: str
    at: int
    size: int
    adds: int


def guess_frames(kind: str, capture: Capture, file: str, ask: Answers) -> tuple[str, list[str]] | None:
    """Return the beginning of a description and the findings; None for a capture of text, or of no frames alike."""
    heard, echo = _heard(capture)
    begins = Counter(data[:2] for data in dict.fromkeys(one.data for one in heard))
    usual = begins.most_common(1)[0][0] if begins else b""
    frames = [one for one in heard if one.data[:2] == usual]
    different = list(dict.fromkeys(one.data for one in frames))
    strangers = sum(strange([data.translate(None, b"\r\n")]) > 0 for data in different)
    if len(different) < LEAST_FRAMES or 3 * strangers < len(different):
        return None
    begin = bytes(a[0] for a in takewhile(lambda column: len(set(column)) == 1, zip(*different, strict=False)))
    found = _without_mark(find_checksum(different), different)
    if len(begin) < 2 and (found is None or not begin):
        return None
    length = _length(different)
    requests = list(dict.fromkeys(one.asked for one in frames if one.asked is not None))
    sealed = found is not None and bool(requests) and all(map(found.fits, requests))
    counts = Counter(capture.sent)
    varying = [r for r in requests if len({one.data for one in frames if one.asked == r}) > 1]
    poll = [r for r in varying if 2 * counts[r] >= max(counts[one] for one in varying)]
    longest = max(map(len, different))
    parts = [
        head(kind, file, ".", identified=[]),
        port(capture.about.get("settings", ""), ask, echo=echo),
        [
            "[framing]",
            f"longest = {max(20, 2 * longest)}  # the longest in the capture had {longest} bytes",
            # Without a checksum a frame that was cut off would be completed with bytes of the next one.
            *([pause_key(pause_of([one.t for one in frames], PAUSE_NS))] if found is None and not poll else []),
        ],
        [] if length is None else ["[frame]", f"length = {quoted(length.kind)}", f"adds = {length.adds}"],
        _checksum(found, sealed=sealed),
        unnamed_channel(),
        _timing(poll, frames),
    ]
    for number, request in enumerate(poll, 1):
        content = found.content(request) if sealed and found is not None else request
        own = _hexadecimal(content)
        parts.append([f"[request.{_name(number, poll)}]", f"bytes = {quoted(own)}", 'timeout = "1 s"'])
    shown: list[str] = []
    for number, asked in enumerate(poll or [None], 1):
        own_frames = [one for one in frames if one.asked == asked]
        seen = _shown(own_frames, capture.shown, found)
        shown += seen
        parts.append(_line(_name(number, poll), [one.data for one in own_frames], length, found, seen))
    others = dict.fromkeys(one.asked for one in heard if one.asked is not None and one.asked not in poll)
    parts += [_remark(request, [one.data for one in heard if one.asked == request]) for request in others]
    text = "\n\n".join("\n".join(part) for part in parts if part) + "\n"
    return text, _findings(frames, begin, length, found, different) + shown


def _heard(capture: Capture) -> tuple[list[Heard], bool]:
    """Return the frames, and whether the instrument sends requests back.

    A pause ends a frame of a stream; an answer has all bytes up to the next request.
    """
    chunks: list[Heard] = []
    first: list[bool] = []
    asked: bytes | None = None
    last = 0
    for piece in capture.pieces:
        if piece.way == ">":
            asked = piece.data
        elif piece.way == "<":
            if chunks and asked is None and piece.t - last <= PAUSE_NS:
                chunks[-1] = replace(chunks[-1], data=chunks[-1].data + piece.data)
            else:
                chunks.append(Heard(piece.t, piece.data, asked))
                first.append(asked is not None)
            last, asked = piece.t, None
    if 2 * first.count(True) >= len(chunks):
        chunks = _joined(chunks)
    echo = bool(chunks) and all(one.asked and one.data.startswith(one.asked) for one in chunks)
    if echo:
        chunks = [replace(one, data=one.data[len(one.asked or b"") :]) for one in chunks]
    return [one for one in chunks if one.data], echo


def _joined(chunks: Sequence[Heard]) -> list[Heard]:
    """Return answers with the pieces that follow them."""
    out: list[Heard] = []
    for one in chunks:
        if one.asked is None and out:
            out[-1] = replace(out[-1], data=out[-1].data + one.data)
        else:
            out.append(one)
    return out


def _without_mark(found: FoundChecksum | None, frames: Sequence[bytes]) -> FoundChecksum | None:
    """Return a checksum without the mark before it, where that is a byte of the frame that happens to be constant."""
    plain = None if found is None else replace(found, mark="", covers_mark=False)
    return plain if plain is not None and 10 * sum(map(plain.fits, frames)) >= 9 * len(frames) else found


def _length(frames: Sequence[bytes]) -> FoundLength | None:
    """Return the length that frames of at least two different lengths have in one place; None where none proves it."""
    if len({len(frame) for frame in frames}) < 2:
        return None
    for at in range(min(8, *map(len, frames))):
        for kind, size, order in LENGTHS:
            adds = {len(frame) - int.from_bytes(frame[at : at + size], order) for frame in frames}  # type: ignore[arg-type]  # big or little
            if len(adds) == 1 and -64 <= (one := adds.pop()) <= 64:
                return FoundLength(kind, at, size, one)
    return None


def _checksum(found: FoundChecksum | None, *, sealed: bool) -> list[str]:
    if found is None:
        return [fill_in("the checksum at the end of each frame, where it has one: none of the known ones fits")]
    return checksum(found, requests=sealed)


def _timing(poll: Sequence[bytes], frames: Sequence[Heard]) -> list[str]:
    if not poll:
        times = [one.t for one in frames if one.asked is None] or [0, SECOND]
        return stream(max(1_000_000, (times[-1] - times[0]) // max(1, len(times) - 1)))
    names = ", ".join(quoted(_name(number, poll)) for number in range(1, len(poll) + 1))
    return ["[poll]", f"requests = [{names}]", f"interval = {time(SECOND)}  # time between two readings"]


def _name(number: int, poll: Sequence[bytes]) -> str:
    return "value" if len(poll) <= 1 else f"value-{number}"


def _hexadecimal(data: bytes) -> str:
    return data.hex(" ").upper()


def _shown(frames: Sequence[Heard], shown: Sequence[tuple[int, str]], found: FoundChecksum | None) -> list[str]:
    """Return what the display's numbers are in the frames of the usual length."""
    usual = Counter(len(one.data) for one in frames).most_common(1)[0][0]
    noted = noted_frames([(one.t, one.data) for one in frames if len(one.data) == usual], shown)
    stop = usual - (found.tail_length if found is not None else 0)
    return remarks(noted, fits(noted, stop)) if noted else []


def _line(
    name: str, frames: Sequence[bytes], length: FoundLength | None, found: FoundChecksum | None, shown: Sequence[str]
) -> list[str]:
    """Return the table of a frame with a reading: bytes that change are left out, until a person names them."""
    usual = Counter(map(len, frames)).most_common(1)[0][0]
    own = [frame for frame in frames if len(frame) == usual]
    content = usual - (found.tail_length if found is not None else 0)
    out: list[str] = []
    at = 0
    while at < content:
        if length is not None and at == length.at:
            out.append("{:length}")
            at += length.size
            continue
        stop = at
        while stop < content and len({frame[stop] for frame in own}) > 1 and (length is None or stop != length.at):
            stop += 1
        out.append(f"{{:any {stop - at}}}" if stop > at else f"{own[0][at]:02X}")
        at = max(stop, at + 1)
    return [
        *(f"# {_hexadecimal(frame)}" for frame in list(dict.fromkeys(own))[:SHOWN]),
        *(f"# {sentence}" for sentence in shown),
        f"[line.{name}]",
        'says = "reading"',
        f"bytes = {quoted(' '.join(out))}",
        fill_in("fields in the places of {:any N}, which are the bytes that change in the capture, and of fixed bytes"),
        fill_in("as in {mass:i32be} {state:u8}; the table 'Frames of bytes' of the guide has all types"),
        fill_in("note the display's values in the capture: nothing else shows a wrong type, order of bytes or scale"),
    ]


def _remark(request: bytes, frames: Sequence[bytes]) -> list[str]:
    shown = " or ".join(_hexadecimal(frame) for frame in list(dict.fromkeys(frames))[:SHOWN])
    return [f"# {_hexadecimal(request)} was answered with {shown}"]


def _findings(
    frames: Sequence[Heard], begin: bytes, length: FoundLength | None, found: FoundChecksum | None,
    different: Sequence[bytes],
) -> list[str]:  # fmt: skip
    out = [f"it sends frames of bytes: {len(different)} different ones, which begin with {_hexadecimal(begin)}"]
    out += [f"  {_hexadecimal(frame)}" for frame in different[:SHOWN]]
    if length is not None:
        out.append(f"byte {length.at} is the length ({length.kind}); it leaves out {length.adds} bytes")
    elif len({len(frame) for frame in different}) == 1:
        out.append(f"all frames have {len(different[0])} bytes; only frames of different length prove a length in them")
    if found is None:
        out.append("no checksum was found: a damaged frame may be taken for a value")
    else:
        out.append(f"every frame has a checksum: {found}" + (", proved" if found.sure else ", which is not proved"))
    slowest = [one.t for one in frames]
    if len(slowest) > 1 and frames[0].asked is None:
        out.append(f"a frame comes every {seconds((slowest[-1] - slowest[0]) // (len(slowest) - 1))}")
    return out
