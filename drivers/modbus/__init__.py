"""Driver of instruments with Modbus on a serial line, RTU or ASCII; the instrument's file gives the registers.

Source: Modbus application protocol specification V1.1b3; Modbus over serial line V1.02.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from daq.core.driver import Action, Decoded, Driver, Identity, Part, Port, Reject, Reply, Request, Values
from daq.core.errors import DriverError, SettingError
from daq.core.faults import FAULTS
from daq.core.framing import Framing
from drivers.modbus import frames
from drivers.modbus.registers import (
    TABLES,
    Command,
    Measured,
    check_apart,
    command_of,
    measured_of,
    one_of,
    status_of,
    table_of,
    whole,
)

MILLISECOND: Final = 1_000_000
MOST: Final = 125
"""Greatest number of registers in one answer."""
OPTIONS: Final = frozenset(
    {"address", "form", "interval_ms", "timeout_ms", "echo", "channels", "status", "serial", "commands", "on_link_loss"}
)
WITH_VALUE: Final = ("speed", "bath")
ACTIONS: Final = ("speed", "turn", "halt", "zero", "bath")


@dataclass(frozen=True, slots=True)
class Block:
    """Registers that one request reads."""

    table: int
    register: int
    count: int


@dataclass(frozen=True, slots=True)
class Asking(Request):
    """A request with the content of its answer."""

    content: bytes = b""
    """Address and PDU."""
    block: Block | None = None
    value: float | None = None


class ModbusDriver(Driver):
    """Reads registers at an interval, and writes registers for actions.

    Options:
        address: address of the instrument, 1 to 247.
        form: ``rtu`` (default) or ``ascii``.
        interval_ms: time between readings, 50 to 3600000; default 1000.
        timeout_ms: greatest wait for an answer, 20 to 10000; default 500.
        echo: true where the line echoes every request (often RS-485 with two wires).
        channels: a table for each channel: `register`, `table` (``input``, read with function 4, or ``holding``,
            with 3), `type` (int16, uint16, int32, uint32, float32, float64; magnitude16 and magnitude32 have the
            sign in the highest bit), `words` (``high first`` or ``low first``,
            needed for more than 16 bits) and `bytes` (the same, ``high first`` by default), `unit`, `low`, `high`,
            `scale`, `offset`, `special` (numbers in place of a value, each with its fault; "-0" is a
            negative zero).
        status: `register`, `table`, `type` and `bits`: faults by the bit's weight.
        serial: `register`, `table` and `count` of the registers with the serial number as text.
        commands: by action (speed, turn, halt, zero, bath): `register`, `type`, `words`, the `value` to write, or
            `low` and `high` of the action's own value; `scale`; `function` 16 (default) or 6.  The answer to function 6
            is the request itself, so an echoing line would confirm a command that was not received.
        on_link_loss: behaviour of a motor when the cable is pulled.
    """

    kind: ClassVar[str] = "modbus"
    has_checksum: ClassVar[bool] = True
    shares_line = True
    pause_ns = 4 * MILLISECOND  # at least 3.5 characters between two frames (serial line V1.02, 2.5.1.1)

    def __init__(self, options: Mapping[str, Any]) -> None:
        super().__init__(options)
        given = table_of(options, "options", OPTIONS, frozenset({"address", "channels"}))
        self.address = whole(given, "address", "options", 1, 247)
        self._ascii = one_of(given, "form", "options", ("rtu", "ascii"), "rtu") == "ascii"
        self.interval_ns = whole(given, "interval_ms", "options", 50, 3_600_000, 1000) * MILLISECOND
        self.stale_after_ns = max(5000 * MILLISECOND, 5 * self.interval_ns)
        self._timeout_ns = whole(given, "timeout_ms", "options", 20, 10_000, 500) * MILLISECOND
        echo = given.get("echo", False)
        if not isinstance(echo, bool):
            raise SettingError("must be true or false", key="options.echo")
        self.echoes = echo
        if self._ascii:
            self.framing = Framing(begin=b":", terminator=b"\r\n", longest=2 * frames.LONGEST)
            self.port = Port(baud=9600, data_bits=7, parity="E")
        else:
            self.framing = Framing(measure=frames.answer_length, longest=frames.LONGEST)
            self.port = Port(baud=19_200, parity="E")
        self._measured = self._channels(given["channels"])
        self.channels = tuple(m.channel for m in self._measured)
        self._status = (
            status_of(given["status"], [c.name for c in self.channels], "options.status")
            if ("status" in given)
            else None
        )
        self._blocks = list(self._joined())
        self._serial = self._serial_block(given["serial"]) if "serial" in given else None
        self._commands = self._actions(given.get("commands", {}))
        self.capabilities = frozenset(self._commands)
        self._check_motion(given)

    def _channels(self, given: Any) -> list[Measured]:
        table = table_of(given, "options.channels")
        if not table:
            raise SettingError("needs at least one channel", key="options.channels")
        found = {name: measured_of(name, channel, f"options.channels.{name}") for name, channel in table.items()}
        check_apart({name: measured.place for name, measured in found.items()}, "options.channels")
        return [*found.values()]

    def _joined(self) -> Iterator[Block]:
        """Yield blocks of adjacent registers; registers that are not named are not read."""
        places = [m.place for m in self._measured] + ([self._status.place] if self._status else [])
        spans = sorted({(p.table, p.register, p.register + p.count) for p in places})
        table, first, end = spans[0]
        for other, begin, stop in spans[1:]:
            if other == table and begin <= end and max(stop, end) - first <= MOST:
                end = max(stop, end)
                continue
            yield Block(table, first, end - first)
            table, first, end = other, begin, stop
        yield Block(table, first, end - first)

    def _serial_block(self, given: Any) -> Block:
        key = "options.serial"
        table = table_of(given, key, frozenset({"register", "table", "count"}), frozenset({"register", "count"}))
        function = TABLES[one_of(table, "table", key, tuple(TABLES), "holding")]
        return Block(function, whole(table, "register", key, 0, 65_535), whole(table, "count", key, 1, 20))

    def _actions(self, given: Any) -> dict[Action, Command]:
        table = table_of(given, "options.commands", frozenset(ACTIONS))
        return {
            action: command_of(table[action], f"options.commands.{action}", has_value=action in WITH_VALUE)
            for action in ACTIONS
            if action in table
        }

    def _check_motion(self, given: Mapping[str, Any]) -> None:
        choices = ("keeps_turning", "stops", "unknown", "no_motor")
        on_link_loss = one_of(given, "on_link_loss", "options", choices, "no_motor")
        if self.capabilities & {"speed", "turn"} and ("halt" not in self.capabilities or on_link_loss == "no_motor"):
            raise SettingError(
                "an instrument that turns needs the command halt, and on_link_loss", key="options.commands"
            )
        self.on_link_loss = on_link_loss  # type: ignore[assignment]  # one of `choices`

    # ---- asking

    def _asking(self, content: bytes, expects: str, block: Block | None = None, value: float | None = None) -> Asking:
        data = frames.ascii_frame(content) if self._ascii else frames.rtu(content)
        return Asking(data, expects, self._timeout_ns, content=content, block=block, value=value)

    def _reading(self, block: Block, expects: str) -> Asking:
        return self._asking(frames.read(self.address, block.table, block.register, block.count), expects, block)

    def identify(self) -> Request | None:
        """Return the request for the serial number; None where the file gives no register for it."""
        return None if self._serial is None else self._reading(self._serial, "identity")

    def poll(self) -> Request | tuple[Request, ...]:
        """Return the requests for all named registers, one for each block."""
        asked = tuple(self._reading(block, "reading") for block in self._blocks)
        return asked[0] if len(asked) == 1 else asked

    def action(self, action: Action, value: float | None = None) -> Request:
        """Return the request that writes the registers of an action.

        Raises:
            DriverError: there is no such command, or the value is missing or beyond its limits.
        """
        command = self._commands.get(action)
        if command is None:
            raise DriverError(f"{self.kind} cannot {action}: its file has no such command")
        number = command.value
        if number is None:
            if value is None:
                raise DriverError(f"{action} needs a value")
            if not command.low <= value <= command.high:
                raise DriverError(f"{action} {value:g} is not between {command.low:g} and {command.high:g}")
            number = value
        words = command.place.raw(number / command.scale)
        content = frames.write(self.address, command.function, command.place.register, words)
        return self._asking(content, action, value=command.place.number(words) * command.scale)

    # ---- reading

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode an answer to the request `asked`."""
        content = frames.body_of_ascii(line) if self._ascii else frames.body_of_rtu(line)
        if content is None:
            return Reject("wrong checksum")
        if content[0] != self.address:
            return Reject("of another address")
        if not isinstance(asked, Asking) or len(content) < 2:
            return Reject("nothing was asked")
        function = asked.content[1]
        if content[1] == function | 0x80 and len(content) == 3:
            code = content[2]
            return Reply("refused", refusal=f"exception {code}: {frames.EXCEPTIONS.get(code, 'unknown')}")
        if content[1] != function:
            return Reject("answers another function")
        if asked.block is None:
            return self._confirmed(content, asked)
        registers = content[3:]
        if len(content) < 3 or content[2] != len(registers) or len(registers) != 2 * asked.block.count:
            return Reject("answers with another number of registers")
        return self._identity(registers) if asked.expects == "identity" else self._values(registers, asked.block)

    def _confirmed(self, content: bytes, asked: Asking) -> Decoded:
        """Decode the answer to a write: it repeats the register and the value (6) or the number of registers (16)."""
        if content != asked.content[:6]:
            return Reject("confirms something else")
        return Reply(asked.expects, asked.value if asked.expects in WITH_VALUE else None)

    def _identity(self, registers: bytes) -> Decoded:
        text = registers.decode("ascii", "replace").strip("\0 ")
        if not text or not text.isprintable():
            return Reject("identity without serial number")
        return Reply("identity", identity=Identity(self.kind, text))

    def _values(self, registers: bytes, block: Block) -> Decoded:
        values: dict[int, float | None] = {}
        faults: list[tuple[str, str]] = []
        for at, measured in enumerate(self._measured):
            raw = _cut(registers, block, measured.place.table, measured.place.register, measured.place.count)
            if raw:
                values[at], fault = measured.read(raw)
                if fault:
                    faults.append((measured.channel.name, fault))
        status = self._status
        if status is not None:
            raw = _cut(registers, block, status.place.table, status.place.register, status.place.count)
            bits = int(status.place.number(raw)) if raw else 0
            faults += [fault for weight, fault in status.bits.items() if bits & weight]
        void = {channel for channel, fault in faults if not FAULTS[fault].keeps_value}
        for at in values:
            if "" in void or self.channels[at].name in void:
                values[at] = None
        if len(values) < len(self.channels):
            return Part(tuple(values.items()), tuple(faults))
        ordered = tuple(values[at] for at in range(len(values)))
        sound = tuple(v for v in ordered if v is not None)
        return Values(ordered, tuple(faults)) if faults or len(sound) < len(ordered) else sound


def _cut(registers: bytes, block: Block, table: int, register: int, count: int) -> bytes:
    """Return the bytes of a place in a block; b"" where the block does not contain it."""
    if table != block.table or not block.register <= register <= block.register + block.count - count:
        return b""
    start = 2 * (register - block.register)
    return registers[start : start + 2 * count]
