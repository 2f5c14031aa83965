"""What becomes of the fields of a reading: numbers of channels, and faults that texts and numbers stand for."""

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
    """A reading while its fields are looked at."""

    values: dict[int, float | None] = field(default_factory=dict)
    """By the channel's number."""
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class NumberField:
    """Reads the number of a field; fields of a fixed width have blanks around it."""

    width: int
    read: Callable[[bytes], float]
    fits: Callable[[bytes], object]

    def number(self, raw: bytes) -> float | None:
        """The number; None where there is none in a field of fixed width."""
        if self.width:
            raw = raw.strip(b" ")
            if self.fits(raw) is None:
                return None
        return self.read(raw) + 0.0  # no negative zero


def number_field(place: Field, table: FieldTable, writing: Writing) -> NumberField:
    """What reads the numbers of a field."""
    return NumberField(
        place.width,
        number_reader(place.type, comma=writing.mark(table) == ","),
        compiled(plain_number(place, table, writing)).fullmatch,
    )


def conversion(table: ReadingField, channel_unit: str) -> tuple[float, float]:
    """Factor and addend from the number in the line to the channel's unit."""
    factor, addend = table.scale, table.offset
    if table.unit is not None and table.unit != channel_unit:
        a, b = unit(table.unit), unit(channel_unit)
        factor, addend = factor * a.factor / b.factor, (addend * a.factor + a.offset - b.offset) / b.factor
    return factor, addend


@dataclass(frozen=True, slots=True)
class ChannelSlot:
    """A field that gives a channel.

    Attributes:
        at: the channel's number.
        factor, addend: what makes the channel's value of the number.
        texts, numbers: what stands in place of a number, and the fault it means.
    """

    at: int
    channel: str
    reader: NumberField
    factor: float
    addend: float
    texts: Mapping[bytes, str]
    numbers: Mapping[float, str]

    def take(self, raw: bytes, found: Found) -> bool:
        """Put what `raw` says into `found`; False where it cannot be believed."""
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
    """A field whose text or number stands for faults."""

    means: Mapping[bytes, Sequence[Fault]]
    bits: Mapping[int, Sequence[Fault]]
    each_letter: bool
    others: str
    """``refused``, ``ignored``, or the fault of what is not known."""

    def take(self, raw: bytes, found: Found) -> bool:
        """Put what `raw` says into `found`; False where it is not known and refused."""
        raw = raw.strip(b" ")
        known = self.means.get(raw)
        if known is not None:
            found.faults += known
            return True
        if self.bits and raw.isdigit():
            return self._of_bits(int(raw), found)
        if self.each_letter:
            known_letters = [text for text in self.means if text in raw]
            found.faults += [fault for text in known_letters for fault in self.means[text]]
            return all(raw[i : i + 1] in known_letters or self._of(None, found) for i in range(len(raw)))
        return self._of(None, found)

    def _of(self, known: Sequence[Fault] | None, found: Found) -> bool:
        if known is not None:
            found.faults += known
        elif self.others == "refused":
            return False
        elif self.others != "ignored":
            found.faults.append(("", self.others))
        return True

    def _of_bits(self, number: int, found: Found) -> bool:
        for weight, faults in self.bits.items():
            if number & weight:
                found.faults += faults
                number -= weight
        return not number or self._of(None, found)


@dataclass(frozen=True, slots=True)
class NoSlot:
    """A field that is kept for nobody."""

    def take(self, raw: bytes, found: Found) -> bool:
        """Believe it."""
        del raw, found
        return True


Slot = ChannelSlot | StatusSlot | NoSlot


def slot_of(place: Field, table: StateField, channels: Sequence[Channel], writing: Writing, times: float = 1.0) -> Slot:
    """What becomes of a field in a reading; `times` is a factor that options ask for."""
    if table.is_state:
        return StatusSlot(
            {writing.of(text): faults_of(said) for text, said in table.means.items()},
            {int(weight): faults_of(said) for weight, said in table.bits.items()},
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


def faults_of(said: Sequence[str]) -> tuple[Fault, ...]:
    """Pairs of channel and fault of what a description says; "" for the whole instrument."""
    out: list[Fault] = []
    for one in said:
        channel, _, fault = one.rpartition(":")
        out.append((re.sub(r"\s", "", channel), fault.strip()))
    return tuple(out)
