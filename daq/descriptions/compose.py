"""Compose the lines of a described instrument from values, the inverse of decoding.

Used to simulate an instrument that has only a description, and to check that composed lines are decoded to the same
values.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from daq.core.errors import SettingError
from daq.core.units import convert
from daq.descriptions import template
from daq.descriptions.codec.fieldtables import CommandField, FieldTable, ReadingField, StateField
from daq.descriptions.codec.layout import FrameLayout, Length
from daq.descriptions.codec.seal import Seal
from daq.descriptions.driver import DescribedDriver
from daq.descriptions.linemodel import ConfirmationLine, FactsLine, IdentityLine, ReadingLine, RefusalLine
from daq.descriptions.model import CommandTable, RequestTable
from daq.descriptions.numbers import hexadecimal, packed, read_back, size_of, written_pattern
from daq.descriptions.reading.lines import ACTION_UNITS, Reader
from daq.descriptions.reading.slots import ChannelSlot, StatusSlot, UnitSlot
from daq.descriptions.template import Field, Maybe, Part
from daq.descriptions.types import BINARY, BITS, KINDS

DECIMALS: Final = 4
"""Decimals of a number where the description gives none."""
SMALLEST: Final = 1e-99
_FILLERS: Final = {
    "ascii": "X",
    "digits": "0",
    "letters": "X",
    "capitals": "X",
    "word": "x",
    "text": "",
    "pad": "",
    "blanks": " ",
    "rest": "",
}
_VALUE: Final = r"([+-]?[0-9]+(?:[.,][0-9]+)?)"


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that was recognised.

    Attributes:
        expects: ``reading``, ``identity``, the name of an action, or that of the request that starts a stream.
        name: name of the request or of the action.
        answers: names of the lines that may answer, the most likely first.
        value: number of a command, in the units of the core.
    """

    expects: str
    name: str
    answers: tuple[str, ...]
    value: float | None = None


class Composer:
    """Composes the lines that the instrument of a driver would send."""

    def __init__(self, driver: DescribedDriver) -> None:
        self.driver = driver
        tables, framing = driver.tables, driver.framing
        ends = tables.framing.ends
        without = tables.by_bytes or framing.length or framing.silence_ns
        self._begin = b"" if tables.by_bytes else tables.framing.begin.encode(tables.framing.encoding)
        self._end = b"" if without else ends[0].encode(tables.framing.encoding)
        self._requests = list(self._patterns())

    # ---- lines

    def line(self, name: str, values: Mapping[str, float | str | None]) -> bytes:
        """Return a line with marks and checksum.

        Args:
            name: name of the line in the description.
            values: numbers by channel (None: the text in place of a number), and texts by field.  A missing field gets
                a text without a fault.

        Raises:
            SettingError: there is no such line, or a value cannot be written in it.
        """
        content = self.content(name, values)
        seal = self.driver.readers[name].seal
        return self._begin + (content if seal is None else seal.sealed(content)) + self._end

    def content(self, name: str, values: Mapping[str, float | str | None]) -> bytes:
        """Return a line without marks and checksum; arguments and errors as in `line`."""
        if name not in self.driver.readers:
            raise SettingError(f"there is no line {name!r}; lines: {', '.join(self.driver.readers)}", key="line")
        reader = self.driver.readers[name]
        values = {**_unit_texts(reader), **values}
        layout = reader.line.layout
        if layout is None:
            return reader.line.writing.of("".join(self._texts(reader, reader.line.parts, values)))
        texts = {field: self._field(reader, field, values) for field in reader.line.whole}
        try:
            return layout.written(texts)
        except ValueError as error:
            raise SettingError(str(error), key=f"line.{name}") from None

    def readings(self, values: Mapping[str, float | None]) -> list[bytes]:
        """Return the lines of one reading, unasked or in answer to the polls, in order."""
        return [self.line(reader.line.name, values) for reader in self._reading_lines()]

    def _reading_lines(self) -> list[Reader]:
        readers = [r for r in self.driver.readers.values() if isinstance(r.line.table, ReadingLine)]
        given: set[str] = set()
        out: list[Reader] = []
        for reader in readers:
            channels = {slot.channel for slot in reader.slots.values() if isinstance(slot, ChannelSlot)}
            if channels - given:
                out.append(reader)
                given |= channels
        return out

    # ---- answers

    def recognise(self, data: bytes) -> Asked | None:
        """Recognise a request (with marks and checksum); None where it is not in the description."""
        for pattern, request, asked in self._requests:
            found = pattern.fullmatch(data)
            if found is None or not self._is_whole(data, self.driver.request_seal(request)):
                continue
            if asked.value is None:
                return asked
            number = self._number(request, found[1])
            if number is None:
                continue
            return Asked(asked.expects, asked.name, asked.answers, self._of_core(asked.name, number))
        return None

    def answer(self, asked: Asked, values: Mapping[str, float | str | None]) -> bytes | None:
        """Return the line that answers; `values` as in `line`.  None where the description has no answer."""
        if not asked.answers:
            return None
        content: dict[str, float | str | None] = dict(values)
        name = asked.answers[0]
        if isinstance(self.driver.tables.line[name], ConfirmationLine):
            content.setdefault("command", asked.name)
            if asked.value is not None:
                content.setdefault("value", self._sent(asked))
        return self.line(name, content)

    def refusal(self, reason: str = "unknown") -> bytes | None:
        """Return the line that refuses; None where the description has none."""
        name = next((n for n, line in self.driver.tables.line.items() if isinstance(line, RefusalLine)), None)
        return None if name is None else self.line(name, {"reason": reason})

    def _number(self, request: RequestTable, raw: bytes) -> float | None:
        """Return the value in a command, in the unit of the instrument."""
        scale = request.scale if isinstance(request, CommandTable) else 1.0
        place = next(part for part in request.settings if part.name == "value")
        if not place.type:
            return float(raw.replace(b",", b".")) * scale
        low = request.low if isinstance(request, CommandTable) else None
        number = read_back(place.type, place.width, raw, negative=low is None or low < 0)
        return None if number is None else number * scale

    def _patterns(self) -> Iterator[tuple["re.Pattern[bytes]", RequestTable, Asked]]:
        tables = self.driver.tables
        expects = dict.fromkeys(tables.request, "reading")
        expects |= dict.fromkeys(tables.identify, "identity")
        if tables.stream is not None and tables.stream.start is not None:
            expects[tables.stream.start] = tables.stream.start
        for name, request in tables.request.items():
            yield (
                self._pattern(request),
                request,
                Asked(expects[name], name, self._answers(expects[name], name, request)),
            )
        for action, command in tables.command.items():
            value = 0.0 if any(part.name == "value" for part in command.settings) else None
            yield self._pattern(command), command, Asked(action, action, self._answers(action, action, command), value)

    def _pattern(self, request: RequestTable) -> "re.Pattern[bytes]":
        parts = template.filled(request.parts(), self.driver.settings)
        frame, seal = self.driver.tables.frame, self.driver.request_seal(request)
        if request.bytes is not None and frame is not None:
            length = Length(frame.length, frame.adds)
            blank = [
                template.Field("", "any", size_of(p.type, p.width)) if isinstance(p, template.Setting) else p
                for p in parts
            ]
            layout = FrameLayout(blank, length, seal.length if seal is not None else 0)
            whole = length.of(layout.size + layout.check_size).decode("latin-1")
            parts = tuple(whole if isinstance(p, Field) else p for p in parts)
        content = "".join(self._expression(part) for part in parts)
        begin, end = (re.escape(mark.decode("latin-1")) for mark in self.driver.request_marks)
        tail = f".{{{seal.length}}}" if seal is not None else ""
        return re.compile(f"{begin}{content}{tail}{end}".encode("latin-1"), re.DOTALL)

    def _expression(self, part: Part) -> str:
        """Return the regular expression of a part of a request; a value is a group."""
        if isinstance(part, template.Setting):
            return f"({written_pattern(part.type, part.width)})" if part.type else _VALUE
        return re.escape(str(part).encode(self.driver.writing.encoding).decode("latin-1"))

    def _is_whole(self, data: bytes, seal: Seal | None) -> bool:
        if seal is None:
            return True
        begin, end = self.driver.request_marks
        return seal.content(data[len(begin) : len(data) - len(end)]) is not None

    def _answers(self, expects: str, name: str, request: RequestTable) -> tuple[str, ...]:
        tables = self.driver.tables
        if request.answers:
            return request.answers
        if expects == "reading":
            readings = [r.line.name for r in self._reading_lines()]
            polls = tables.poll.requests if tables.poll is not None else ()
            at = polls.index(name) if name in polls else 0
            return (readings[at],) if at < len(readings) else ()
        if expects == "identity":
            kind = IdentityLine if name == tables.identify[0] else FactsLine
            return tuple(n for n, line in tables.line.items() if isinstance(line, kind))
        confirming = ((n, line) for n, line in tables.line.items() if isinstance(line, ConfirmationLine))
        return tuple(n for n, line in confirming if line.confirms in (None, expects))

    def _of_core(self, action: str, number: float) -> float:
        command = self.driver.tables.command[action]  # type: ignore[index]  # a value is in commands only
        return self.driver.sign_of(command) * convert(
            number, command.unit or ACTION_UNITS[action], ACTION_UNITS[action]
        )

    def _sent(self, asked: Asked) -> float:
        """Return the value of a command in the instrument's unit."""
        command = self.driver.tables.command[asked.name]  # type: ignore[index]  # as above
        own = command.unit or ACTION_UNITS[asked.name]
        return (
            convert(self.driver.sign_of(command) * (asked.value or 0.0), ACTION_UNITS[asked.name], own) / command.scale
        )

    # ---- fields

    def _texts(self, reader: Reader, parts: Sequence[Part], values: Mapping[str, float | str | None]) -> Iterator[str]:
        for part in parts:
            if isinstance(part, str):
                yield part
            elif isinstance(part, Maybe):
                if not isinstance(reader.line.table, ConfirmationLine) or "value" in values:
                    yield from self._texts(reader, part.parts, values)
            elif isinstance(part, Field):
                text = self._field(reader, part, values)
                blank = "0" if part.type == "digits" else " "
                yield text.rjust(part.width, blank)[: part.width] if part.width else text

    def _joined_bits(self, reader: Reader, place: Field, values: Mapping[str, float | str | None]) -> str:
        """Return the text of a number that is split, from the values of its parts."""
        number = 0
        for name, own in reader.line.table.bit_ranges(place.name).items():
            part = next((field for field in reader.line.fields if field.name == name and field.type == BITS), None)
            if part is None:
                continue  # ignored bits
            try:
                number |= own.placed(round(float(self._field(reader, part, values))))
            except ValueError as error:
                raise SettingError(str(error), key=f"line.{reader.line.name}.split.{place.name}.{name}") from None
        if place.type == "hex":
            return number_text(number, place, reader.line.table.table(place.name))
        return str(number)

    def _field(self, reader: Reader, place: Field, values: Mapping[str, float | str | None]) -> str:
        line, table = reader.line.table, reader.line.table.table(place.name)
        if place.name in line.split:
            return self._joined_bits(reader, place, values)
        slot = reader.slots.get(place)
        if isinstance(slot, ChannelSlot) and isinstance(table, ReadingField) and slot.channel in values:
            return self._of_channel(reader, place, table, slot, values)
        given = values.get(place.name) if place.name else None
        if isinstance(table, CommandField):
            given = next((text for text, name in table.names.items() if name == given), given)
        if isinstance(given, str):
            return given
        if given is not None:
            return number_text(given, place, table, reader.line.writing.mark(table))
        if isinstance(slot, StatusSlot) and isinstance(table, StateField):
            return _harmless(table, place)
        if isinstance(line, IdentityLine):
            return {"kind": self.driver.kind, "serial": "S-1", "firmware": "1.0"}.get(place.name) or _filler(
                place, table
            )
        return _filler(place, table)

    def _of_channel(
        self,
        reader: Reader,
        place: Field,
        table: ReadingField,
        slot: ChannelSlot,
        values: Mapping[str, float | str | None],
    ) -> str:
        value, line = values[slot.channel], reader.line
        if isinstance(value, str):
            return value
        if value is None:
            if not table.special:
                raise SettingError(
                    f"the description has no text in place of a number of {slot.channel}", key=f"line.{line.name}"
                )
            return next(iter(table.special))
        factor, addend = _conversion(reader, slot, values)
        return number_text((value - addend) / factor, place, table, line.writing.mark(table))


def _unit_texts(reader: Reader) -> dict[str, float | str | None]:
    """Return the first unit of each field with a unit, by its name."""
    return {
        place.name: next(iter(slot.conversions)).decode(reader.line.writing.encoding)
        for place, slot in reader.slots.items()
        if isinstance(slot, UnitSlot)
    }


def _conversion(reader: Reader, slot: ChannelSlot, values: Mapping[str, float | str | None]) -> tuple[float, float]:
    """Return factor and addend of a number, for the unit that the line has among `values`."""
    for place, other in reader.slots.items():
        if slot.name and isinstance(other, UnitSlot):
            listed = other.conversions.get(reader.line.writing.of(str(values[place.name])), {})
            if slot.name in listed:
                return listed[slot.name]
    return slot.factor, slot.addend


def number_text(number: float, place: Field, table: FieldTable, mark: str = ".") -> str:
    """Return the text of a number in a field.

    Raises:
        SettingError: it does not fit.
    """
    if not math.isfinite(number):
        raise SettingError(f"{number:g} does not fit", key=place.name)
    decimals = DECIMALS if table.decimals is None else table.decimals
    kind = place.type
    if kind in ("whole", "nr1"):
        text = str(round(number))
    elif kind == "hex" and table.bytes_as is not None:
        try:
            text = packed(table.bytes_as, 0, number).hex().upper()
        except ValueError as error:
            raise SettingError(str(error), key=place.name) from None
        return text
    elif kind == "hex":
        bits = table.signed_bits or 0
        try:
            text = hexadecimal(number, bits // 4 or place.width or 1, signed_bits=bits)
        except ValueError as error:
            raise SettingError(str(error), key=place.name) from None
    elif kind in BINARY or kind == BITS:
        return str(number) if kind.startswith("f") else str(round(number))
    elif kind in ("scientific", "nr3"):
        # Exponents have two digits.
        number = 0.0 if abs(number) < SMALLEST else number
        text = f"{number:+.{6 if table.decimals is None else table.decimals}E}"
    else:
        text = f"{number:.{decimals}f}"
    text = text.replace(".", mark)
    digits = len(re.split(r"[^0-9]", text.lstrip("+-"))[0])
    if (place.width and len(text) > place.width) or digits > (table.digits or 15):
        raise SettingError(f"{text} does not fit", key=place.name)
    return text


def resolution(place: Field, table: FieldTable, number: float) -> float:
    """Return the greatest rounding error of a number written by `number_text`."""
    if table.bytes_as is not None:
        place = Field(place.name, table.bytes_as)
    if place.type in ("whole", "nr1", "hex", BITS) or (place.type in BINARY and not place.type.startswith("f")):
        return 0.5
    if place.type in BINARY:
        return abs(number) * (1e-7 if place.type.startswith("f32") else 1e-15)  # half of the last place of IEEE 754
    if place.type in ("scientific", "nr3"):
        return float(SMALLEST + abs(number) * 10.0 ** -(6 if table.decimals is None else table.decimals))
    return float(0.5 * 10.0 ** -(DECIMALS if table.decimals is None else table.decimals) * (1 + 1e-6))


def _harmless(table: StateField, place: Field) -> str:
    """Return a text of a status without a fault; the first text where every one has a fault."""
    if table.bits and not table.means:
        return "0"
    return next(
        (text for text, faults in table.means.items() if not faults), next(iter(table.means), _filler(place, table))
    )


def _filler(place: Field, table: FieldTable) -> str:
    if KINDS[place.type].gives == "number":
        return number_text(0.0, place, table)
    return _FILLERS[place.type]
