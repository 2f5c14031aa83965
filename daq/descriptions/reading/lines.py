"""Readers of lines: match a line against its pattern and decode its fields."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from daq.core.driver import Channel, Decoded, Identity, Part, Reading, Reject, Reply, Request, Several, Values
from daq.core.faults import FAULTS
from daq.core.units import convert
from daq.descriptions import template
from daq.descriptions.codec.checktable import ChecksumTable
from daq.descriptions.codec.fieldtables import ReadingField
from daq.descriptions.codec.layout import FrameLayout, Length, number_bytes
from daq.descriptions.codec.seal import Seal
from daq.descriptions.linemodel import (
    IGNORED,
    ConfirmationLine,
    FactsLine,
    IdentityLine,
    IgnoredLine,
    LineTable,
    ReadingLine,
    RefusalLine,
    StatusLine,
)
from daq.descriptions.model import CommandTable, DescriptionTables
from daq.descriptions.patterns import Writing, compiled, expression
from daq.descriptions.reading.slots import (
    ChannelSlot,
    Found,
    Slot,
    StatusSlot,
    UnitSlot,
    number_field,
    slot_of,
    unit_slot,
)
from daq.descriptions.template import Field
from daq.descriptions.types import KINDS

Groups = tuple[bytes | None, ...]
"""Texts of the named fields of a line, None for a field that is absent."""
#: Decodes the groups of a line that matched, and the request it answers (None: unasked).
GroupsDecoder = Callable[[Groups, Request | None], Decoded | None]
_HEX = re.compile(b"[0-9A-Fa-f]+")
_WHOLE = re.compile(b"[+-]?[0-9]+")
_NOT_FINITE = frozenset({b"nan", b"inf", b"-inf"})


@dataclass(frozen=True, slots=True)
class Line:
    """One kind of line, with the values of the options inserted.

    Attributes:
        fields: named fields; a number that is split has its parts in its place.
        whole: named fields as they are in the line.
        seal: its checksum; None for none.
        layout: layout of a frame of bytes; None for a line of text.
    """

    name: str
    table: LineTable
    parts: tuple[template.Part, ...]
    fields: tuple[Field, ...]
    whole: tuple[Field, ...]
    writing: Writing
    seal: Seal | None
    layout: FrameLayout | None

    @property
    def pattern(self) -> str:
        """Regular expression of a line of text, with one group for each of `whole`."""
        return expression(self.parts, self.table.tables, self.writing)

    @property
    def opening(self) -> bytes:
        """Bytes of the text at its beginning; b"" where it begins with a field."""
        return self.writing.of(template.opening_of(self.parts)) if self.layout is None else self.layout.opening


def line_of(
    name: str,
    table: LineTable,
    tables: DescriptionTables,
    settings: Mapping[str, str],
    writing: Writing,
    seal: Seal | None,
) -> Line:
    """Return a line of a description with the values of the options inserted.

    Raises:
        ValueError: the value of an option does not fit in its place.
    """
    parts = template.filled(table.parts(), settings)
    whole = template.named_fields(parts)
    layout = None
    if table.bytes is not None:
        length = Length(tables.frame.length, tables.frame.adds) if tables.frame is not None else None
        layout = FrameLayout(parts, length, seal.length if seal is not None else 0)
    return Line(name, table, parts, tuple(table.expanded(whole)), tuple(whole), writing, seal, layout)


def checksum_of(table: LineTable, tables: DescriptionTables) -> ChecksumTable | None:
    """Return the checksum of a kind of line; None for none."""
    return tables.checksum if table.checksum is None else None if table.checksum == "none" else table.checksum


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
        self.seal = line.seal
        self._groups = self._matcher()
        self._tables, self._channels, self._sign = tables, channels, sign
        self.channels = channels
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
        own = [line.table.table(place.name) for place in line.fields]
        #: Number of the reading of each field; None for all readings.
        self.numbers = [table.reading if isinstance(table, ReadingField) else None for table in own]
        self.readings = max((number or 1 for number in self.numbers), default=1)

    def _matcher(self) -> Callable[[bytes], Groups | None]:
        """Return the function from a line without its checksum to its groups; None where it is of another kind."""
        line = self.line
        if line.layout is not None:
            return self._of_frame
        match = compiled(line.pattern).fullmatch

        def groups(content: bytes) -> Groups | None:
            found = match(content)
            return None if found is None else found.groups()

        return (lambda content: self._split(groups(content))) if line.table.split else groups

    def _of_frame(self, content: bytes) -> Groups | None:
        layout, table = self.line.layout, self.line.table
        texts = layout.texts(content) if layout is not None else None
        if texts is None:
            return None
        for field, text in texts.items():
            if text in _NOT_FINITE and text.decode("ascii") not in table.table(field.name).instead:
                return None  # infinities and NaN are numbers of no instrument, unless the description names them
        return self._split(tuple(texts[field] for field in self.line.whole))

    def _split(self, groups: Groups | None) -> Groups | None:
        """Replace numbers by their parts; None where a bit is set that has no name."""
        table = self.line.table
        if groups is None or not table.split:
            return groups
        out: list[bytes | None] = []
        for field, raw in zip(self.line.whole, groups, strict=True):
            if field.name not in table.split:
                out.append(raw)
                continue
            ranges = table.bit_ranges(field.name)
            number = None
            if raw is not None:
                digits, hexadecimal = raw.strip(b" "), field.type == "hex"
                if (_HEX if hexadecimal else _WHOLE).fullmatch(digits) is None:
                    return None  # a field of fixed width has any characters
                number = int(digits, 16 if hexadecimal else 10)
                if number < 0 or number & ~sum((1 << r.count) - 1 << r.low for r in ranges.values()):
                    return None
            out += [
                None if number is None else number_bytes(own.of(number))
                for name, own in ranges.items()
                if name != IGNORED
            ]
        return tuple(out)

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
            case FactsLine():
                return lambda groups, _: Reply(
                    "identity", identity=Identity(self._tables.kind, "", "", self._facts(table, groups))
                )
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
        groups = self._groups(content)
        return None if groups is None else self._read(groups, asked)

    def matches(self, content: bytes) -> bool:
        """Return True where a line without its checksum is of this kind."""
        return self._groups(content) is not None

    def texts(self, content: bytes) -> dict[str, bytes]:
        """Return the bytes of each named field by its name; empty where the line is not of this kind."""
        groups = self._groups(content) or ()
        return {p.name: raw for p, raw in zip(self.line.fields, groups, strict=False) if raw is not None}

    def _reading(self, groups: Groups, _: Request | None) -> Decoded | None:
        if self.readings == 1:
            return self._one_reading(groups, 1)
        readings = [self._one_reading(groups, number) for number in range(1, self.readings + 1)]
        # A part of a reading beside others could not be joined with the line of its other channels.
        whole = [reading for reading in readings if reading is not None and not isinstance(reading, Part)]
        return Several(tuple(whole)) if len(whole) == len(readings) else None

    def _one_reading(self, groups: Groups, number: int) -> Reading | None:
        found = Found()
        for at in self._order:
            raw = groups[at]
            if raw is None or (self.numbers[at] or number) != number:
                continue
            if not self._slots[at].take(raw, found):
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

    def _texts(self, groups: Groups) -> dict[str, str]:
        encoding = self.line.writing.encoding
        return {
            place.name: raw.decode(encoding, "replace").strip(" ")
            for place, raw in zip(self.line.fields, groups, strict=True)
            if raw is not None
        }

    def _number(self, groups: Groups, name: str) -> float | None:
        for place, raw in zip(self.line.fields, groups, strict=True):
            if place.name == name and raw is not None and KINDS[place.type].gives == "number":
                return number_field(place, self.line.table.table(name), self.line.writing).number(raw)
        return None

    def _identity(self, line: IdentityLine, groups: Groups) -> Decoded | None:
        texts = self._texts(groups)
        if not texts.get("serial"):
            return Reject("identity without serial number")
        facts = self._facts(line, groups)
        kind = texts.get("kind") or self._tables.kind
        return Reply("identity", identity=Identity(kind, texts["serial"], texts.get("firmware", ""), facts))

    def _facts(self, line: IdentityLine | FactsLine, groups: Groups) -> dict[str, float | str]:
        texts = self._texts(groups)
        facts: dict[str, float | str] = {}
        for name in texts.keys() - {"kind", "serial", "firmware"}:
            table = line.table(name)
            number = self._number(groups, name)
            facts[table.fact or name] = texts[name] if number is None else number * table.scale + table.offset
        return dict(sorted(facts.items()))

    def _confirmation(self, line: ConfirmationLine, groups: Groups, asked: Request | None) -> Decoded | None:
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
        value *= command.scale  # it is confirmed as it is sent
        back = convert(value, command.unit or of_core, of_core) if of_core else value
        return (self._sign[""] * back if command.turns else back) + 0.0

    def _refusal(self, line: RefusalLine, groups: Groups) -> Decoded | None:
        reason = self._texts(groups).get("reason") or line.reason
        return Reply("refused", refusal=reason or "no reason given")


#: Unit of the value of an action in the core (UCUM).
ACTION_UNITS: Mapping[str, str] = {"speed": "/min", "bath": "Cel"}
