"""Fast decoders of lines of text that are readings without faults; every other line takes `Reader`."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from operator import add, itemgetter, mul

from daq.core.driver import Decoded, Request, Several
from daq.descriptions.linemodel import ReadingLine
from daq.descriptions.patterns import compiled, escaped, expression, plain_number
from daq.descriptions.reading.fastframes import Decoder, of_frame
from daq.descriptions.reading.lines import Reader
from daq.descriptions.reading.slots import ChannelSlot, Slot, StatusSlot
from daq.descriptions.template import Field, Maybe


def fast_path(reader: Reader, otherwise: Decoder, before: bytes = b"", behind: bytes = b"") -> Decoder | None:
    """Return the decoder that takes readings without faults of one kind of line itself; None where there is none.

    `otherwise` takes all other lines; `before` and `behind` are the marks of the line that the framing leaves on it.
    """
    width = len(reader.channels)
    count = width * reader.readings
    # The numbers of several readings are decoded as one row, and are divided at the end.
    slots = {
        place: replace(slot, at=slot.at + width * (number - 1)) if isinstance(slot, ChannelSlot) and number else slot
        for (place, slot), number in zip(reader.slots.items(), reader.numbers, strict=False)
    }
    columns = [s for s in slots.values() if isinstance(s, ChannelSlot)]
    if (
        not isinstance(reader.line.table, ReadingLine)
        or {c.at for c in columns} != set(range(count))
        or len(columns) != count
        or any(c.reader.width or c.name or c.reader.by_digits for c in columns)
    ):
        return None
    if reader.line.layout is not None:
        row = of_frame(reader, reader.line.layout, slots, otherwise)
    else:
        row = _of_text(reader, slots, otherwise, before, behind)
    if row is None or reader.readings == 1:
        return row

    def divided(line: bytes, asked: Request | None = None) -> Decoded:
        values = row(line, asked)
        if type(values) is not tuple or len(values) != count:
            return values  # of `otherwise`, whose readings have fewer values
        return Several(tuple([values[at : at + width] for at in range(0, count, width)]))

    return divided


def _of_text(  # noqa: C901 - two closures, with and without checksum
    reader: Reader, slots: Mapping[Field, Slot], otherwise: Decoder, before: bytes, behind: bytes
) -> Decoder | None:
    line, seal = reader.line, reader.seal
    columns = [s for s in slots.values() if isinstance(s, ChannelSlot)]
    optional = {f.name for f in line.fields} - {p.name for p in line.parts if isinstance(p, Field)}
    if optional or line.table.split:
        return None

    def inner(place: Field | Maybe, own: str) -> str:
        if isinstance(place, Maybe):
            return own
        slot = slots.get(place)
        if isinstance(slot, ChannelSlot):
            # No text in place of a number has this pattern: one that is a number is in `not_values`.
            return f"({plain_number(place, line.table.table(place.name), line.writing)})"
        if isinstance(slot, StatusSlot):
            good = _good_texts(slot, place.width, compiled(own))
            return f"(?>{'|'.join(map(escaped, good))})" if good else "(?!)"
        return own

    content = expression(line.parts, line.table.tables, line.writing, inner)
    pattern = f"({content}{seal.pattern}" if seal is not None else content
    match = compiled(escaped(before) + pattern + escaped(behind)).fullmatch
    finish = _finisher(columns)

    def unsealed(line: bytes, asked: Request | None = None) -> Decoded:
        found = match(line)
        if found is None:
            return otherwise(line, asked)
        values = tuple(map(float, found.groups())) if finish is None else finish(found.groups())
        if values is None:
            return otherwise(line, asked)
        return values if 0.0 not in values else tuple([v + 0.0 for v in values])

    if seal is None:
        return unsealed
    of, value = seal.of, seal.value

    def sealed(line: bytes, asked: Request | None = None) -> Decoded:
        found = match(line)
        if found is None:
            return otherwise(line, asked)
        covered, *numbers, check = found.groups()
        if value(check) != of(covered):
            return otherwise(line, asked)
        values = tuple(map(float, numbers)) if finish is None else finish(numbers)
        if values is None:
            return otherwise(line, asked)
        # Adding 0.0 turns a negative zero into zero.
        return values if 0.0 not in values else tuple([v + 0.0 for v in values])

    return sealed


def _good_texts(slot: StatusSlot, width: int, own: "re.Pattern[bytes]") -> list[bytes]:
    """Return the texts without fault of a field, the longest first, as the full decoder finds them with `own`."""
    texts = [text for text, faults in slot.means.items() if not faults and text == text.strip(b" ")]
    texts += [b"0"] if slot.bits and not texts else []
    if width:
        texts = [(b" " * n + text).ljust(width) for text in texts for n in range(width - len(text) + 1)]
    return sorted((text for text in dict.fromkeys(texts) if own.fullmatch(text)), key=len, reverse=True)


def may_share(one: Reader, other: Reader) -> bool:
    """Return False where the fixed bytes or the lengths of two kinds of lines show that no line is of both kinds."""
    a, b = one.line.layout, other.line.layout
    if a is None or b is None:
        size = min(len(one.opening), len(other.opening))
        return one.opening[:size] == other.opening[:size]
    if not a.grows and not b.grows and a.size + a.check_size != b.size + b.check_size:
        return False
    fixed = b.fixed
    return all(fixed.get(at, byte) == byte for at, byte in a.fixed.items())


def after_answers(fast: Decoder, otherwise: Decoder) -> Decoder:
    """Return the decoder in which the lines that a request names in `answers` come before those of `fast`."""

    def decode(line: bytes, asked: Request | None = None) -> Decoded:
        return (otherwise if getattr(asked, "answers", ()) else fast)(line, asked)

    return decode


def _finisher(columns: Sequence[ChannelSlot]) -> Callable[[Sequence[bytes]], tuple[float, ...] | None] | None:
    """Return the function from the texts of the numbers, in the order of the line, to the values of the channels.

    None where each value is its number.
    """
    readers = [c.reader.read for c in columns]
    factors, addends = [c.factor for c in columns], [c.addend for c in columns]
    sentinels = frozenset(number for c in columns for number in c.not_values)
    order = [next(i for i, c in enumerate(columns) if c.at == at) for at in range(len(columns))]
    arrange = None if order == sorted(order) else itemgetter(*order)
    plain = all(read is float for read in readers) and not sentinels and arrange is None
    if plain and not any(addends) and all(f == 1.0 for f in factors):
        return None

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


__all__ = ["Decoder", "after_answers", "fast_path", "may_share"]
