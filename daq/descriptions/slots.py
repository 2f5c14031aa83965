"""Slots: decode the fields of a reading to numbers of channels and to faults."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from daq.core.driver import Channel
from daq.core.units import unit
from daq.descriptions.linemodel import FieldTable, ReadingField, StateField
from daq.descriptions.patterns import Writing, compiled, is_number, plain_number
from daq.descriptions.template import Field
from daq.descriptions.types import TYPES, number_reader

Fault = tuple[str, str]


@dataclass(slots=True)
class Found:
    """Values and faults of a reading while its fields are decoded."""

    values: dict[int, float | None] = field(default_factory=dict)
    """Values by index of the channel."""
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class NumberField:
    """Reads the number of a field; in a field of fixed width blanks around it are removed."""

    width: int
    read: Callable[[bytes], float]
    fits: Callable[[bytes], object]

    def number(self, raw: bytes) -> float | None:
        """Return the number; None where a field of fixed width has none."""
        if self.width:
            raw = raw.strip(b" ")
            if self.fits(raw) is None:
                return None
        return self.read(raw) + 0.0  # turns a negative zero into zero


def number_field(place: Field, table: FieldTable, writing: Writing) -> NumberField:
    """Return the reader of the numbers of a field."""
    return NumberField(
        place.width,
        number_reader(place.type, comma=writing.mark(table) == ","),
        compiled(plain_number(place, table, writing)).fullmatch,
    )


def conversion(table: ReadingField, channel_unit: str) -> tuple[float, float]:
    """Return factor and addend from the number in the line to the channel's unit."""
    factor, addend = table.scale, table.offset
    if table.unit is not None and table.unit != channel_unit:
        a, b = unit(table.unit), unit(channel_unit)
        factor, addend = factor * a.factor / b.factor, (addend * a.factor + a.offset - b.offset) / b.factor
    return factor, addend


@dataclass(frozen=True, slots=True)
class ChannelSlot:
    """A field with the number of a channel.

    Attributes:
        at: index of the channel.
        factor, addend: conversion from the number to the channel's value.
        texts, numbers: texts and numbers that mean a fault instead of a value.
    """

    at: int
    channel: str
    reader: NumberField
    factor: float
    addend: float
    texts: Mapping[bytes, str]
    numbers: Mapping[float, str]

    def take(self, raw: bytes, found: Found) -> bool:
        """Add the value or the fault in `raw` to `found`; return False where it is not valid."""
        fault = self.texts.get(raw.strip(b" ") if self.reader.width else raw)
        if fault is None:
            number = self.reader.number(raw)
            if number is None:
                return False
            fault = self.numbers.get(number)
            if fault is None:
                found.values[self.at] = number * self.factor + self.addend + 0.0
                return True
        found.values[self.at] = None
        if fault:
            found.faults.append((self.channel, fault))
        return True


@dataclass(frozen=True, slots=True)
class StatusSlot:
    """A field whose text or number means faults."""

    means: Mapping[bytes, Sequence[Fault]]
    bits: Mapping[int, Sequence[Fault]]
    each_letter: bool
    others: str
    """``refused``, ``ignored``, or the fault of texts that are not listed."""

    def take(self, raw: bytes, found: Found) -> bool:
        """Add the faults of `raw` to `found`; return False where it is not listed and refused."""
        raw = raw.strip(b" ")
        listed = self.means.get(raw)
        if listed is not None:
            found.faults += listed
            return True
        if self.bits and raw.isdigit():
            return self._of_bits(int(raw), found)
        if self.each_letter:
            letters = [text for text in self.means if text in raw]
            found.faults += [fault for text in letters for fault in self.means[text]]
            return all(raw[i : i + 1] in letters or self._unlisted(found) for i in range(len(raw)))
        return self._unlisted(found)

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


@dataclass(frozen=True, slots=True)
class NoSlot:
    """A field without a value and without faults."""

    def take(self, raw: bytes, found: Found) -> bool:
        """Accept any text."""
        del raw, found
        return True


Slot = ChannelSlot | StatusSlot | NoSlot


def slot_of(place: Field, table: StateField, channels: Sequence[Channel], writing: Writing, times: float = 1.0) -> Slot:
    """Return the slot of a field in a reading; `times` is a factor from the options."""
    if table.is_state:
        return StatusSlot(
            {writing.of(text): faults_of(entries) for text, entries in table.means.items()},
            {int(weight): faults_of(entries) for weight, entries in table.bits.items()},
            table.each_letter,
            table.others,
        )
    if not isinstance(table, ReadingField):
        return NoSlot()
    names = [c.name for c in channels]
    channel = table.channel or place.name
    if channel not in names or TYPES[place.type].gives != "number":
        return NoSlot()
    at = names.index(channel)
    factor, addend = conversion(table, channels[at].unit)
    reader = number_field(place, table, writing)
    texts: dict[bytes, str] = {}
    numbers: dict[float, str] = {}
    for text, fault in table.special.items():
        if is_number(text, place, table, writing):
            numbers[number_reader(place.type, comma=writing.mark(table) == ",")(writing.of(text))] = fault
        else:
            texts[writing.of(text)] = fault
    return ChannelSlot(at, channel, reader, times * factor, times * addend, texts, numbers)


def faults_of(entries: Sequence[str]) -> tuple[Fault, ...]:
    """Return pairs of channel and fault from entries of a description; channel "" is the whole instrument."""
    out: list[Fault] = []
    for entry in entries:
        channel, _, fault = entry.rpartition(":")
        out.append((re.sub(r"\s", "", channel), fault.strip()))
    return tuple(out)
