"""Fast decoders of readings without faults, of lines of text and of frames of bytes; every other line takes `Reader`."""

from collections.abc import Callable, Sequence
from itertools import product
from operator import add, itemgetter, mul
from typing import Final

from daq.descriptions.codec.layout import LARGEST, FrameLayout
from daq.descriptions.codec.seal import Seal
from daq.descriptions.linemodel import IGNORED, ReadingLine
from daq.descriptions.numbers import packed
from daq.descriptions.patterns import compiled, escaped, expression, plain_number
from daq.descriptions.reading.lines import Reader
from daq.descriptions.reading.slots import ChannelSlot, StatusSlot
from daq.descriptions.template import Field

MOST_GOOD: Final = 256
"""Greatest number of values without fault of one state of a frame."""

#: From a whole line to its values; None for a line that needs the full decoder.
FastPath = Callable[[bytes], tuple[float, ...] | None]


def fast_path(reader: Reader, before: bytes = b"", behind: bytes = b"") -> FastPath | None:
    """Return the fast decoder of a line; None where the line allows none.

    `before` and `behind` are the marks of the line that the framing leaves on it.
    """
    columns = [s for s in reader.slots.values() if isinstance(s, ChannelSlot)]
    channels = reader.channels
    if (
        not isinstance(reader.line.table, ReadingLine)
        or reader.readings > 1
        or {c.at for c in columns} != set(range(len(channels)))
        or len(columns) != len(channels)
        or any(c.reader.width or c.name for c in columns)
    ):
        return None
    if reader.line.layout is not None:
        return _of_frame(reader, reader.line.layout, columns)
    return _of_text(reader, columns, before, behind)


def _of_text(reader: Reader, columns: Sequence[ChannelSlot], before: bytes, behind: bytes) -> FastPath | None:
    line, slots, seal = reader.line, reader.slots, reader.seal
    optional = {f.name for f in line.fields} - {p.name for p in line.parts if isinstance(p, Field)}
    if optional or line.table.split:
        return None

    def inner(place: Field, own: str) -> str:
        slot = slots.get(place)
        if isinstance(slot, ChannelSlot):
            number = plain_number(place, line.table.table(place.name), line.writing)
            return f"({own})" if not slot.texts else f"({number})"
        if isinstance(slot, StatusSlot):
            good = sorted((text for text, faults in slot.means.items() if not faults), key=len, reverse=True)
            good += [b"0"] if slot.bits and not good else []
            return f"(?>{'|'.join(map(escaped, good))})" if good else "(?!)"
        return own

    content = expression(line.parts, line.table.tables, line.writing, inner)
    pattern = f"({content}{seal.pattern}" if seal is not None else content
    match = compiled(escaped(before) + pattern + escaped(behind)).fullmatch
    finish = _finisher(columns)

    def unsealed(line: bytes) -> tuple[float, ...] | None:
        found = match(line)
        if found is None:
            return None
        values = finish(found.groups())
        return values if values is None or 0.0 not in values else tuple([v + 0.0 for v in values])

    if seal is None:
        return unsealed
    of, value = seal.of, seal.value

    def sealed(line: bytes) -> tuple[float, ...] | None:
        found = match(line)
        if found is None:
            return None
        covered, *numbers, check = found.groups()
        if value(check) != of(covered):
            return None
        values = finish(numbers)
        # Adding 0.0 turns a negative zero into zero.
        return values if values is None or 0.0 not in values else tuple([v + 0.0 for v in values])

    return sealed


def _finisher(columns: Sequence[ChannelSlot]) -> Callable[[Sequence[bytes]], tuple[float, ...] | None]:
    """Return the function from the texts of the numbers, in the order of the line, to the values of the channels."""
    readers = [c.reader.read for c in columns]
    factors, addends = [c.factor for c in columns], [c.addend for c in columns]
    sentinels = frozenset(number for c in columns for number in c.numbers)
    order = [next(i for i, c in enumerate(columns) if c.at == at) for at in range(len(columns))]
    arrange = None if order == sorted(order) else itemgetter(*order)
    plain = all(read is float for read in readers) and not sentinels and arrange is None
    if plain and not any(addends) and all(f == 1.0 for f in factors):
        return lambda numbers: tuple(map(float, numbers))

    def finish(numbers: Sequence[bytes]) -> tuple[float, ...] | None:
        if plain:
            values = tuple(map(mul, map(float, numbers), factors))
        else:
            values = tuple([read(raw) for read, raw in zip(readers, numbers, strict=True)])
            if not sentinels.isdisjoint(values):
                return None
            values = tuple(map(mul, values, factors))
        if any(addends):
            values = tuple(map(add, values, addends))
        return values if arrange is None else arrange(values)

    return finish


def _of_frame(reader: Reader, layout: FrameLayout, columns: Sequence[ChannelSlot]) -> FastPath | None:
    slots, seal = reader.slots, reader.seal
    fields = {slot.at: field for field, slot in slots.items() if isinstance(slot, ChannelSlot)}
    good = _good_states(reader)
    ordered = sorted(columns, key=lambda c: c.at)
    if good is None or any(field not in reader.line.whole for field in fields.values()):
        return None
    pattern = layout.pattern(good)
    unpack = layout.unpacker([fields[c.at] for c in ordered])
    if pattern is None or unpack is None:
        return None
    tail = f"{escaped(seal.mark)}.{{{seal.size}}}{escaped(seal.behind)}" if seal is not None else ""
    match = compiled(pattern + tail).fullmatch
    factors, addends = [c.factor for c in ordered], [c.addend for c in ordered]
    moved = any(addends)
    #: Numbers that mean a fault, by channel.
    sentinels = [(i, frozenset(c.numbers)) for i, c in enumerate(ordered) if c.numbers]
    bounded = any(fields[c.at].type.startswith("f") for c in ordered)

    def values_of(frame: bytes) -> tuple[float, ...] | None:
        numbers = unpack(frame)
        if bounded and not all([-LARGEST < n < LARGEST for n in numbers]):
            return None
        for i, own in sentinels:
            if numbers[i] in own:
                return None
        values = tuple(map(mul, numbers, factors))
        if moved:
            values = tuple(map(add, values, addends))
        return values if 0.0 not in values else tuple([v + 0.0 for v in values])

    if seal is None:
        return lambda frame: None if match(frame) is None else values_of(frame)
    of, value = seal.of, seal.value
    start = layout.size + len(seal.mark)
    stop, covered = start + seal.size, start if seal.covers_mark else layout.size

    def sealed(frame: bytes) -> tuple[float, ...] | None:
        if match(frame) is None or value(frame[start:stop]) != of(frame[:covered]):
            return None
        return values_of(frame)

    return sealed


def _good_states(reader: Reader) -> dict[Field, list[bytes]] | None:
    """Return the bytes without fault of each field with a state; None where a field needs the full decoder."""
    table, slots = reader.line.table, reader.slots
    by_name = {field.name: slot for field, slot in slots.items()}
    good: dict[Field, list[bytes]] = {}
    for field in reader.line.whole:
        if field.name in table.split:
            ranges = table.bit_ranges(field.name)
            if IGNORED in ranges:
                return None
            parts = []
            for name, own in ranges.items():
                slot = by_name.get(name)
                if not isinstance(slot, StatusSlot):
                    return None
                parts.append([own.placed(int(n)) for n in _numbers_without_fault(slot) if _fits(own.placed, int(n))])
            sums = [sum(one) for one in product(*parts)]
        elif isinstance(slots.get(field), StatusSlot):
            slot = slots[field]
            sums = [int(n) for n in _numbers_without_fault(slot) if n == int(n)] if isinstance(slot, StatusSlot) else []
            if field.type in ("ascii", "bcd") or field.type.startswith("f"):
                return None
        elif isinstance(slots.get(field), ChannelSlot):
            continue
        else:
            return None
        if len(sums) > MOST_GOOD:
            return None
        good[field] = [packed(field.type, field.width, n) for n in sums if _fits(_packer(field), n)]
    return good


def _packer(field: Field) -> Callable[[int], bytes]:
    return lambda number: packed(field.type, field.width, number)


def _fits(write: Callable[[int], object], number: int) -> bool:
    try:
        write(number)
    except ValueError:
        return False
    return True


def _numbers_without_fault(slot: StatusSlot) -> list[float]:
    good = [number for number, faults in slot.numbers.items() if not faults]
    return good + ([0.0] if slot.bits and 0.0 not in slot.numbers else [])


__all__ = ["FastPath", "fast_path"]
