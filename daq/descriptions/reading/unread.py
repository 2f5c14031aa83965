"""Parts of lines that have no effect on a reading: fields without a name, optional texts, ignored bits and states."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from typing import Final

from daq.descriptions.linemodel import IGNORED, ReadingLine
from daq.descriptions.patterns import compiled, expression
from daq.descriptions.reading.lines import Line, Reader
from daq.descriptions.reading.slots import StatusSlot
from daq.descriptions.template import Field, Maybe, Part

OPTIONAL: Final = "optional text"
"""Type of an optional part that is a text only."""
_BLANK: Final = frozenset({"pad", "blanks"})
Kinds = Iterable[tuple[Reader, bytes]]
"""Kinds of lines that one line is, each with the line without marks and checksum."""


def ignored_states(kinds: Kinds) -> Iterator[tuple[str, str]]:
    """Yield the states that `others = "ignored"` hides: key of the field, and text or bit."""
    for reader, content in kinds:
        texts = reader.texts(content)
        for place, slot in reader.slots.items():
            if isinstance(slot, StatusSlot) and slot.others == "ignored" and place.name in texts:
                for state in slot.unlisted(texts[place.name]):
                    yield f"line.{reader.line.name}.fields.{place.name}", state


def unread_parts(kinds: Kinds) -> Iterator[tuple[str, str, str]]:
    """Yield the parts of a reading without effect: its place, type of the field or `OPTIONAL` or ``bits``, and text.

    The text is "" where the part is absent; bytes and bits are in hexadecimal digits.
    """
    reader, content = next(iter(kinds), (None, b""))
    if reader is None or not isinstance(reader.line.table, ReadingLine):
        return
    line = reader.line
    seen: Counter[str] = Counter()
    for kind, text in _bytes_of(line, content) if line.layout is not None else _texts_of(line, content):
        seen[kind] += 1
        number = f" no. {seen[kind]}" if seen[kind] > 1 else ""
        yield f"{kind if kind == OPTIONAL else f'{{:{kind}}}'}{number} of line.{line.name}", kind, text
    yield from _ignored_bits(line, content)


def _bytes_of(line: Line, content: bytes) -> Iterator[tuple[str, str]]:
    for kind, own in line.layout.unnamed(content) if line.layout is not None else ():
        yield kind, own.hex().upper()


def _texts_of(line: Line, content: bytes) -> Iterator[tuple[str, str]]:
    pattern = expression(line.parts, line.table.tables, line.writing, _grouped)
    found = _compiled(pattern).fullmatch(content)
    for part, text in zip(_unnamed(line.parts), found.groups(b"") if found is not None else (), strict=False):
        yield OPTIONAL if isinstance(part, Maybe) else part.type, text.decode(line.writing.encoding, "replace")


_compiled: Final = lru_cache(maxsize=64)(compiled)


def _is_text_only(part: Maybe) -> bool:
    return all(isinstance(inner, str) for inner in part.parts)


def _unnamed(parts: Sequence[Part]) -> Iterator[Field | Maybe]:
    """Yield the parts that are not read, in order."""
    for part in parts:
        if isinstance(part, Maybe):
            yield from [part] if _is_text_only(part) else _unnamed(part.parts)
        elif isinstance(part, Field) and not part.name and part.type not in _BLANK:
            yield part


def _grouped(part: Field | Maybe, own: str) -> str:
    """Return the expression of a part, with a group where it is one of `_unnamed`."""
    is_group = _is_text_only(part) if isinstance(part, Maybe) else not part.name and part.type not in _BLANK
    return f"({own})" if is_group else own


def _ignored_bits(line: Line, content: bytes) -> Iterator[tuple[str, str, str]]:
    """Yield the bits of `ignored` in each number that is split."""
    split = {name: own[IGNORED] for name, own in line.table.split.items() if IGNORED in own}
    if not split:
        return
    if line.layout is not None:
        texts = line.layout.texts(content) or {}
    else:
        found = _compiled(line.pattern).fullmatch(content)
        texts = dict(zip(line.whole, found.groups(b"") if found is not None else (), strict=False))
    for field, raw in texts.items():
        digits = raw.strip(b" ")
        if field.name in split and digits:
            number = int(digits, 16 if field.type == "hex" else 10)
            bits = line.table.bit_ranges(field.name)[IGNORED].of(number)
            yield f"bits {split[field.name]} of {field.name} in line.{line.name}", "bits", f"{bits:X}"
