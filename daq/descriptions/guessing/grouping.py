"""Group the lines of a capture by their structure and by the quantity of their units."""

import re
from collections.abc import Sequence
from itertools import pairwise, zip_longest
from typing import Final

from daq.core.units import UNITS
from daq.descriptions.guessing.fields import PARTED, tokens_of
from daq.descriptions.guessing.finding.hexwords import MARKED
from daq.descriptions.unitwords import unit_word

_DATE: Final = re.compile(r"\d{4}-|\d\d[./]\d\d[./]")


def group_lines(texts: Sequence[str], mark: str) -> list[list[str]]:
    """Group lines of the same structure, the most frequent first.

    Lines in which a text replaces a number join the group of the lines with the number.
    """
    groups: dict[tuple[str, ...], list[str]] = {}
    for text in _parted(texts, mark):
        groups.setdefault(_structure(text, mark), []).append(text)
    ordered = sorted(groups.items(), key=lambda item: -len(item[1]))
    kept: list[tuple[tuple[str, ...], list[str]]] = []
    for structure, members in ordered:
        group = next((lines for other, lines in kept if _fits(other, structure)), None)
        if group is None:
            kept.append((structure, members))
        else:
            group += members
    return [part for _, lines in kept for part in _by_quantity(lines, mark)]


def is_date(text: bytes) -> bool:
    """Return True for a line with a date or a time of day and nothing else."""
    kinds = {token.kind for token in tokens_of(text.decode("latin-1"))}
    return "clock" in kinds and kinds <= {"clock", "space"}


def has_date(text: str) -> bool:
    """Return True for a line with a date; a time alone may be a measured one."""
    return any(token.kind == "clock" and _DATE.match(token.text) for token in tokens_of(text))


def _parted(texts: Sequence[str], mark: str) -> list[str]:
    """Return the lines with `PARTED` between a text and the unit behind it, where both replace a number and its unit.

    ``OLmm 5.1 g`` beside ``10mm 0.3 g`` has the text OL in the place of the number.
    """
    rows = [tokens_of(text, mark) for text in texts]
    units = {b.text for row in rows for a, b in pairwise(row) if (a.kind, b.kind) == ("number", "word")}
    if not units:
        return [*texts]
    structures = {_structure(text, mark) for text in texts}
    out: list[str] = []
    for text, row in zip(texts, rows, strict=True):
        new = ""
        for token in row:
            unit = max((u for u in units if token.text.endswith(u)), key=len, default="")
            # kPa is a unit, and no text before the unit Pa.
            parted = bool(unit) and token.kind == "word" and token.text not in units and not unit_word(token.text)[0]
            whole = MARKED + token.text if token.kind == "hex" else token.text
            new += f"{token.text[: -len(unit)]}{PARTED}{unit}" if parted else whole
        out.append(new if PARTED in new and _replaces(_structure(new, mark), structures) else text)
    return out


def _replaces(structure: tuple[str, ...], others: set[tuple[str, ...]]) -> bool:
    return any("number" in other and other != structure and _fits(other, structure) for other in others)


def _by_quantity(lines: list[str], mark: str) -> list[list[str]]:
    """Split lines of one structure where the unit behind a number is of another quantity (``1.5 V``, ``1.5 A``)."""
    rows = [[token for token in tokens_of(line, mark) if token.kind != "space"] for line in lines]
    for at in range(1, min(map(len, rows))):
        if any(row[at].kind != "word" or row[at - 1].kind == "other" for row in rows):
            continue
        kinds = [dimension_of(row[at].text) for row in rows]
        if "" not in kinds and len(set(kinds)) > 1:
            groups: dict[str, list[str]] = {}
            for kind, line in zip(kinds, lines, strict=True):
                groups.setdefault(kind, []).append(line)
            parts = sorted(groups.values(), key=lambda part: -len(part))
            return [smaller for part in parts for smaller in _by_quantity(part, mark)]
    return [lines]


def dimension_of(word: str) -> str:
    """Return the dimension of a unit as an instrument writes it; "" for an unknown one."""
    code = unit_word(word)[0]
    return UNITS[code].dimension if code else ""


def _structure(text: str, mark: str) -> tuple[str, ...]:
    """Return the kinds of a line's tokens without blanks; punctuation and names of values (``T=``) as they are."""
    tokens = [token for token in tokens_of(text, mark) if token.kind != "space"]
    out: list[str] = []
    for token, behind in zip_longest(tokens, tokens[1:]):
        names = token.kind == "word" and behind is not None and behind.text in ("=", ":")
        out.append(token.text if token.kind == "other" or names else token.kind)
    return tuple(out)


def _fits(group: tuple[str, ...], structure: tuple[str, ...]) -> bool:
    """Return True where `structure` is that of `group`, with texts in place of some numbers."""
    return len(group) == len(structure) and all(
        a == b or (a == "number" and b in ("dashes", "word")) for a, b in zip(group, structure, strict=True)
    )
