"""Find numbers that a field can never have: a channel's range beyond its bits, texts and weights that never come."""

import math
import re
from collections.abc import Iterator, Mapping
from typing import Final

from daq.core.errors import SettingError
from daq.descriptions.codec.fieldtables import FieldTable, ReadingField, StateField
from daq.descriptions.linemodel import IGNORED, LineTable, ReadingLine
from daq.descriptions.model import DescriptionTables
from daq.descriptions.numbers import is_negative_zero
from daq.descriptions.patterns import Writing, bare, is_number, number_of
from daq.descriptions.reading.slots import conversion
from daq.descriptions.template import Field
from daq.descriptions.types import BINARY, BITS, KINDS

Faults = Iterator[SettingError]
Span = tuple[float, float]
EVERY: Final[Span] = (-math.inf, math.inf)
_BITS: Final = re.compile(r"([uis])(\d+)(?:belw|lehw|be|le)?")
_DIGITS: Final = re.compile(r"[0-9A-Fa-f]+")
_SIGNED: Final = re.compile(r"[+-][0-9A-Fa-f]+")


def range_faults(tables: DescriptionTables) -> Faults:
    """Yield `special` numbers and weights of bits that no line can give."""
    for name, line in tables.line.items():
        if line.has_one_layout and not any(line.misfits()):
            for place, own in _spans(line).items():
                writing = Writing(tables.framing.encoding, tables.decimal == "comma")
                yield from _never(f"line.{name}.fields.{place.name}", place, line.table(place.name), own, writing)


def one_number_twice(tables: DescriptionTables) -> Faults:
    """Yield texts of `special` that are one number and mean two faults; a driver takes the last one for both."""
    for name, line in tables.line.items():
        if line.has_one_layout and not any(line.misfits()):
            for place in _spans(line):
                table, writing = line.table(place.name), Writing(tables.framing.encoding, tables.decimal == "comma")
                if isinstance(table, ReadingField):
                    yield from _twice(f"line.{name}.fields.{place.name}", place, table, writing)


def unreached(tables: DescriptionTables) -> Faults:
    """Yield ranges of channels that no line can give, by more than one count: the kit refuses them."""
    spans: dict[str, list[tuple[Span, float]]] = {}
    for line in tables.line.values():
        if not isinstance(line, ReadingLine):
            continue
        for place, own in _spans(line).items():
            if not line.table(place.name).is_state:
                _add(spans, tables, line, place, own)
    for i, channel in enumerate(tables.channel):
        given = spans.get(channel.name, ())
        low = min((span[0] for span, _ in given), default=-math.inf)
        high = max((span[1] for span, _ in given), default=math.inf)
        count = max((step for _, step in given), default=0.0)
        if channel.low < low - count * (1 + 1e-9):
            yield SettingError(f"no line can give a value below {low:.6g}", key=f"channel[{i}].low")
        if channel.high > high + count * (1 + 1e-9):
            yield SettingError(f"no line can give a value above {high:.6g}", key=f"channel[{i}].high")


def _add(
    spans: dict[str, list[tuple[Span, float]]], tables: DescriptionTables, line: ReadingLine, place: Field, own: Span
) -> None:
    """Add the values that a field can give to those of its channel, with the value of one count."""
    table = line.table(place.name)
    channel = next((c for c in tables.channel if c.name == line.channel(place.name)), None)
    if channel is None or table.units:
        return
    with_unit = any(place.name in line.table(other.name).unit_of for other in line.places())
    if with_unit or table.divide_by is not None:
        spans.setdefault(channel.name, []).append((EVERY, 0.0))
        return
    try:
        factor, addend = conversion(table, channel.unit)
    except (KeyError, ValueError):
        return  # an unknown unit is reported with its key
    ends = sorted(factor * end + addend for end in own)
    if channel.turns:
        ends = [min(*ends, -ends[1]), max(*ends, -ends[0])]
    spans.setdefault(channel.name, []).append(((ends[0], ends[1]), abs(factor)))


def _spans(line: LineTable) -> Mapping[Field, Span]:
    """Return least and greatest number of each named field of a numeric type, before its conversion."""
    found: dict[Field, Span] = {}
    parts = {part: own for name in line.split for part, own in line.bit_ranges(name).items() if part != IGNORED}
    for place in line.places():
        if KINDS[place.type].gives != "number":
            continue
        if place.name in parts:
            bits, signed = parts[place.name].count, parts[place.name].signed
            found[place] = _of_bits(bits, signed=signed)
        else:
            found[place] = _span(place, line.table(place.name))
    return found


def _of_bits(bits: int, *, signed: bool, magnitude: bool = False) -> Span:
    """Return the least and the greatest number of these bits; with `magnitude` one of them is the sign."""
    top = 1 << bits - (signed or magnitude)
    return float(-top if signed else 1 - top if magnitude else 0), float(top - 1)


def _span(place: Field, table: FieldTable) -> Span:
    if table.signed_bits:
        return _of_bits(table.signed_bits, signed=True)
    if table.bytes_as is not None:
        return _of_type(table.bytes_as)
    if place.type == "hex":
        digits = place.width or table.digits
        return 0.0, 16.0**digits - 1 if digits else math.inf
    if place.type == "bcd":
        return 0.0, 100.0**place.width - 1
    return _of_type(place.type)


def _of_type(kind: str) -> Span:
    whole = _BITS.fullmatch(kind)
    if whole is None:
        return EVERY
    return _of_bits(int(whole[2]), signed=whole[1] == "i", magnitude=whole[1] == "s")


def _never(key: str, place: Field, table: FieldTable, own: Span, writing: Writing) -> Faults:
    """Yield texts of `special` and `means`, and weights of `bits`, that the field never has."""
    read = number_of(place, table, writing)
    if isinstance(table, StateField):
        yield from _never_a_state(key, place, table, own, writing)
    for entry in table.instead if isinstance(table, ReadingField) else ():
        text = bare(entry, place)
        if place.type == "hex" and not is_number(text, place, table, writing) and _SIGNED.fullmatch(text):
            yield SettingError("is never sent: write the hexadecimal digits of the line", key=f"{key}.special.{entry}")
        elif table.bytes_as and len(text) != (digits := table.constant_bits // 4) and _DIGITS.fullmatch(text):
            yield SettingError(f"is never sent: the number has {digits} digits", key=f"{key}.special.{entry}")
        elif text and is_number(text, place, table, writing) and math.isfinite(own[1]):
            number = float(int(text, 16)) if place.type == "hex" else read(writing.of(text))
            least, most = (0.0, 16.0 ** (table.constant_bits / 4) - 1) if table.constant_bits else own
            if not least <= number <= most:
                reason = f"is never sent: the numbers of this field are {least:.20g} to {most:.20g}"
                yield SettingError(reason, key=f"{key}.special.{entry}")
            elif place.type in (*BINARY, BITS) and place.type[0] != "s" and is_negative_zero(text, number):
                yield SettingError(f"is never sent: {place.type} has no negative zero", key=f"{key}.special.{entry}")


def _twice(key: str, place: Field, table: ReadingField, writing: Writing) -> Faults:
    """Yield texts of `special` that are the same number as one before them and mean another fault: `-0`, `-0.00`."""
    read = number_of(place, table, writing)
    before: dict[tuple[float | str, bool], str] = {}
    for entry, fault in table.special.items():
        text = bare(entry, place)
        if not text or not is_number(text, place, table, writing):
            continue
        if table.bytes_as:
            same = before.setdefault((text.upper(), False), entry)  # the driver compares their digits, too
        else:
            number = float(int(text, 16)) if place.type == "hex" else read(writing.of(text))
            same = before.setdefault((number, is_negative_zero(text, number)), entry)
        if table.special[same] != fault:
            reason = f"is the same number as {same!r}, which means {table.special[same]}: give both one fault"
            yield SettingError(reason, key=f"{key}.special.{entry}")


def _never_a_state(key: str, place: Field, table: StateField, own: Span, writing: Writing) -> Faults:
    """Yield numbers in `means` and weights in `bits` that the field never has."""
    read, digits = number_of(place, table, writing), table.constant_bits // 4
    for entry in table.means:
        text = bare(entry, place)
        if table.bytes_as and len(entry) != digits and _DIGITS.fullmatch(entry):
            yield SettingError(f"is never sent: the number has {digits} digits", key=f"{key}.means.{entry}")
        elif is_number(text, place, table, writing) and is_negative_zero(text, read(writing.of(text))):
            yield SettingError("is the same number as 0: a state has no negative zero", key=f"{key}.means.{entry}")
    for weight in table.bits:
        if float(weight) > own[1]:
            yield SettingError(f"is never sent: the field has numbers up to {own[1]:.20g}", key=f"{key}.bits.{weight}")
