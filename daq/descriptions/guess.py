"""From a capture to a first description: a TOML file with remarks on what is sure and what a person must fill in."""

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from daq.core.checksums import CHECKSUMS
from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, escaped
from daq.descriptions.guess_checksum import FoundChecksum, find_checksum
from daq.descriptions.guess_fields import (
    GuessedField,
    GuessedLine,
    decimal_mark,
    group_lines,
    guess_line,
    name_fields,
)
from daq.descriptions.guess_identity import identity_pattern, literal
from daq.descriptions.guess_lines import Heard, Lines, cut_lines, interval_of

FILL_IN: Final = "FILL IN:"
"""Begins a remark on something that only a person can know."""
WHO: Final = re.compile(rb"\*?IDN\?|\bID\b|ID\?|\bSN|WHO|NAME|VER|INFO|\bI\?|\bN\?", re.IGNORECASE)
SECOND: Final = 1_000_000_000


@dataclass(slots=True)
class Guess:
    """What was made of a capture.

    Attributes:
        text: the description file.
        said: what was found, a sentence each, for a person.
        open: what a person must fill in.
    """

    text: str
    said: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)


def guess_description(kind: str, capture: Capture, file: str) -> Guess:
    """A first description of the instrument in a capture.

    Raises:
        SettingError: the capture holds too little, or no text.
    """
    return _Guesser(kind, capture, file).guess()


class _Guesser:
    def __init__(self, kind: str, capture: Capture, file: str) -> None:
        self.kind, self.capture, self.file = kind, capture, file
        self.lines: Lines = cut_lines(capture, file)
        self.said: list[str] = []
        self.open: list[str] = []
        self.left_out: set[str] = set()
        """Lines of a stream that come too seldom to be a part of every reading."""
        if not self.lines.heard:
            raise SettingError("no whole line came in this capture; capture for longer", file=file)
        raw = [h.text for h in self.lines.heard]
        if sum(b >= 0x80 or (b < 0x20 and b not in b"\t\x02\x03\x06") for t in raw for b in t) * 5 > sum(map(len, raw)):
            raise SettingError(
                "most of what came is no text: baud rate or parity were wrong, or the instrument speaks in bytes and "
                "needs a driver in Python (`daq driver new NAME --python FOLDER`)",
                file=file,
            )
        self.checksum: FoundChecksum | None = find_checksum([t for t in raw if t])
        self.sealed_requests = self._requests_sealed()

    # ---- what is what

    def guess(self) -> Guess:
        """The file, and what is to be said about it."""
        poll, identity, others = self._requests()
        self._say_framing()
        readings = [h for h in self.lines.heard if (h.asked is None if self.lines.streams else h.asked in poll)]
        texts = [self._body(h.text) for h in readings if h.text]
        mark = decimal_mark(texts)
        parts: list[list[str]] = [self._head(identity, mark), self._port(), self._framing(), self._checksum()]
        groups = self._reading_groups(poll, readings, mark)
        channels = self._channels([g for name, g in groups if name not in self.left_out], mark)
        interval = interval_of([h.t for h in readings if not poll or h.asked == poll[0]])
        parts += [channels, self._timing(poll, interval)]
        for request, name in zip(poll, self._poll_names(poll), strict=True):
            parts.append(self._request(name, request, bound=len(poll) > 1, lines=[n for n, g in groups if g.lines and
                         self._asked_of(g, readings) == request]))  # fmt: skip
        if identity is not None:
            parts.append(self._request("who", identity, bound=False, lines=[]))
        for name, group in groups:
            parts.append(self._line(name, group, mark))
        if identity is not None:
            parts.append(self._identity(identity))
        parts.append(self._others(others))
        text = "\n\n".join("\n".join(part) for part in parts if part) + "\n"
        return Guess(text, self.said, self.open)

    def _requests(self) -> tuple[list[bytes], bytes | None, list[bytes]]:
        """The requests for a reading, the one for the identity, and the others."""
        asked = self.lines.requests
        counts = Counter(self.capture.sent)
        identity = next((r for r in asked if WHO.search(r) and not self._varies(r)), None)
        if identity is None:
            identity = next((r for r in asked if counts[r] <= 2 < max(counts.values()) and not self._varies(r)), None)
        if identity is None and any(map(self._varies, asked)):
            always = [r for r in asked if counts[r] > 1 and not self._varies(r) and self._has_number(r)]
            identity = always[0] if len(always) == 1 else None
        rest = [r for r in asked if r != identity]
        if self.lines.streams:
            return [], identity, rest
        most = max((counts[r] for r in rest), default=0)
        poll = [r for r in rest if counts[r] * 2 >= most and self._has_number(r)]
        if not poll:
            raise SettingError(
                "no answer in this capture holds a number; send the request for a value (--send TEXT)", file=self.file
            )
        return poll, identity, [r for r in rest if r not in poll]

    def _varies(self, request: bytes) -> bool:
        return len(set(self.lines.answers(request))) > 1

    def _has_number(self, request: bytes) -> bool:
        return any(re.search(rb"\d", self._raw_body(t)) for t in self.lines.answers(request))

    def _raw_body(self, text: bytes) -> bytes:
        return self.checksum.body(text) if self.checksum is not None and self.checksum.fits(text) else text

    def _body(self, text: bytes) -> str:
        return self._raw_body(text).decode("latin-1")

    def _bare(self, request: bytes) -> bytes:
        end = self.lines.sends_end or b""
        return request[: len(request) - len(end)] if end else request

    def _request_body(self, request: bytes) -> str:
        bare = self._bare(request)
        if self.sealed_requests and self.checksum is not None:
            bare = self.checksum.body(bare)
        return bare.decode("latin-1")

    def _requests_sealed(self) -> bool:
        bare = [self._bare(r) for r in dict.fromkeys(self.capture.sent)]
        found = self.checksum
        return found is not None and bool(bare) and all(found.fits(r) for r in bare)

    def _asked_of(self, group: GuessedLine, readings: Sequence[Heard]) -> bytes | None:
        return next((h.asked for h in readings if self._body(h.text) == group.lines[0]), None)

    # ---- the parts of the file

    def _say_framing(self) -> None:
        lines = self.lines
        if lines.ends:
            self.said.append("lines end with " + " or ".join(escaped(e) for e in lines.ends))
        elif lines.length:
            self.said.append(f"every line has {lines.length} bytes")
        else:
            self.said.append("nothing marks the end of a line but a pause")
        if self.checksum is not None:
            self.said.append(f"every line carries a checksum: {self.checksum}")
        else:
            self.said.append("no checksum was found: a damaged line may be taken for a value")
        self.said.append("readings come unasked" if lines.streams else "readings are asked for")

    def _head(self, identity: bytes | None, mark: str) -> list[str]:
        out = [
            f"# A first description of {self.kind}, made from {self.file}.",
            f"# Look through it; what begins with '{FILL_IN}' only you can know. Then: daq driver check",
            "format = 1",
            f"kind = {_text(self.kind)}",
            'title = ""                    # what people call it',
        ]
        if mark == ",":
            out.append('decimal = "comma"             # 12,5 is twelve and a half')
        if identity is not None:
            out.append('identify = "who"              # so that another instrument on this port is noticed')
        else:
            out.append("# identify = ...              # the request for its serial number, where it has one")
        return out

    def _port(self) -> list[str]:
        found = re.match(r"(\d+) baud, ([5-8])([NEO])([\d.]+)", self.capture.about.get("settings", ""))
        out = ["[port]"]
        if found:
            out.append(f"baud = {found[1]}")
            out += [f"data_bits = {found[2]}"] if found[2] != "8" else []
            out += [f"parity = {_text(found[3])}"] if found[3] != "N" else []
            out += [f"stop_bits = {found[4]}"] if found[4] not in ("1", "1.5") else []
        else:
            out.append("baud = 9600")
            self._fill(out, "the baud rate of the instrument")
        if self.lines.echo:
            out.append("echo = true                   # it sends every request back before it answers")
            self.said.append("it sends every request back first")
        return out

    def _framing(self) -> list[str]:
        out = ["[framing]"]
        lines = self.lines
        if lines.ends:
            out.append("ends = [" + ", ".join(_text(e.decode("latin-1")) for e in lines.ends) + "]")
        elif lines.length:
            out.append(f"length = {lines.length}")
        else:
            out.append(f"gap = {_time(lines.gap_ns)}")
        longest = max(len(h.text) for h in lines.heard)
        out.append(f"longest = {max(20, 2 * longest)}  # the longest in the capture had {longest} bytes")
        sends = lines.sends_end
        if sends is not None and (not lines.ends or sends != lines.ends[0]):
            out.append(f"sends_end = {_text(sends.decode('latin-1'))}")
        if lines.streams and lines.ends:
            out.append("drop_first = true             # the first line after opening may be the rest of one")
        return out

    def _checksum(self) -> list[str]:
        found = self.checksum
        if found is None:
            return []
        out = ["[checksum]", f"name = {_text(found.name)}"]
        if found.written != "hex":
            out.append(f"written = {_text(found.written)}")
        if found.written == "hex" and found.letters != "upper":
            out.append('letters = "lower"')
        if found.written == "hex" and found.digits != 2 * CHECKSUMS[found.name].size:
            out.append(f"digits = {found.digits}")
        if found.mark:
            out.append(f"mark = {_text(found.mark)}")
        if found.covers_mark:
            out.append("covers_mark = true")
        if found.skip:
            out.append(f"skip = {found.skip}")
        if self.sealed_requests:
            out.append("requests = true")
        if not found.sure:
            self._fill(out, "whether this checksum is no chance: few different lines came")
        return out

    def _reading_groups(
        self, poll: Sequence[bytes], readings: Sequence[Heard], mark: str
    ) -> list[tuple[str, GuessedLine]]:
        out: list[tuple[str, GuessedLine]] = []
        usual = 0
        for request in poll or [None]:  # type: ignore[list-item]  # None: a stream
            texts = [self._body(h.text) for h in readings if h.text and (request is None or h.asked == request)]
            for i, lines in enumerate(group_lines(texts, mark)):
                line = guess_line(lines, mark)
                name_fields(line)
                base = "reading" if request is None else self._poll_names(poll)[list(poll).index(request)]
                name = base if i == 0 else f"{base}-{i + 1}"
                usual = usual if i else len(lines)
                if request is None and len(lines) * 2 < usual:
                    self.left_out.add(name)  # a reading must not wait for what comes seldom
                out.append((name, line))
        return out

    def _poll_names(self, poll: Sequence[bytes]) -> list[str]:
        return ["value"] if len(poll) == 1 else [f"value-{i + 1}" for i in range(len(poll))]

    def _channels(self, groups: Sequence[GuessedLine], mark: str) -> list[str]:
        out: list[str] = []
        used: set[str] = set()
        for group in groups:
            for found in group.fields:
                if not found.numeric or not found.numbers:
                    continue
                found.name = _free(found.name, used)
                out += self._channel(found, mark)
        if not out:
            raise SettingError("no line in this capture holds a number that is measured", file=self.file)
        return out[:-1]

    def _channel(self, found: GuessedField, mark: str) -> list[str]:
        whole = max(len(re.match(r"\d*", t.lstrip("+- "))[0]) for t in found.texts if t not in found.special)  # type: ignore[index]
        width = max(whole, 1) if found.type == "number" else whole + 1
        signed = any(t[0] in "+-" for t in found.texts if t not in found.special)
        high = 10.0**width if found.type != "scientific" else 1e9
        seen = f"{min(found.numbers):g} to {max(found.numbers):g} in the capture"
        out = ["[[channel]]", f"name = {_text(found.name)}"]
        out.append(f"unit = {_text(found.unit or '1')}")
        if not found.unit:
            self._fill(out, f"the UCUM unit of {found.name} ({seen}); '1' is a plain number", named=found.name)
        out.append(f"low = {-high if signed else 0:g}")
        out.append(f"high = {high:g}")
        self._fill(out, f"the range of {found.name} as the maker states it ({seen})", named=found.name)
        del mark
        return [*out, ""]

    def _timing(self, poll: Sequence[bytes], interval: int) -> list[str]:
        if not poll:
            self.said.append(f"a line comes every {_seconds(interval)}")
            stale = max(5 * interval, 2 * SECOND)
            return [
                "[stream]",
                f"interval = {_time(interval)}",
                f"stale_after = {_time(stale)}  # then it is silent",
            ]
        names = ", ".join(_text(name) for name in self._poll_names(poll))
        slowest = sum(self.lines.slowest_ns(r) for r in poll)
        wanted = max(interval_of([2 * slowest]) if slowest else 0, 500_000_000)
        every = max(wanted, 2 * slowest // 100_000_000 * 100_000_000)
        return [
            "[poll]",
            f"requests = [{names}]",
            f"interval = {_time(every)}  # how often it is asked",
            f"stale_after = {_time(max(5 * SECOND, 5 * every))}  # without a reading for so long it is silent",
        ]

    def _request(self, name: str, request: bytes, *, bound: bool, lines: Sequence[str]) -> list[str]:
        slowest = self.lines.slowest_ns(request)
        timeout = max(300_000_000, -(-3 * slowest // 100_000_000) * 100_000_000)
        if self.lines.streams:
            timeout += 1_500_000_000  # the answer waits its turn between two lines
        out = [f"[request.{name}]", f"send = {_text(_request_text(self._request_body(request)))}"]
        if bound and lines:
            out.append(f"answers = [{', '.join(_text(n) for n in lines)}]")
        out.append(f"timeout = {_time(timeout)}  # the slowest answer took {_seconds(slowest)}")
        return out

    def _line(self, name: str, group: GuessedLine, mark: str) -> list[str]:
        if name in self.left_out or not _measures(group):
            out = [f"[line.{name}]", 'says = "ignored"', f"pattern = {_text(_pattern(group, named=False))}"]
            self._fill(out, f"what {_text(group.lines[0])} says")
            return out
        out = [f"# for example {_text(group.lines[-1])}", f"[line.{name}]", 'says = "reading"']
        if group.by_blanks:
            columns = [_field(f) if f.type != "padded" else _field(f, "number") for f in group.fields]
            out += [f"columns = [{', '.join(_text(c) for c in columns)}]", 'separator = " "']
        else:
            out.append(f"pattern = {_text(_pattern(group))}")
        for found in group.fields:
            out += self._field_table(name, found)
        del mark
        return out

    def _field_table(self, line: str, found: GuessedField) -> list[str]:
        if found.numeric:
            if not found.special:
                return []
            pairs = ", ".join(f'{_text(s)} = "not_a_number"' for s in found.special)
            out = ["", f"[line.{line}.fields.{found.name}]", f"special = {{ {pairs} }}"]
            self._fill(out, f"which fault {', '.join(map(_text, found.special))} stands for (probe, over_range, ...)")
            return out
        texts = list(dict.fromkeys(found.texts))
        pairs = ", ".join(f'{_text(t)} = ""' for t in texts)
        out = ["", f"[line.{line}.fields.{found.name}]", f"means = {{ {pairs} }}"]
        self._fill(
            out, f'which of {", ".join(map(_text, texts))} mean a fault, as in: "E" = "probe" or "value: unsteady"'
        )
        return out

    def _identity(self, request: bytes) -> list[str]:
        answers = [t for t in self.lines.answers(request) if t]
        if not answers:
            return []
        text = self._body(answers[0])
        pattern, sure = identity_pattern(text, self._request_body(request))
        out = [f"# {_text(text)}", "[line.identity]", 'says = "identity"', f"pattern = {_text(pattern)}"]
        self.said.append(f"it says who it is: {text}")
        if not sure:
            self._fill(out, "where the serial number stands in this line")
        return out

    def _others(self, others: Sequence[bytes]) -> list[str]:
        out: list[str] = []
        for i, request in enumerate(others):
            texts = list(dict.fromkeys(self._body(t) for t in self.lines.answers(request)))
            if not texts:
                continue
            out += [f"# {_text(self._request_body(request))} was answered with this; see [command.NAME] in the guide"]
            for j, text in enumerate(texts[:3]):
                out += [f"[line.answer-{i + 1}-{j + 1}]", 'says = "ignored"', f"pattern = {_text(literal(text))}", ""]
        return out[:-1]

    def _fill(self, out: list[str], what: str, named: str = "") -> None:
        del named
        out.append(f"# {FILL_IN} {what}")
        self.open.append(what)


def _measures(group: GuessedLine) -> bool:
    return any(f.numeric and f.numbers for f in group.fields)


def _pattern(group: GuessedLine, *, named: bool = True) -> str:
    return "".join(literal(p) if isinstance(p, str) else _field(p, named=named) for p in group.pieces)


def _field(found: GuessedField, kind: str = "", *, named: bool = True) -> str:
    width = f" {found.width}" if found.width else ""
    return f"{{{found.name if named else ''}:{kind or found.type}{width}}}"


def _request_text(text: str) -> str:
    return re.sub(r"[{}]", lambda m: m[0] * 2, text)


def _free(name: str, used: set[str]) -> str:
    number, free = 1, name
    while free in used:
        number += 1
        free = f"{re.sub(r'_[0-9]+$', '', name)}_{number}"
    used.add(free)
    return free


def _text(text: str) -> str:
    """A TOML string."""
    return json.dumps(text, ensure_ascii=True)


def _seconds(ns: int) -> str:
    return f"{ns / 1e9:g} s" if ns >= SECOND else f"{round(ns / 1e6)} ms"


def _time(ns: int) -> str:
    return f'"{_seconds(ns)}"'


def open_points(text: str) -> Iterator[tuple[int, str]]:
    """Remarks of a description file on what is still to be filled in: number of the line and what."""
    for number, line in enumerate(text.splitlines(), 1):
        _, mark, what = line.partition(f"# {FILL_IN} ")
        if mark:
            yield number, what
