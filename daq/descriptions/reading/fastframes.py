"""Fast decoders of frames of bytes without faults: one call of `struct`, a comparison of constants, one checksum."""

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from itertools import product
from operator import add, mul
from typing import Any, Final

from daq.core.driver import Decoded, Request
from daq.descriptions.codec.layout import LARGEST, FrameLayout, Piece, number_bytes
from daq.descriptions.linemodel import IGNORED
from daq.descriptions.numbers import is_whole, packed, struct_code
from daq.descriptions.patterns import compiled
from daq.descriptions.reading.lines import Reader
from daq.descriptions.reading.slots import ChannelSlot, Slot, StatusSlot
from daq.descriptions.template import Field

MOST_GOOD: Final = 256
"""Greatest number of values without fault of one state of a frame."""
MOST_IGNORED: Final = 7
"""Greatest number of bits without a meaning of a state in a fast path."""
_CHECK_CODES: Final = {1: "B", 2: "H", 4: "I", 8: "Q"}
Decoder = Callable[[bytes, Request | None], Decoded]
"""Decodes a line, with the request that it answers."""


def of_frame(reader: Reader, layout: FrameLayout, slots: Mapping[Field, Slot], otherwise: Decoder) -> Decoder | None:
    """Return the decoder that takes frames without faults of one kind itself; `otherwise` takes all others."""
    seal = reader.seal
    columns = [s for s in slots.values() if isinstance(s, ChannelSlot)]
    fields = {slot.at: field for field, slot in slots.items() if isinstance(slot, ChannelSlot)}
    good = _good_states(reader)
    ordered = sorted(columns, key=lambda c: c.at)
    if good is None or any(field not in reader.line.whole for field in fields.values()):
        return None
    direct = _direct(reader, layout, [fields[c.at] for c in ordered], ordered, good, otherwise)
    if direct is not None:
        return direct
    pattern = layout.pattern(good)
    unpack = layout.unpacker([fields[c.at] for c in ordered])
    if pattern is None or unpack is None:
        return None
    match = compiled(f"({pattern}" + (seal.pattern if seal is not None else ")()")).fullmatch
    factors, addends = [c.factor for c in ordered], [c.addend for c in ordered]
    moved = any(addends)
    #: Numbers that mean a fault, or may do so, by channel.
    sentinels = [(i, c.not_values) for i, c in enumerate(ordered) if c.not_values]
    bounded = any(fields[c.at].type.startswith("f") for c in ordered)

    def values_of(frame: bytes) -> tuple[float, ...] | None:
        numbers = unpack(frame)
        if bounded and not all(-LARGEST < n < LARGEST for n in numbers):
            return None
        for i, own in sentinels:
            if numbers[i] in own:
                return None
        values = tuple(map(mul, numbers, factors))
        if moved:
            values = tuple(map(add, values, addends))
        return values if 0.0 not in values else tuple([v + 0.0 for v in values])

    of, value = (seal.of, seal.value) if seal is not None else (len, len)

    def decode(frame: bytes, asked: Request | None = None) -> Decoded:
        found = match(frame)
        if found is not None and (seal is None or value(found[2]) == of(found[1])):
            values = values_of(frame)
            if values is not None:
                return values
        return otherwise(frame, asked)

    return decode


def _direct(  # noqa: C901, PLR0915 - closures for one and two numbers; a loop would cost more than the rest
    reader: Reader,
    layout: FrameLayout,
    fields: Sequence[Field],
    columns: Sequence[ChannelSlot],
    good: Mapping[Field, Sequence[bytes]],
    otherwise: Decoder,
) -> Decoder | None:
    """Return the decoder of a frame whose numbers are side by side in the order of the channels.

    The numbers have one order of bytes.  The bytes before them are compared as one text, those behind them with the few
    that have no fault.  None for another frame.  Up to two numbers are taken without a loop, which would cost more than
    the rest.
    """
    seal, pieces = reader.seal, layout.pieces
    first = next((i for i, p in enumerate(pieces) if p.field == fields[0]), 0)
    inside = [p.field for p in pieces[first : first + len(fields)]]
    codes = [struct_code(f.type, f.width) for f in fields]
    orders = {order for order, _ in codes if order}
    raw_check = seal is not None and seal.is_bytes and seal.size in _CHECK_CODES and not seal.mark and not seal.behind
    if seal is not None:
        orders |= {">" if seal.big_endian else "<"} if seal.size > 1 else set()
    if (
        inside != list(fields)
        or len(orders) > 1
        or layout.grows
        or any(code.endswith("s") for _, code in codes)
        or any(c.not_values for c in columns)
        or (seal is not None and not raw_check)
    ):
        return None
    heads, tails = (_texts(own, good) for own in (pieces[:first], pieces[first + len(fields) :]))
    if heads is None or tails is None or len(heads) > 1:
        return None
    (beginning,) = heads
    start = pieces[first].at
    after = layout.size - (pieces[first + len(fields) - 1].at + pieces[first + len(fields) - 1].size)
    form = "".join(orders or {">"}) + f"{start}s" + "".join(code for _, code in codes) + f"{after}s"
    form += _CHECK_CODES[seal.size] if seal is not None else "0s"
    unpack = struct.Struct(form).unpack
    of, skip, covered = (*seal.direct, layout.size) if seal is not None else (_no_checksum, 0, 0)
    factors, addends = [c.factor for c in columns], [c.addend + 0.0 for c in columns]
    if len(fields) == 1:
        (factor,), (addend,) = factors, addends

        def one(frame: bytes, asked: Request | None = None) -> Decoded:
            try:
                head, a, tail, check = unpack(frame)
            except struct.error:  # of another length
                return otherwise(frame, asked)
            if head != beginning or tail not in tails or check != of(frame[skip:covered]) or not -LARGEST < a < LARGEST:
                return otherwise(frame, asked)
            return (a * factor + addend,)  # adding 0.0 turns a negative zero into zero

        return one
    if len(fields) == 2:
        (fa, fb), (oa, ob) = factors, addends

        def two(frame: bytes, asked: Request | None = None) -> Decoded:
            try:
                head, a, b, tail, check = unpack(frame)
            except struct.error:  # of another length
                return otherwise(frame, asked)
            if head != beginning or tail not in tails or check != of(frame[skip:covered]):
                return otherwise(frame, asked)
            if not (-LARGEST < a < LARGEST and -LARGEST < b < LARGEST):
                return otherwise(frame, asked)
            return a * fa + oa, b * fb + ob

        return two

    def more(frame: bytes, asked: Request | None = None) -> Decoded:
        try:
            head, *numbers, tail, check = unpack(frame)
        except struct.error:
            return otherwise(frame, asked)
        if head != beginning or tail not in tails or check != of(frame[skip:covered]):
            return otherwise(frame, asked)
        if not all(-LARGEST < n < LARGEST for n in numbers):
            return otherwise(frame, asked)
        return tuple([n * f + o for n, f, o in zip(numbers, factors, addends, strict=True)])

    return more


def _no_checksum(frame: bytes) -> Any:
    return frame


def _texts(pieces: Sequence[Piece], good: Mapping[Field, Sequence[bytes]]) -> frozenset[bytes] | None:
    """Return all bytes without fault of these pieces; None for too many."""
    choices: list[Sequence[bytes]] = []
    for piece in pieces:
        if piece.field is None:
            choices.append([piece.constant])
        elif piece.field in good:
            choices.append(good[piece.field])
        else:
            return None
    if math.prod(map(len, choices)) > MOST_GOOD:
        return None
    return frozenset(b"".join(one) for one in product(*choices))


def _good_states(reader: Reader) -> dict[Field, list[bytes]] | None:
    """Return the bytes without fault of each field with a state; None where a field needs the full decoder."""
    table, slots = reader.line.table, reader.slots
    by_name = {field.name: slot for field, slot in slots.items()}
    good: dict[Field, list[bytes]] = {}
    for field in reader.line.whole:
        if field.name in table.split:
            ranges = table.bit_ranges(field.name)
            parts = []
            for name, own in ranges.items():
                if name == IGNORED:
                    if own.count > MOST_IGNORED:
                        return None
                    parts.append([n << own.low for n in range(1 << own.count)])
                    continue
                slot = by_name.get(name)
                if not isinstance(slot, StatusSlot):
                    return None
                parts.append([own.placed(n) for n in _numbers_without_fault(slot) if _fits(own.placed, n)])
            if math.prod(map(len, parts)) > MOST_GOOD:
                return None
            sums = [sum(one) for one in product(*parts)]
        elif isinstance(slots.get(field), StatusSlot):
            slot = slots[field]
            sums = _numbers_without_fault(slot) if isinstance(slot, StatusSlot) else []
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


def _numbers_without_fault(slot: StatusSlot) -> list[int]:
    whole = [(int(number), faults) for number, faults in slot.numbers.items() if is_whole(number)]
    # The full decoder looks for the text of a number first: `1` and `01` may have different meanings.
    good = [number for number, faults in whole if not slot.means.get(number_bytes(number), faults)]
    return good + ([0] if slot.bits and 0.0 not in slot.numbers else [])


__all__ = ["of_frame"]
