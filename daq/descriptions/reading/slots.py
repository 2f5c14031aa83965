"""Slots: decode the fields of a reading to numbers of channels and to faults."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from daq.core.driver import Channel
from daq.core.units import unit
from daq.descriptions.codec.fieldtables import FieldTable, ReadingField, StateField
from daq.descriptions.codec.layout import LARGEST
from daq.descriptions.numbers import is_negative_zero, is_whole, single
from daq.descriptions.patterns import Writing, bare, compiled, exact_number_of, is_number, number_of, plain_number
from daq.descriptions.template import Field
from daq.descriptions.types import KINDS
from daq.descriptions.unitwords import written_unit

Fault = tuple[str, str]


@dataclass(slots=True)
class Found:
    """Values and faults of a reading while its fields are decoded."""

    values: dict[int, float | None] = field(default_factory=dict)
    """Values by index of the channel."""
    faults: list[Fault] = field(default_factory=list)
    conversions: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Factor and addend of each number whose unit is in the line, by name of its field."""


@dataclass(frozen=True, slots=True)
class NumberField:
    """Reads the number of a field; in a field of fixed width blanks around it are removed."""

    width: int
    read: Callable[[bytes], float]
    fits: Callable[[bytes], object]
    by_digits: bool = False
    """True for bytes that may be no finite number, or a negative zero: special ones are compared by their digits."""

    def number(self, raw: bytes) -> float | None:
        """Return the number; None where a field of fixed width or the bytes of floating point have none."""
        if self.width:
            raw = raw.strip(b" ")
            if self.fits(raw) is None:
                return None
        number = self.read(raw)
        if self.by_digits and not abs(number) < LARGEST:
            return None
        return number + 0.0  # turns a negative zero into zero


def number_field(place: Field, table: FieldTable, writing: Writing) -> NumberField:
    """Return the reader of the numbers of a field."""
    return NumberField(
        place.width,
        number_of(place, table, writing),
        compiled(plain_number(place, table, writing)).fullmatch,
        (table.bytes_as or "").startswith(("f", "s")),
    )


def conversion(table: ReadingField, channel_unit: str, in_line: str | None = None) -> tuple[float, float]:
    """Return factor and addend from the number in the line to the channel's unit.

    `in_line`: unit from the line, as `units` writes it, in place of the table's own.
    """
    factor, addend = table.scale, table.offset
    own, times = written_unit(in_line) if in_line is not None else (table.unit, 1.0)
    factor, addend = factor * times, addend * times
    if own is not None and own != channel_unit:
        a, b = unit(own), unit(channel_unit)
        factor, addend = factor * a.factor / b.factor, (addend * a.factor + a.offset - b.offset) / b.factor
    return factor, addend


@dataclass(frozen=True, slots=True)
class ChannelSlot:
    """A field with the number of a channel.

    Attributes:
        at: index of the channel.
        factor, addend: conversion from the number to the channel's value.
        texts, numbers: texts (without blanks around them) and numbers that mean a fault instead of a value.
        name: name of the field where its unit is in the line; otherwise "".
        negative_zero: fault of a negative zero, which equals zero as a number; None where it is a zero as any other.
    """

    at: int
    channel: str
    reader: NumberField
    factor: float
    addend: float
    texts: Mapping[bytes, str]
    numbers: Mapping[float, str]
    name: str = ""
    negative_zero: str | None = None

    @property
    def not_values(self) -> frozenset[float]:
        """Numbers that are no values, or not always."""
        return frozenset(self.numbers) | (frozenset() if self.negative_zero is None else {0.0})

    def take(self, raw: bytes, found: Found) -> bool:
        """Add the value or the fault in `raw` to `found`; return False where it is not valid."""
        fault = self.texts.get(raw.strip(b" "))
        if fault is None:
            number = self.reader.number(raw)
            if number is None:
                return False
            is_negative = self.negative_zero is not None and is_negative_zero(raw.decode("latin-1"), number)
            fault = self.negative_zero if is_negative else self.numbers.get(number)
            if fault is None:
                factor, addend = self.factor, self.addend
                if self.name:
                    if self.name not in found.conversions:
                        return False  # the part of the line with the unit is absent
                    factor, addend = found.conversions[self.name]
                found.values[self.at] = number * factor + addend + 0.0
                return True
        found.values[self.at] = None
        if fault:
            found.faults.append((self.channel, fault))
        return True


@dataclass(frozen=True, slots=True)
class UnitSlot:
    """A field with the unit of numbers in the same line.

    Attributes:
        conversions: for each text, by name of a number's field: factor and addend.
    """

    conversions: Mapping[bytes, Mapping[str, tuple[float, float]]]

    def take(self, raw: bytes, found: Found) -> bool:
        """Add the conversions of the unit `raw` to `found`; return False for a unit that is not listed."""
        listed = self.conversions.get(raw.strip(b" "))
        if listed is None:
            return False
        found.conversions |= listed
        return True


@dataclass(frozen=True, slots=True)
class StatusSlot:
    """A field whose text or number means faults.

    Attributes:
        reader: reads the number of a field of a numeric type, in its base; None for a text.
        exact: reads the same number with all digits of a whole one.
        means, numbers: faults of a text and, for a numeric type, of a number (``0`` and ``00`` are one number).
        bits: faults of each weight.
        others: ``refused``, ``ignored``, or the fault of texts that are not listed.
    """

    means: Mapping[bytes, Sequence[Fault]]
    numbers: Mapping[float, Sequence[Fault]]
    bits: Mapping[int, Sequence[Fault]]
    each_letter: bool
    others: str
    reader: NumberField | None = None
    exact: Callable[[bytes], float | int] = float

    def take(self, raw: bytes, found: Found) -> bool:
        """Add the faults of `raw` to `found`; return False where it is not listed and refused."""
        raw = raw.strip(b" ")
        listed = self.means.get(raw)
        number = None
        if listed is None and self.reader is not None and self.reader.fits(raw):
            number = self.exact(raw)
            listed = self.numbers.get(number)
        if listed is not None:
            found.faults += listed
            return True
        if self.bits and number is not None:
            # A sum of weights is a whole number and not negative.
            return self._of_bits(int(number), found) if _is_sum(number) else self._unlisted(found)
        if self.each_letter:
            letters = [text for text in self.means if text in raw]
            found.faults += [fault for text in letters for fault in self.means[text]]
            return all(raw[i : i + 1] in letters or self._unlisted(found) for i in range(len(raw)))
        return self._unlisted(found)

    def unlisted(self, raw: bytes) -> list[str]:
        """Return the texts, letters or weights of bits in `raw` that have no entry, for a person."""
        raw = raw.strip(b" ")
        number = None
        if raw not in self.means and self.reader is not None and self.reader.fits(raw):
            number = self.exact(raw)
        if raw in self.means or number in self.numbers:
            return []
        if self.bits and number is not None and _is_sum(number):
            rest = int(number) & ~sum(self.bits)
            return [f"bit {1 << i}" for i in range(rest.bit_length()) if rest >> i & 1]
        if self.each_letter:
            return [repr(chr(b)) for b in dict.fromkeys(raw) if bytes([b]) not in self.means]
        return [repr(raw.decode("latin-1"))]

    def _unlisted(self, found: Found) -> bool:
        if self.others == "refused":
            return False
        if self.others != "ignored":
            found.faults.append(("", self.others))
        return True

    def _of_bits(self, number: int, found: Found) -> bool:
        for weight, faults in self.bits.items():
            if number & weight:
                found.faults += faults
                number -= weight
        return not number or self._unlisted(found)


def _is_sum(number: float) -> bool:
    """Return True for a number that may be a sum of weights: a whole one that is not negative."""
    return number >= 0 and is_whole(number)


@dataclass(frozen=True, slots=True)
class NoSlot:
    """A field without a value and without faults."""

    def take(self, raw: bytes, found: Found) -> bool:
        """Accept any text."""
        del raw, found
        return True


Slot = ChannelSlot | StatusSlot | UnitSlot | NoSlot


def slot_of(place: Field, table: StateField, channels: Sequence[Channel], writing: Writing, times: float = 1.0) -> Slot:
    """Return the slot of a field in a reading; `times` is a factor from the options."""
    if table.is_state:
        return _status_slot(place, table, writing)
    if not isinstance(table, ReadingField):
        return NoSlot()
    names = [c.name for c in channels]
    channel = table.channel or place.name
    if channel not in names or table.units or KINDS[place.type].gives != "number":
        return NoSlot()
    at = names.index(channel)
    factor, addend = conversion(table, channels[at].unit)
    reader = number_field(place, table, writing)
    texts: dict[bytes, str] = {}
    numbers: dict[float, str] = {}
    negative_zero: str | None = None
    for text, fault in table.special.items():
        own = bare(text, place)
        number = reader.read(writing.of(own)) if is_number(own, place, table, writing) else None
        if number is None:
            texts[writing.of(own)] = fault
        elif reader.by_digits:
            # 8000 may mean a fault where 0000 is zero; and NaN is equal to no number.
            texts |= {writing.of(digits): fault for digits in (own, own.upper(), own.lower())}
        elif is_negative_zero(own, number):
            negative_zero = fault  # zero itself stays a value
        else:
            numbers[single(number) if place.type.startswith("f32") else number] = fault
    return ChannelSlot(at, channel, reader, times * factor, times * addend, texts, numbers, negative_zero=negative_zero)


def _status_slot(place: Field, table: StateField, writing: Writing) -> StatusSlot:
    means = {writing.of(text): faults_of(entries) for text, entries in table.means.items()}
    bits = {int(weight): faults_of(entries) for weight, entries in table.bits.items()}
    reader: NumberField | None = None
    exact: Callable[[bytes], float | int] = float
    numbers: dict[float, Sequence[Fault]] = {}
    if KINDS[place.type].gives == "number":
        reader = number_field(place, table, writing)
        exact = exact_number_of(place, table, writing)
        numbers = {
            exact(writing.of(text)): faults_of(entries)
            for text, entries in table.means.items()
            if is_number(text, place, table, writing)
        }
    return StatusSlot(means, numbers, bits, table.each_letter, table.others, reader, exact)


def unit_slot(
    table: ReadingField,
    tables: Mapping[str, ReadingField],
    slots: Mapping[str, ChannelSlot],
    channels: Sequence[Channel],
    times: Mapping[str, float],
    writing: Writing,
) -> UnitSlot:
    """Return the slot of a field with a unit; `tables`, `slots` and `times` (factors from options) by field."""
    conversions: dict[bytes, dict[str, tuple[float, float]]] = {}
    for text, in_line in table.units.items():
        own: dict[str, tuple[float, float]] = {}
        for name in table.unit_of:
            factor, addend = conversion(tables[name], channels[slots[name].at].unit, in_line)
            own[name] = (times[name] * factor, times[name] * addend)
        conversions[writing.of(text)] = own
    return UnitSlot(conversions)


def faults_of(entries: Sequence[str]) -> tuple[Fault, ...]:
    """Return pairs of channel and fault from entries of a description; channel "" is the whole instrument."""
    out: list[Fault] = []
    for entry in entries:
        channel, _, fault = entry.rpartition(":")
        out.append((re.sub(r"\s", "", channel), fault.strip()))
    return tuple(out)
