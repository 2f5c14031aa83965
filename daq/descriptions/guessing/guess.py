"""Make a first description from a capture: a TOML file with remarks on the points that a person must fill in."""

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, escaped
from daq.descriptions.guessing import write
from daq.descriptions.guessing.byteframes import guess_frames
from daq.descriptions.guessing.fields import GuessedLine, guess_line
from daq.descriptions.guessing.finding.blocks import Block, find_block
from daq.descriptions.guessing.finding.checksum import FEW_LINES, FoundChecksum, Tail, find_checksum, unknown_tail
from daq.descriptions.guessing.finding.refusals import end_to_set, is_refusal, wrong_end
from daq.descriptions.guessing.finding.textbytes import NO_TEXT, strange
from daq.descriptions.guessing.finding.transcript import Lines, ReceivedLine, cut_lines, interval_of
from daq.descriptions.guessing.fullscale import full_scale, with_full_scale
from daq.descriptions.guessing.grouping import is_date
from daq.descriptions.guessing.identity import identity_pattern, literal, serial_words, with_serial
from daq.descriptions.guessing.markasked import Mark, asked_decimal_mark
from daq.descriptions.guessing.naming import free_channel
from daq.descriptions.guessing.numberbase import shown_beside
from daq.descriptions.guessing.questions import Answers, Question, one_of
from daq.descriptions.guessing.readinglines import ReadingLines
from daq.descriptions.guessing.remarks import fill_in, open_points, quoted, seconds
from daq.descriptions.guessing.report import framing_findings

IDENTITY_REQUEST: Final = re.compile(
    rb"\*?IDN\?|\bID\b|ID\?|\bSN|IDENTITY_REQUEST|NAME|VER|INFO|\bI\?|\bN\?", re.IGNORECASE
)
MOST_BYTES: Final = 100_000
"""Number of bytes of a capture from which a description is made; the time grows with the square of the lines."""


@dataclass(slots=True)
class Guess:
    """Description made from a capture.

    Attributes:
        text: the description file.
        findings: findings in the capture, one sentence each, for a person.
        questions: questions without an answer, in the order of the file.
    """

    text: str
    findings: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    @property
    def open_points(self) -> list[str]:
        """Points that a person must fill in."""
        return [what for _, what in open_points(self.text)]


def guess_description(kind: str, capture: Capture, file: str, answers: Mapping[str, str] | None = None) -> Guess:
    """Make a first description of the instrument in a capture.

    Args:
        kind: the kind of instrument.
        capture: its capture.
        file: name of the capture.
        answers: answers to the questions of an earlier guess, by their keys.

    Raises:
        SettingError: the capture has too few lines, or no text.
        ValueError: an answer is not understood.
    """
    part = _beginning(capture)
    ask = Answers(answers or {})
    try:
        found = _Guesser(kind, part, file, ask).guess()
    except SettingError:
        frames = guess_frames(kind, part, file, ask)
        if frames is None:
            raise
        found = Guess(*frames, ask.open)
    if part is not capture:
        found.findings.insert(0, f"only the first {MOST_BYTES // 1000} kB of the capture are used")
    return found


def _beginning(capture: Capture) -> Capture:
    """Return the first `MOST_BYTES` of a capture, as it was where it is not longer."""
    room = MOST_BYTES
    for number, piece in enumerate(capture.pieces):
        if len(piece.data) > room:
            last = replace(piece, data=piece.data[:room])
            return replace(capture, pieces=[*capture.pieces[:number], last])
        room -= len(piece.data)
    return capture


class _Guesser:
    def __init__(self, kind: str, capture: Capture, file: str, ask: Answers) -> None:
        self.kind, self.capture, self.file, self.ask = kind, capture, file, ask
        self.lines: Lines = cut_lines(capture, file)
        self.findings: list[str] = []
        self.left_out: set[str] = set()
        """Lines of a stream that are too rare to be a part of every reading."""
        if not self.lines.received:
            raise SettingError("there is no complete line in this capture; capture for longer", file=file)
        raw = [h.text for h in self.lines.received]
        if strange(raw) * 5 > sum(map(len, raw)):
            first = raw[0][:24].hex(" ").upper()
            raise SettingError(f"most of the bytes received {NO_TEXT}; the first ones: {first}", file=file)
        self.checksum: FoundChecksum | None = find_checksum([t for t in raw if t])
        self.tail: Tail | None = None if self.checksum is not None else unknown_tail(raw)
        bodies = [self._raw_body(text) for text in dict.fromkeys(raw)]
        if sum(strange([body]) > 0 for body in bodies) * 3 > len(bodies):
            raise SettingError(f"bytes of most different lines {NO_TEXT}", file=file)
        self._enough_lines()
        self._checksum_in_doubt(raw)
        self.sealed_requests = self._requests_sealed()
        self.block: Block | None = (
            None if self.checksum is not None or self.tail is not None else find_block(self.lines, is_date)
        )

    def _enough_lines(self) -> None:
        """Raise `SettingError` where too few different lines leave the checksum open."""
        tail = self.tail
        if tail is None or tail.different >= FEW_LINES:
            return
        few = f"there are only {tail.different} different lines"
        few = "all lines are the same one" if tail.different == 1 else few
        raise SettingError(
            f"the lines end like a checksum ({tail.mark} and {tail.digits} hexadecimal digits), and "
            f"{few} in this capture: too few to find out which; let the value change over its range, "
            "and capture again",
            file=self.file,
        )

    def _checksum_in_doubt(self, raw: Sequence[bytes]) -> None:
        """Ask for the checksum where the lines do not prove one."""
        found = self.checksum
        if found is None or found.sure:
            return
        ways = {str(found): found} | {str(other): other for other in found.others}
        picked = self.ask.ask(
            "checksum", "Which checksum do the lines have, according to the manual?", one_of([*ways]),
            point=write.doubt(found), lines=[text.decode("latin-1") for text in raw], answers="; ".join(ways),
        )  # fmt: skip
        if picked is not None:
            self.checksum = replace(ways[picked], bits=math.inf, rivals=())

    # ---- requests

    def guess(self) -> Guess:
        """Return the description file and the findings."""
        poll, identity, others = self._requests()
        self.findings += framing_findings(self.lines, self.checksum, self.tail, self.block)
        readings = [h for h in self.lines.received if (h.asked is None if self.lines.streams else h.asked in poll)]
        texts = [self._body(h.text) for h in readings if h.text]
        mark = asked_decimal_mark(texts, self.ask)
        lines = self.lines
        scales = self._scales(others) if identity is not None else {}
        parts: list[list[str]] = [
            write.head(
                self.kind,
                self.file,
                mark.mark,
                identified=["who", *scales] if identity is not None else [],
                ignored=[text.decode("latin-1") for text in self.block.ignored] if self.block is not None else [],
            ),
            [fill_in(point) for point in mark.points] + write.between(self.block, self.ask),
            write.port(self.capture.about.get("settings", ""), self.ask, echo=lines.echo),
            write.framing(lines, self.block, sealed=self.checksum is not None),
            write.checksum(self.checksum, requests=self.sealed_requests, tail=self.tail),
        ]
        groups = self._reading_groups(poll, readings, mark.mark)
        channels = self._channels([g for name, g in groups if name not in self.left_out])
        parts += [channels, self._timing(poll, self._interval(poll, readings, groups))]
        for request, name in zip(poll, self._poll_names(poll), strict=True):
            bound = groups if len(poll) > 1 else []
            answers = [n for n, g in bound if g.lines and self._asked_of(g, readings) == request]
            parts.append(self._request(name, request, answers))
        if identity is not None:
            parts.append(self._request("who", identity, []))
        parts += [self._request(name, request, []) for name, request in scales.items()]
        for name, group in groups:
            seldom = name in self.left_out or not group.measures
            write_line = write.ignored_line if seldom else write.reading_line
            parts.append(write_line(name, group, self.ask, self.tail))
        if self.block is not None and self.block.dates:
            dates = [text.decode("latin-1") for text in dict.fromkeys(self.block.dates)]
            parts.append(write.dated_line(guess_line(dates, mark.mark), self.ask))
        if identity is not None:
            parts.append(self._identity(identity, mark))
        parts += [self._facts(name, request, mark) for name, request in scales.items()]
        parts.append(self._others([other for other in others if other not in scales.values()]))
        text = "\n\n".join("\n".join(part) for part in parts if part) + "\n"
        return Guess(text, self.findings, self.ask.open)

    def _scales(self, others: Sequence[bytes]) -> dict[str, bytes]:
        """Return the requests for a full-scale torque that is not in the line of the serial number, by name."""
        found = [r for r in others if not self._varies(r) and self._has_full_scale(r)]
        return {"scale": found[0]} if len(found) == 1 else {}

    def _has_full_scale(self, request: bytes) -> bool:
        return full_scale(self._body(self.lines.answers(request)[0])) is not None

    def _requests(self) -> tuple[list[bytes], bytes | None, list[bytes]]:
        """Return the requests for a reading, the one for the identity, and the others."""
        self._check_end()
        asked = [r for r in self.lines.requests if not self._refuses(r)]
        counts = Counter(self.capture.sent)
        identity = next((r for r in asked if IDENTITY_REQUEST.search(r) and not self._varies(r)), None)
        if identity is None:
            identity = next((r for r in asked if counts[r] <= 2 < max(counts.values()) and not self._varies(r)), None)
        if identity is None and (self.lines.streams or any(map(self._varies, asked))):
            always = [r for r in asked if counts[r] > 1 and not self._varies(r) and self._has_number(r)]
            always = [r for r in always if not self._has_full_scale(r)] or always
            identity = always[0] if len(always) == 1 else None
        rest = [r for r in asked if r != identity]
        if not asked and self.lines.requests:
            end = end_to_set(self.lines, answers_some=False)
            raise SettingError(
                f"the instrument refuses every request of this capture (it answers {escaped(self._refusal())}); check "
                "the request, its end (--end) and its checksum in the manual, and capture again"
                f"{': ' if end else ''}{end}",
                file=self.file,
            )
        others = [r for r in self.lines.requests if r != identity]
        if self.lines.streams:
            return [], identity, others
        most = max((counts[r] for r in rest), default=0)
        poll = [r for r in rest if counts[r] * 2 >= most and self._has_number(r)]
        if any(map(self._varies, poll)):
            poll = [r for r in poll if self._varies(r) or not self._has_full_scale(r)]
        if not poll:
            raise SettingError(
                "no answer in this capture has a number; send the request for a value (--send TEXT)", file=self.file
            )
        return poll, identity, [r for r in others if r not in poll]

    def _check_end(self) -> None:
        """Raise `SettingError` where most answers are one error."""
        answered = [(h.text, h.asked) for h in self.lines.received if h.asked is not None]
        refused = [(text, asked) for text, asked in answered if is_refusal(self._raw_body(text), self._bare(asked))]
        sentence = wrong_end(self.lines, refused, answered)
        if sentence and not self.lines.streams:
            raise SettingError(sentence, file=self.file)

    def _refuses(self, request: bytes) -> bool:
        """Return True where the answer is always the same refusal."""
        answers = set(self.lines.answers(request))
        return len(answers) == 1 and is_refusal(self._raw_body(answers.pop()), self._bare(request))

    def _refusal(self) -> bytes:
        return next(iter(self.lines.answers(self.lines.requests[0])), b"")

    def _varies(self, request: bytes) -> bool:
        return len(set(self.lines.answers(request))) > 1

    def _has_number(self, request: bytes) -> bool:
        return any(re.search(rb"\d", self._raw_body(t)) for t in self.lines.answers(request))

    def _raw_body(self, text: bytes) -> bytes:
        return self.checksum.content(text) if self.checksum is not None and self.checksum.fits(text) else text

    def _body(self, text: bytes) -> str:
        body = self._raw_body(text).decode("latin-1")
        return body[: -self.tail.length] if self.tail is not None and self.tail.ends(body) else body

    def _bare(self, request: bytes) -> bytes:
        end = self.lines.sends_end or b""
        return request[: len(request) - len(end)] if end else request

    def _request_body(self, request: bytes) -> str:
        bare = self._bare(request)
        if self.sealed_requests and self.checksum is not None:
            bare = self.checksum.content(bare)
        return bare.decode("latin-1")

    def _requests_sealed(self) -> bool:
        bare = [self._bare(r) for r in dict.fromkeys(self.capture.sent)]
        found = self.checksum
        return found is not None and bool(bare) and all(found.fits(r) for r in bare)

    def _asked_of(self, group: GuessedLine, readings: Sequence[ReceivedLine]) -> bytes | None:
        return next((h.asked for h in readings if self._body(h.text) == group.lines[0]), None)

    # ---- the parts of the file

    def _reading_groups(
        self, poll: Sequence[bytes], readings: Sequence[ReceivedLine], mark: str
    ) -> list[tuple[str, GuessedLine]]:
        out: list[tuple[str, GuessedLine]] = []
        usual = 0
        kinds = ReadingLines(mark, self.ask, shown_beside(self.capture.shown, readings, self._body)).kinds
        for request in poll or [None]:  # type: ignore[list-item]  # None: a stream
            texts = [self._body(h.text) for h in readings if h.text and (request is None or h.asked == request)]
            base = "reading" if request is None else self._poll_names(poll)[list(poll).index(request)]
            for i, line in enumerate(kinds(texts, base)):
                lines = line.lines
                name = base if i == 0 else f"{base}-{i + 1}"
                usual = usual if i else len(lines)
                if request is None and len(lines) * 2 < usual:
                    self.left_out.add(name)  # a reading must not wait for a rare line
                out.append((name, line))
        return out

    def _poll_names(self, poll: Sequence[bytes]) -> list[str]:
        return ["value"] if len(poll) == 1 else [f"value-{i + 1}" for i in range(len(poll))]

    def _channels(self, groups: Sequence[GuessedLine]) -> list[str]:
        out: list[str] = []
        used: set[str] = set()
        for group in groups:
            for found in group.fields:
                if not found.numeric or not found.numbers or not found.kept:
                    continue
                if found.same_as is not None:
                    found.channel = found.same_as.channel
                    continue
                found.channel = found.name = free_channel(found.name, used)
                out += [*write.channel(found, self.ask, group.lines), ""]
        if not out and any(question.key.startswith(("hex ", "numbered ")) for question in self.ask.open):
            return write.unnamed_channel()  # an answer gives the channel
        if not out:
            shown = ", ".join(repr(line) for group in groups for line in group.lines[:2])[:80]
            raise SettingError(
                f"no line in this capture has a measured number ({shown}); digits that are not separated, such as "
                "hexadecimal ones, are described by hand: {name:hex 4}, {name:number 6}, in the guide",
                file=self.file,
            )
        return out[:-1]

    def _timing(self, poll: Sequence[bytes], interval: int) -> list[str]:
        if poll:
            return write.poll(self._poll_names(poll), sum(self.lines.slowest_ns(r) for r in poll))
        self.findings.append(f"a line comes every {seconds(interval)}")
        return write.stream(interval)

    def _interval(
        self, poll: Sequence[bytes], readings: Sequence[ReceivedLine], groups: Sequence[tuple[str, GuessedLine]]
    ) -> int:
        """Return the time between two readings, ns; in a stream that of the lines of one kind with a value."""
        values = [g for name, g in groups if name not in self.left_out and any(f.numeric and f.kept for f in g.fields)]
        own = {*values[0].lines} if values and not poll else set()
        times = [h.t for h in readings if not poll or h.asked == poll[0]]
        return interval_of([h.t for h in readings if self._body(h.text) in own] if own else times)

    def _request(self, name: str, request: bytes, lines: Sequence[str]) -> list[str]:
        slowest, streams = self.lines.slowest_ns(request), self.lines.streams
        return write.request(name, self._request_body(request), lines, slowest, streams=streams)

    def _identity(self, request: bytes, mark: Mark) -> list[str]:
        if not (answers := [t for t in self.lines.answers(request) if t]):
            return []
        text = self._body(answers[0])
        pattern, sure = identity_pattern(text, self._request_body(request))
        if not sure:
            words = serial_words(text)
            serial = self.ask.ask(
                "serial", "Which part of this line is the serial number?", one_of(words), lines=[text],
                answers="; ".join(words),
            )  # fmt: skip
            if serial is not None:
                pattern, sure = with_serial(text, serial), True
        pattern, table = with_full_scale(text, pattern, mark, self.ask)
        pattern += write.tail_pattern(self.tail)
        out = [f"# {quoted(text)}", "[line.identity]", 'says = "identity"', f"pattern = {quoted(pattern)}"]
        out += self._own_checksum(answers)
        self.findings.append(f"it sends its identity: {text}")
        if not sure:
            out.append(fill_in("the place of the serial number in this line"))
        if "{full_scale:" in pattern:
            self.findings.append("its identity has the torque at full scale")
        return [*out, *table]

    def _facts(self, name: str, request: bytes, mark: Mark) -> list[str]:
        """Return the line with a full scale that answers a request of its own."""
        text = self._body(self.lines.answers(request)[0])
        pattern, table = with_full_scale(text, literal(text), mark, self.ask)
        self.findings.append(f"it sends the torque at full scale: {text}")
        pattern += write.tail_pattern(self.tail)
        return [f"[line.{name}]", 'says = "facts"', f"pattern = {quoted(pattern)}", *table]

    def _own_checksum(self, texts: Sequence[bytes]) -> list[str]:
        """Return the key of lines without the checksum of the others."""
        found = self.checksum
        return ['checksum = "none"'] if found is not None and not any(found.fits(text) for text in texts) else []

    def _others(self, others: Sequence[bytes]) -> list[str]:
        out: list[str] = []
        for i, request in enumerate(others):
            raw = list(dict.fromkeys(self.lines.answers(request)))
            texts = [self._body(t) for t in raw]
            if not texts:
                continue
            out += [f"# {quoted(self._request_body(request))} was answered with this; see [command.NAME] in the guide"]
            for j, text in enumerate(texts[:3]):
                says = "refusal" if self._refuses(request) else "ignored"
                out += [f"[line.answer-{i + 1}-{j + 1}]", f"says = {quoted(says)}"]
                out += [f"pattern = {quoted(literal(text) + write.tail_pattern(self.tail))}"]
                out += [*self._own_checksum(raw[j : j + 1]), ""]
        return out[:-1]
