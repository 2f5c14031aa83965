"""Driver built from a description."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.core.driver import Action, Channel, Decoded, Driver, Port, Reject, Request
from daq.core.errors import DriverError, SettingError
from daq.core.framing import Framing
from daq.core.units import convert
from daq.descriptions import template
from daq.descriptions.lines import ACTION_UNITS, Reader, line_of
from daq.descriptions.model import CommandTable, DescriptionTables, RequestTable
from daq.descriptions.options import settle_options
from daq.descriptions.patterns import Writing
from daq.descriptions.seal import Seal, seal_of
from daq.descriptions.slots import StatusSlot

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
        begin = self._bytes(tables.framing.begin if tables.framing.sends_begin is None else tables.framing.sends_begin)
        by_terminator = not tables.framing.length and not tables.framing.silence
        first_end = tables.framing.ends[0] if by_terminator else ""
        end = self._bytes(first_end if tables.framing.sends_end is None else tables.framing.sends_end)
        self.request_marks = begin, end
        """Bytes before and after each request."""
        self.seal: Seal | None = None
        if tables.checksum is not None:
            self.seal = seal_of(tables.checksum, self._bytes(tables.checksum.mark), self._bytes(tables.framing.begin))
        sign = -1.0 if chosen.get("direction") == "backward" else 1.0
        self._signs = {"": sign} | {c.name: sign for c in tables.channel if c.turns}
        lines = {name: line_of(name, table, self.settings, self.writing) for name, table in tables.line.items()}
        self.readers = {name: Reader(line, tables, self.channels, self._signs, chosen) for name, line in lines.items()}
        bound = {name for r in (*tables.request.values(), *tables.command.values()) for name in r.answers}
        self._free = tuple(reader for name, reader in self.readers.items() if name not in bound)
        self._questions: dict[tuple[str, str], Question] = {}
        self._expected: dict[tuple[str, ...], tuple[Reader, ...]] = {(): self._free}
        paths = [path for reader in self._free if (path := reader.fast_path(self.seal)) is not None]
        self._fast_path = paths[0].reader() if paths else _no_fast_path

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
            "has_checksum": tables.checksum is not None,
            "channels": tuple(Channel(c.name, c.unit, c.low, c.high) for c in tables.channel),
            "framing": Framing(
                terminator=ends if len(ends) > 1 else ends[0],
                longest=framing.longest,
                idle_ns=framing.idle,
                drop_first=framing.drop_first,
                begin=self._bytes(framing.begin),
                length=framing.length,
                silence_ns=framing.silence,
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
        name = self.tables.identify
        return None if name is None else self._fixed(name, "identity")

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
        if "{value}" in command.send:
            settings = {**settings, "value": self._value(action, command, value)}
        return self._request(command, action, settings)

    def _value(self, action: Action, command: CommandTable, value: float | None) -> str:
        if value is None:
            raise DriverError(f"{action} needs a value")
        if not abs(value) <= LARGEST_VALUE:
            raise DriverError(f"{action} cannot be set to {value}")
        own = command.unit or ACTION_UNITS[action]
        sent = convert(value, ACTION_UNITS[action], own)
        low, high = command.low, command.high
        # The slack accepts the limit itself after a conversion that rounds.
        slack = 0.5 * 10.0**-command.decimals
        if (
            (low is not None and abs(sent) < low - slack)
            if action == "speed"
            else (low is not None and sent < low - slack)
        ):
            raise DriverError(f"{action} {sent:g} {own} is below the lowest that {self.kind} takes, {low:g} {own}")
        if high is not None and (abs(sent) if action == "speed" else sent) > high + slack:
            raise DriverError(f"{action} {sent:g} {own} is above the highest that {self.kind} takes, {high:g} {own}")
        text = f"{self.sign_of(command) * sent:.{command.decimals}f}"
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
        parts = template.filled(template.parse(table.send, line=False), settings or self.settings)
        content = b"".join(self._bytes(part) for part in parts if isinstance(part, str))
        if self.seal is not None and self.tables.checksum is not None and self.tables.checksum.requests:
            content = self.seal.sealed(content)
        begin, end = self.request_marks
        data = begin + content + end
        return Question(data, expects, table.timeout, table.tries, table.answers)

    # ---- reading

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode a line by the first line of the description that matches."""
        values = self._fast_path(line)
        if values is not None:
            return values
        if self.seal is not None and self.seal.opened(line) is None:
            return Reject("no checksum")
        content = self.content(line)
        if content is None:
            return Reject("wrong checksum")
        readers = self._free
        if isinstance(asked, Question) and asked.answers:
            readers = self._readers_for(asked.answers)
        for reader in readers:
            decoded = reader.read(content, asked)
            if decoded is not None:
                return decoded
        for reader in readers:
            if len(reader.opening) > 1 and content.startswith(reader.opening):
                return Reject(f"malformed line: {reader.line.name}")
        return Reject("unknown line")

    def ignored_states(self, line: bytes) -> Iterator[tuple[str, str]]:
        """Yield the states of a line that `others = "ignored"` hides: key of the field, and text or bit."""
        content = self.content(line)
        for name, reader in self.readers.items() if content is not None else ():
            texts = reader.texts(content or b"")
            for place, slot in reader.slots.items():
                if isinstance(slot, StatusSlot) and slot.others == "ignored" and place.name in texts:
                    for state in slot.unlisted(texts[place.name]):
                        yield f"line.{name}.fields.{place.name}", state

    def content(self, line: bytes) -> bytes | None:
        """Return a line without its checksum; None where the checksum is absent or wrong."""
        if self.seal is None:
            return line
        opened = self.seal.opened(line)
        return opened if opened is not None and self.seal.holds(line, opened) else None

    def _readers_for(self, answers: tuple[str, ...]) -> tuple[Reader, ...]:
        if answers not in self._expected:
            self._expected[answers] = (*(self.readers[name] for name in answers if name in self.readers), *self._free)
        return self._expected[answers]

    def digest(self) -> str:
        """Return the SHA-256 (hex) of the description and the options."""
        return hashlib.sha256(json.dumps(self.options, sort_keys=True).encode()).hexdigest()


def _no_fast_path(line: bytes) -> tuple[float, ...] | None:
    del line
    return None


def without_description(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return a driver's options without the description."""
    return {key: value for key, value in options.items() if key != OPTION}


__all__ = ["OPTION", "DescribedDriver", "Question", "SettingError", "without_description"]
