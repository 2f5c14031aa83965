"""Readers of lines: match a line against its pattern and decode its fields."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import add, itemgetter, mul

from daq.core.driver import Channel, Decoded, Identity, Part, Reject, Reply, Request, Values
from daq.core.faults import FAULTS
from daq.core.units import convert
from daq.descriptions import template
from daq.descriptions.linemodel import (
    ConfirmationLine,
    IdentityLine,
    IgnoredLine,
    LineTable,
    ReadingLine,
    RefusalLine,
    StatusLine,
)
from daq.descriptions.model import CommandTable, DescriptionTables
from daq.descriptions.patterns import Writing, compiled, escaped, expression, plain_number
from daq.descriptions.seal import Seal
from daq.descriptions.slots import ChannelSlot, Found, Slot, StatusSlot, UnitSlot, number_field, slot_of, unit_slot
from daq.descriptions.template import Field
from daq.descriptions.types import TYPES

#: Decodes the groups of a line that matched, and the request it answers (None: unasked).
GroupsDecoder = Callable[[tuple[bytes | None, ...], Request | None], Decoded | None]


@dataclass(frozen=True, slots=True)
class Line:
    """One kind of line, with the values of the options inserted."""

    name: str
    table: LineTable
    parts: tuple[template.Part, ...]
    fields: tuple[Field, ...]
    writing: Writing

    @property
    def pattern(self) -> str:
        """Regular expression of the line, with one group for each of `fields`."""
        return expression(self.parts, self.table.tables, self.writing)

    @property
    def opening(self) -> bytes:
        """Bytes of the text at its beginning; b"" where it begins with a field."""
        first = next(iter(self.parts), "")
        return self.writing.of(first) if isinstance(first, str) else b""


def line_of(name: str, table: LineTable, settings: Mapping[str, str], writing: Writing) -> Line:
    """Return a line of a description with the values of the options inserted."""
    parts = template.filled(table.parts(), settings)
    return Line(name, table, parts, tuple(template.named_fields(parts)), writing)


class Reader:
    """Decodes lines of one kind."""

    def __init__(
        self,
        line: Line,
        tables: DescriptionTables,
        channels: Sequence[Channel],
        sign: Mapping[str, float],
        chosen: Mapping[str, str | int],
    ) -> None:
        """Compile the pattern of the line.

        Args:
            line: the line.
            tables: the description.
            channels: channels of the driver, in order.
            sign: 1 or -1 for each channel whose sign changes with the option `direction`; under "" that of commands.
            chosen: values of the options.
        """
        self.line = line
        self.opening = line.opening
        self._match = compiled(line.pattern).fullmatch
        self._tables, self._channels, self._sign = tables, channels, sign
        self._slots: list[Slot] = []
        if isinstance(line.table, ReadingLine):
            self._slots += self._reading_slots(line.table, chosen)
        elif isinstance(line.table, StatusLine):
            self._slots += [slot_of(p, line.table.table(p.name), channels, line.writing) for p in line.fields]
        # Units first, because numbers need them; then fields with a status, so that their faults come before those of
        # texts in place of a number.
        first = (UnitSlot, StatusSlot)
        self._order = sorted(
            range(len(self._slots)),
            key=lambda at: next((i for i, kind in enumerate(first) if isinstance(self._slots[at], kind)), len(first)),
        )
        self._read = self._decoder(line.table)

    def _reading_slots(self, table: ReadingLine, chosen: Mapping[str, str | int]) -> list[Slot]:
        """Return the slots of a reading; those of units refer to those of numbers."""
        line, channels = self.line, self._channels
        tables = {place.name: table.table(place.name) for place in line.fields}
        times: dict[str, float] = {}
        with_unit = {name for own in tables.values() for name in own.unit_of}
        slots: dict[str, Slot] = {}
        for place in line.fields:
            own = tables[place.name]
            times[place.name] = self._sign.get(table.channel(place.name), 1.0)
            if own.divide_by is not None:
                times[place.name] /= int(chosen[own.divide_by])
            slot = slot_of(place, own, channels, line.writing, times[place.name])
            if place.name in with_unit and isinstance(slot, ChannelSlot):
                slot = replace(slot, name=place.name)
            slots[place.name] = slot
        numbers = {name: slot for name, slot in slots.items() if isinstance(slot, ChannelSlot)}
        for name, own in tables.items():
            if own.units:
                slots[name] = unit_slot(own, tables, numbers, channels, times, line.writing)
        return list(slots.values())

    def _decoder(self, table: LineTable) -> GroupsDecoder:
        match table:
            case IdentityLine():
                return lambda groups, _: self._identity(table, groups)
            case ConfirmationLine():
                return lambda groups, asked: self._confirmation(table, groups, asked)
            case RefusalLine():
                return lambda groups, _: self._refusal(table, groups)
            case IgnoredLine():
                reject = Reject(table.reason or f"ignored: {self.line.name}")
                return lambda *_: reject
        return self._reading

    @property
    def slots(self) -> dict[Field, Slot]:
        """Slot of each field of a reading."""
        return dict(zip(self.line.fields, self._slots, strict=False))

    def read(self, content: bytes, asked: Request | None) -> Decoded | None:
        """Decode a line without its checksum; None where it is not of this kind."""
        found = self._match(content)
        return None if found is None else self._read(found.groups(), asked)

    def texts(self, content: bytes) -> dict[str, bytes]:
        """Return the bytes of each named field by its name; empty where the line is not of this kind."""
        found = self._match(content)
        groups = () if found is None else found.groups()
        return {p.name: raw for p, raw in zip(self.line.fields, groups, strict=False) if raw is not None}

    def _reading(self, groups: tuple[bytes | None, ...], _: Request | None) -> Decoded | None:
        found = Found()
        for at in self._order:
            raw = groups[at]
            if raw is not None and not self._slots[at].take(raw, found):
                return None
        values, faults = found.values, tuple(dict.fromkeys(found.faults))
        if faults:
            void = {channel for channel, fault in faults if not FAULTS[fault].keeps_value}
            for at in values:
                if "" in void or self._channels[at].name in void:
                    values[at] = None
        if len(values) < len(self._channels):
            return Part(tuple(sorted(values.items())), faults)
        ordered = tuple(values[at] for at in range(len(values)))
        sound = tuple(v for v in ordered if v is not None)
        return Values(ordered, faults) if faults or len(sound) < len(ordered) else sound

    def _texts(self, groups: tuple[bytes | None, ...]) -> dict[str, str]:
        encoding = self.line.writing.encoding
        return {
            place.name: raw.decode(encoding, "replace").strip(" ")
            for place, raw in zip(self.line.fields, groups, strict=True)
            if raw is not None
        }

    def _number(self, groups: tuple[bytes | None, ...], name: str) -> float | None:
        for place, raw in zip(self.line.fields, groups, strict=True):
            if place.name == name and raw is not None and TYPES[place.type].gives == "number":
                return number_field(place, self.line.table.table(name), self.line.writing).number(raw)
        return None

    def _identity(self, line: IdentityLine, groups: tuple[bytes | None, ...]) -> Decoded | None:
        texts = self._texts(groups)
        if not texts.get("serial"):
            return Reject("identity without serial number")
        facts: dict[str, float | str] = {}
        for name in texts.keys() - {"kind", "serial", "firmware"}:
            table = line.table(name)
            number = self._number(groups, name)
            facts[table.fact or name] = texts[name] if number is None else number * table.scale + table.offset
        facts = dict(sorted(facts.items()))
        kind = texts.get("kind") or self._tables.kind
        return Reply("identity", identity=Identity(kind, texts["serial"], texts.get("firmware", ""), facts))

    def _confirmation(
        self, line: ConfirmationLine, groups: tuple[bytes | None, ...], asked: Request | None
    ) -> Decoded | None:
        texts = self._texts(groups)
        if "command" in texts:
            names = line.table("command").names
            what = names.get(texts["command"], "" if names else texts["command"])
            if what not in self._tables.command and what not in self._tables.request:
                return None
        else:
            what = line.confirms or (asked.expects if asked is not None else "")
            if not what or what in ("reading", "identity"):
                return Reject("a confirmation of nothing that was asked")
        value = self._number(groups, "value")
        command = self._tables.command.get(what)  # type: ignore[call-overload]  # a name that is no action finds nothing
        return Reply(what, value if value is None or command is None else self._of_command(what, command, value))

    def _of_command(self, action: str, command: CommandTable, value: float) -> float:
        of_core = ACTION_UNITS.get(action, "")
        # An action without a unit, such as zeroing, confirms a plain number.
        back = convert(value, command.unit or of_core, of_core) if of_core else value
        return (self._sign[""] * back if command.turns else back) + 0.0

    def _refusal(self, line: RefusalLine, groups: tuple[bytes | None, ...]) -> Decoded | None:
        reason = self._texts(groups).get("reason") or line.reason
        return Reply("refused", refusal=reason or "no reason given")

    def fast_path(self, seal: Seal | None) -> "FastPath | None":
        """Return the fast decoder of readings without faults; None where the line allows none."""
        if not isinstance(self.line.table, ReadingLine) or (seal is not None and not seal.pattern):
            return None
        slots = self.slots
        columns = [s for s in self._slots if isinstance(s, ChannelSlot)]
        optional = {f.name for f in self.line.fields} - {p.name for p in self.line.parts if isinstance(p, Field)}
        if (
            {c.at for c in columns} != set(range(len(self._channels)))
            or len(columns) != len(self._channels)
            or optional
        ):
            return None
        if any(c.reader.width or c.name for c in columns):
            return None

        def inner(place: Field, own: str) -> str:
            slot = slots.get(place)
            if isinstance(slot, ChannelSlot):
                return f"({own})" if not slot.texts else f"({_number_only(self.line, place)})"
            if isinstance(slot, StatusSlot):
                good = sorted((text for text, faults in slot.means.items() if not faults), key=len, reverse=True)
                good += [b"0"] if slot.bits and not good else []
                return f"(?>{'|'.join(map(escaped, good))})" if good else "(?!)"
            return own

        content = expression(self.line.parts, self.line.table.tables, self.line.writing, inner)
        return FastPath(f"({content}{seal.pattern}" if seal else content, seal, columns)


def _number_only(line: Line, place: Field) -> str:
    return plain_number(place, line.table.table(place.name), line.writing)


#: Unit of the value of an action in the core (UCUM).
ACTION_UNITS: Mapping[str, str] = {"speed": "/min", "bath": "Cel"}


class FastPath:
    """Fast decoder of readings without faults: one match, one checksum, conversion of the numbers."""

    def __init__(self, pattern: str, seal: Seal | None, columns: Sequence[ChannelSlot]) -> None:
        self._match = compiled(pattern).fullmatch
        self._seal = seal
        self._readers = [c.reader.read for c in columns]
        self._factors = tuple(c.factor for c in columns)
        self._addends = tuple(c.addend for c in columns)
        self._sentinels = frozenset(number for c in columns for number in c.numbers)
        n = len(columns)
        order = sorted(range(n), key=lambda i: columns[i].at)
        self._arrange = itemgetter(*order) if order != list(range(n)) else None
        self._plain = all(r is float for r in self._readers) and not self._sentinels and self._arrange is None

    def reader(self) -> Callable[[bytes], tuple[float, ...] | None]:
        """Return a function from a whole line to its values; it gives None for a line that needs the full decoder."""
        match, finish = self._match, self._finish
        as_read = self._plain and not any(self._addends) and all(f == 1.0 for f in self._factors)

        def unsealed(line: bytes) -> tuple[float, ...] | None:
            found = match(line)
            if found is None:
                return None
            numbers = found.groups()
            values = tuple(map(float, numbers)) if as_read else finish(numbers)
            return values if values is None or 0.0 not in values else tuple([v + 0.0 for v in values])

        if self._seal is None:
            return unsealed
        of, base = self._seal.of, self._seal.base

        def sealed(line: bytes) -> tuple[float, ...] | None:
            found = match(line)
            if found is None:
                return None
            covered, *numbers, check = found.groups()
            if int(check, base) != of(covered):
                return None
            values = tuple(map(float, numbers)) if as_read else finish(numbers)
            # Adding 0.0 turns a negative zero into zero.
            return values if values is None or 0.0 not in values else tuple([v + 0.0 for v in values])

        return sealed

    def _finish(self, numbers: Sequence[bytes]) -> tuple[float, ...] | None:
        if self._plain:
            values = tuple(map(mul, map(float, numbers), self._factors))
        else:
            values = tuple([read(raw) for read, raw in zip(self._readers, numbers, strict=True)])
            if not self._sentinels.isdisjoint(values):
                return None
            values = tuple(map(mul, values, self._factors))
        if any(self._addends):
            values = tuple(map(add, values, self._addends))
        return values if self._arrange is None else self._arrange(values)
