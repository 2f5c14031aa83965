"""Driver built from a description."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.core.driver import Action, Channel, Decoded, Driver, Port, Reject, Request
from daq.core.errors import DriverError, SettingError, SettingErrors
from daq.core.framing import Framing
from daq.core.units import convert
from daq.descriptions import template
from daq.descriptions.codec.checktable import ChecksumTable
from daq.descriptions.codec.layout import FrameLayout, Length
from daq.descriptions.codec.measures import of_blocks, of_layouts
from daq.descriptions.codec.seal import Seal, seal_of
from daq.descriptions.linemodel import ReadingLine
from daq.descriptions.model import CommandTable, DescriptionTables, RequestTable
from daq.descriptions.options import settle_options
from daq.descriptions.patterns import Writing
from daq.descriptions.rangechecks import unreached
from daq.descriptions.reading.fastpaths import Decoder, after_answers, fast_path, may_share
from daq.descriptions.reading.lines import ACTION_UNITS, Reader, checksum_of, line_of
from daq.descriptions.reading.unread import ignored_states, unread_parts

OPTION: Final = "description"
"""Key of a driver's options whose value is the whole description."""
LARGEST_VALUE: Final = 1e9


@dataclass(frozen=True, slots=True)
class Question(Request):
    """A request with the names of the lines that are accepted only as its answer."""

    answers: tuple[str, ...] = ()


class DescribedDriver(Driver):
    """Decodes lines and builds requests according to a description."""

    kind: ClassVar[str] = "described"

    def __init__(self, tables: DescriptionTables, raw: Mapping[str, Any], options: Mapping[str, Any]) -> None:
        """Build the driver.

        Args:
            tables: the description.
            raw: the tables as they were read from the file; they become a part of the driver's options.
            options: values of the description's options.

        Raises:
            SettingErrors: an option that the description does not declare, or a value that it does not allow.
        """
        super().__init__({OPTION: dict(raw), **options})
        chosen, self.settings = settle_options(tables.options, options)
        self.tables = tables
        self.writing = Writing(tables.framing.encoding, tables.decimal == "comma")
        self._declare(chosen)
        framing = tables.framing
        begin, end = framing.begin, framing.ends[0]
        if tables.by_bytes or framing.length or framing.silence:
            begin, end = ("" if tables.by_bytes else begin), ""
        begin = begin if framing.sends_begin is None else framing.sends_begin
        end = end if framing.sends_end is None else framing.sends_end
        self.request_marks = self._bytes(begin), self._bytes(end)
        """Bytes before and after each request."""
        self._seals: dict[ChecksumTable, Seal] = {}
        self.seal = self._seal(tables.checksum)
        """Checksum of lines without one of their own."""
        sign = -1.0 if chosen.get("direction") == "backward" else 1.0
        self._signs = {"": sign} | {c.name: sign for c in tables.channel if c.turns}
        self.readers = self._readers(chosen)
        self.readings_per_line = max(reader.readings for reader in self.readers.values())
        self._frame_marks = (b"", b"")  # marks of a line that the framing leaves on it
        if tables.measured:
            self._measure_frames()
        bound = {name for r in (*tables.request.values(), *tables.command.values()) for name in r.answers}
        self._ignored = tuple(map(self._bytes, tables.ignore))
        self._free = tuple(reader for name, reader in self.readers.items() if name not in bound)
        self._questions: dict[tuple[str, str], Question] = {}
        self._expected: dict[tuple[str, ...], tuple[Reader, ...]] = {(): self._free}
        fast = self._fast_path() if type(self).decode is OWN_DECODE else None  # a class keeps its own `decode`
        if fast is not None:
            # In place of the method: a method that only calls another function costs a fifth of a short frame.
            self.decode = fast  # type: ignore[method-assign, assignment]  # of the same signature

    def _fast_path(self) -> Decoder | None:
        """Return the fast decoder of the first kind of line that has one and whose lines are of no earlier kind."""
        for at, reader in enumerate(self._free):
            begin = self._frame_marks[0] + reader.opening
            left_out = any(text.startswith(begin) or begin.startswith(text) for text in self._ignored)
            if left_out or any(may_share(reader, earlier) for earlier in self._free[:at]):
                continue
            fast = fast_path(reader, self._decode_any, *self._frame_marks)
            if fast is not None:
                bound = (other for other in self.readers.values() if other not in self._free)
                shared = any(may_share(reader, other) for other in bound)
                return after_answers(fast, self._decode_any) if shared else fast
        return None

    def _seal(self, table: ChecksumTable | None) -> Seal | None:
        """Return the seal of a checksum; equal tables give the same one."""
        if table is None:
            return None
        if table not in self._seals:
            self._seals[table] = seal_of(table, self._bytes, self._bytes(self.tables.framing.begin))
        return self._seals[table]

    def _readers(self, chosen: Mapping[str, str | int]) -> dict[str, Reader]:
        """Return the readers of all kinds of lines.

        Raises:
            SettingErrors: the value of an option does not fit in its place in a line.
        """
        found: dict[str, Reader] = {}
        errors: list[SettingError] = []
        for name, table in self.tables.line.items():
            try:
                seal = self._seal(checksum_of(table, self.tables))
                line = line_of(name, table, self.tables, self.settings, self.writing, seal)
            except ValueError as error:
                errors.append(SettingError(str(error), key=f"line.{name}.{table.layout}"))
                continue
            found[name] = Reader(line, self.tables, self.channels, self._signs, chosen)
        if errors:
            raise SettingErrors(errors)
        return found

    def _measure_frames(self) -> None:
        """Set the framing of blocks of lines, of checksums in bytes, and of frames of bytes."""
        framing, readers = self.tables.framing, list(self.readers.values())
        if self.tables.by_bytes:
            layouts = [(r.line.layout, r.seal) for r in readers if r.line.layout is not None]
            measure = of_layouts(layouts, framing.longest)
        else:
            self._frame_marks = self._bytes(framing.begin), self._bytes(framing.ends[0])
            in_bytes = tuple(dict.fromkeys(r.seal for r in readers if r.seal is not None and r.seal.is_bytes))
            measure = of_blocks(*self._frame_marks, in_bytes, framing.lines)
        self.framing = Framing(
            longest=framing.longest, idle_ns=framing.idle, measure=measure, longest_pause_ns=framing.longest_pause
        )

    def _declare(self, chosen: Mapping[str, str | int]) -> None:
        """Set the attributes of `Driver` that the core reads: channels, framing, port, timing, capabilities."""
        tables = self.tables
        port, framing = tables.port, tables.framing
        ends = tuple(self._bytes(end) for end in framing.ends)
        streams = tables.stream is not None and (tables.poll is None or chosen.get("mode") == "stream")
        timing = tables.stream if streams else tables.poll
        interval = timing.interval if timing else 0
        stale_after = timing.stale_after if timing else 0
        if "interval_ms" in chosen:
            interval = int(chosen["interval_ms"]) * 1_000_000
            stale_after = max(stale_after, 10 * interval) if stale_after else 0
        attributes: dict[str, Any] = {
            "kind": tables.kind,
            "has_checksum": all(
                checksum_of(line, tables) is not None for line in tables.line.values() if isinstance(line, ReadingLine)
            ),
            "channels": tuple(Channel(c.name, c.unit, c.low, c.high) for c in tables.channel),
            "framing": Framing(
                terminator=ends if len(ends) > 1 else ends[0],
                longest=framing.longest,
                idle_ns=framing.idle,
                drop_first=framing.drop_first,
                begin=self._bytes(framing.begin),
                length=framing.length,
                silence_ns=framing.silence,
                longest_pause_ns=framing.longest_pause,
            ),
            "port": Port(
                baud=port.baud,
                data_bits=port.data_bits,
                parity=port.parity,
                stop_bits=port.stop_bits,
                flow=port.flow,
                dtr=port.dtr,
                rts=port.rts,
                settle_ns=port.settle,
                byte_pause_ns=port.byte_pause,
            ),
            "streams": streams,
            "interval_ns": interval,
            "refresh_ns": tables.poll.refresh if tables.poll is not None and not streams else 0,
            "stale_after_ns": stale_after,
            "pause_ns": port.pause,
            "wake": self._bytes(port.wake),
            "wake_after_ns": port.wake_after,
            "wake_wait_ns": port.wake_wait,
            "echoes": port.echo,
            "shares_line": port.shared,
            "lag_ns": tables.lag,
            "capabilities": frozenset(tables.command),
            "zero_condition": tables.zero_condition,
            "on_link_loss": tables.on_link_loss or "no_motor",
        }
        for name, value in attributes.items():
            setattr(self, name, value)

    def _bytes(self, text: str) -> bytes:
        return text.encode(self.tables.framing.encoding)

    # ---- asking

    def identify(self) -> Request | None:
        """Return the request for the identity; None where the description has none."""
        names = self.tables.identify
        return self._fixed(names[0], "identity") if names else None

    def identify_more(self) -> tuple[Request, ...]:
        """Return the further requests for the identity."""
        return tuple([self._fixed(name, "identity") for name in self.tables.identify[1:]])

    def poll(self) -> Request | tuple[Request, ...] | None:
        """Return the requests for one reading; None where readings are not polled."""
        if self.streams or self.tables.poll is None:
            return None
        requests = tuple([self._fixed(name, "reading") for name in self.tables.poll.requests])
        return requests[0] if len(requests) == 1 else requests

    def start_stream(self) -> Request | None:
        """Return the request that starts the stream; None where none is needed."""
        name = self.tables.stream.start if self.streams and self.tables.stream is not None else None
        return None if name is None else self._fixed(name, name)

    def action(self, action: Action, value: float | None = None) -> Request:
        """Return the request of an action; `value` in /min for a speed, in Cel for a bath.

        Raises:
            DriverError: there is no such command, the value is missing, or it is beyond the command's limits.
        """
        command = self.tables.command.get(action)
        if command is None:
            raise DriverError(f"{self.kind} cannot {action}")
        settings = self.settings
        if any(part.name == "value" for part in command.settings):
            settings = {**settings, "value": self._value(action, command, value)}
        try:
            return self._request(command, action, settings)
        except ValueError as error:
            raise DriverError(f"{action}: {error}") from None

    def _value(self, action: Action, command: CommandTable, value: float | None) -> str:
        if value is None:
            raise DriverError(f"{action} needs a value")
        if not abs(value) <= LARGEST_VALUE:
            raise DriverError(f"{action} cannot be set to {value}")
        own = command.unit or ACTION_UNITS[action]
        sent = convert(value, ACTION_UNITS[action], own)
        low, high = command.low, command.high
        # The slack accepts the limit itself after a conversion that rounds.
        slack = 0.5 * 10.0**-command.decimals * abs(command.scale)
        if (
            (low is not None and abs(sent) < low - slack)
            if action == "speed"
            else (low is not None and sent < low - slack)
        ):
            raise DriverError(f"{action} {sent:g} {own} is below the lowest that {self.kind} takes, {low:g} {own}")
        if high is not None and (abs(sent) if action == "speed" else sent) > high + slack:
            raise DriverError(f"{action} {sent:g} {own} is above the highest that {self.kind} takes, {high:g} {own}")
        text = f"{self.sign_of(command) * sent / command.scale:.{command.decimals}f}"
        return text.replace(".", ",") if self.writing.comma else text

    def sign_of(self, command: CommandTable) -> float:
        """Return the sign of a command's value for the chosen direction: 1 or -1."""
        return self._signs[""] if command.turns else 1.0

    def _fixed(self, name: str, expects: str) -> Question:
        """Return a request without a value; it is built once."""
        key = name, expects
        if key not in self._questions:
            self._questions[key] = self._request(self.tables.request[name], expects)
        return self._questions[key]

    def _request(self, table: RequestTable, expects: str, settings: Mapping[str, str] | None = None) -> Question:
        parts = template.filled(table.parts(), settings or self.settings)
        if table.bytes is not None:
            content = self._frame(parts, table)
        else:
            content = b"".join(self._bytes(part) for part in parts if isinstance(part, str))
        seal = self.request_seal(table)
        begin, end = self.request_marks
        data = begin + (content if seal is None else seal.sealed(content)) + end
        return Question(data, expects, table.timeout, table.tries, table.answers)

    def _frame(self, parts: tuple[template.Part, ...], table: RequestTable) -> bytes:
        """Return the bytes of a request, without its checksum."""
        frame, seal = self.tables.frame, self.request_seal(table)
        length = Length(frame.length, frame.adds) if frame is not None else None
        return FrameLayout(parts, length, seal.length if seal is not None else 0).written({})

    def request_seal(self, table: RequestTable) -> Seal | None:
        """Return the checksum of a request; None for none."""
        own = self.tables.checksum
        if table.checksum is not None:
            return None if table.checksum == "none" else self._seal(table.checksum)
        return self._seal(own) if own is not None and own.requests else None

    # ---- reading

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode a line by the first line of the description that matches."""
        return self._decode_any(line, asked)

    def _decode_any(self, line: bytes, asked: Request | None) -> Decoded:
        if self._ignored and line.startswith(self._ignored):
            return _LEFT_OUT
        readers = self._free
        if isinstance(asked, Question) and asked.answers:
            readers = self._readers_for(asked.answers)
        if not line.startswith(self._frame_marks[0]) and self.tables.framing.lines == 1:
            # A reading without its begin was cut, and digits may be missing.
            readers = tuple([reader for reader in readers if not isinstance(reader.line.table, ReadingLine)])
        contents: dict[Seal | None, bytes | None] = {}
        for reader in readers:
            if reader.seal not in contents:
                contents[reader.seal] = self.content(line, reader.seal)
            content = contents[reader.seal]
            decoded = reader.read(content, asked) if content is not None else None
            if decoded is not None:
                return decoded
        return self._rejected(line, readers, contents)

    def _rejected(
        self, line: bytes, readers: tuple[Reader, ...], contents: Mapping[Seal | None, bytes | None]
    ) -> Reject:
        """Return why a line is none of those that `readers` read; `contents` by checksum."""
        if not line.strip() and not self.tables.by_bytes:
            return _EMPTY
        if all(content is None for content in contents.values()) and contents:
            bare = self._bare(line)
            opened = any(seal is not None and seal.opened(bare) is not None for seal in contents)
            return Reject("wrong checksum") if opened else Reject("no checksum")
        for reader in readers:
            content = contents[reader.seal]
            if content is not None and len(reader.opening) > 1 and content.startswith(reader.opening):
                return Reject(f"malformed line: {reader.line.name}")
        return Reject("unknown line")

    def ignored_states(self, line: bytes) -> Iterator[tuple[str, str]]:
        """Yield the states of a line that `others = "ignored"` hides: key of the field, and text or bit."""
        return ignored_states(self._kinds(line))

    def unread(self, line: bytes) -> Iterator[tuple[str, str, str]]:
        """Yield the parts of a reading without effect: key, type of the field, text ("" where it is absent)."""
        return unread_parts(self._kinds(line))

    def unreached(self) -> list[str]:
        """Return the ends of ranges that no line can give, each as a sentence."""
        return [f"{error.key}: {error.reason}" for error in unreached(self.tables)]

    def _kinds(self, line: bytes) -> Iterator[tuple[Reader, bytes]]:
        """Yield the kinds of lines that a line is, each with the line without marks and checksum."""
        for reader in self.readers.values():
            content = self.content(line, reader.seal)
            if content is not None and reader.matches(content):
                yield reader, content

    def _bare(self, line: bytes) -> bytes:
        """Return a line without the marks that the framing leaves on it."""
        begin, end = self._frame_marks
        return line.removeprefix(begin).removesuffix(end) if begin else line

    def content(self, line: bytes, seal: Seal | None) -> bytes | None:
        """Return a line without its marks and checksum; None where the checksum is absent or wrong."""
        bare = self._bare(line)
        return bare if seal is None else seal.content(bare)

    def protects(self, line: bytes) -> bool:
        """Return True where a line is of a kind with a checksum, whose damage is seen."""
        return next((reader.seal is not None for reader, _ in self._kinds(line)), False)

    def resealed(self, line: bytes) -> bytes:
        """Return a line with its checksum corrected; unchanged where it is of a kind without one."""
        bare = self._bare(line)
        at = line.find(bare)
        places = [(r, bare if r.seal is None else r.seal.opened(bare)) for r in self.readers.values()]
        fitting = [place for place in places if place[1] is not None and place[0].matches(place[1])]
        for reader, content in (*fitting, *places):
            if content is not None and (reader.seal is not None or fitting):
                new = content if reader.seal is None else reader.seal.sealed(content)
                return line[:at] + new + line[at + len(bare) :]
        return line

    def _readers_for(self, answers: tuple[str, ...]) -> tuple[Reader, ...]:
        if answers not in self._expected:
            self._expected[answers] = (*(self.readers[name] for name in answers if name in self.readers), *self._free)
        return self._expected[answers]

    def digest(self) -> str:
        """Return the SHA-256 (hex) of the description and the options."""
        return hashlib.sha256(json.dumps(self.options, sort_keys=True).encode()).hexdigest()


OWN_DECODE: Final = DescribedDriver.decode
_LEFT_OUT: Final = Reject("ignored: begins with a text of `ignore`")
_EMPTY: Final = Reject("ignored: an empty line")


__all__ = ["OPTION", "DescribedDriver", "Question", "SettingError"]
