"""Name the numbers of lines after their probable quantity, and find those that are the same quantity."""

import re
from collections.abc import Sequence
from typing import Final

from daq.core.units import UNITS
from daq.descriptions.guessing.fields import HINTS, GuessedField, GuessedLine

NAMES: Final = {"acidity": "ph", "number": "value", "viscosity": "viscosity"}
"""Names of channels by the dimension of their unit, where the name differs from the dimension."""


def name_fields(line: GuessedLine) -> None:
    """Name each field after its probable quantity; the names are unique."""
    used: set[str] = set()
    for found in line.fields:
        if not found.kept:
            continue
        hint = HINTS.get(found.before.upper(), "")
        if is_ph(found):
            found.unit = "[pH]"
        if found.units:
            name = "unit"
        elif not found.numeric:
            name = "state"
        elif found.unit:
            dimension = UNITS[found.unit].dimension
            name = hint or NAMES.get(dimension, dimension.replace(" ", "_"))
        else:
            name = hint or "value"
        number, free = 1, name
        while free in used:
            number += 1
            free = f"{name}_{number}"
        used.add(free)
        found.name = free


def is_ph(found: GuessedField) -> bool:
    """Return True for a number behind the word pH whose form is that of a pH: 0 to 16, with decimals."""
    if HINTS.get(found.before.upper()) != "ph" or not found.numeric or found.unit or not found.numbers:
        return False
    return all(0 <= number <= 16 for number in found.numbers) and all(
        "." in text or "," in text for text in found.texts if text not in found.special
    )


def share_quantities(others: Sequence[GuessedLine], line: GuessedLine) -> None:
    """Mark the numbers of `line` that are probably quantities of `others`, which answer the same request.

    Such a number has the same word before it and a unit of the same dimension, or its line begins with the same text: a
    second channel of it would be an invented one, whose value comes from another time than that of the first.
    """
    taken: list[GuessedField] = []
    for by_name in (True, False):
        for found in line.fields:
            if not found.numeric or not found.numbers or found.same_as is not None or not found.kept:
                continue
            for group in others:
                if not by_name and (not found.unit or _begin(group) != _begin(line)):
                    continue
                for other in group.fields:
                    like = other.numeric and other.numbers and other.kept and other.same_as is None
                    like = (
                        like
                        and (other.before == found.before or not by_name)
                        and _dimension(other) == _dimension(found)
                    )
                    if like and found.same_as is None and not any(other is one for one in taken):
                        found.same_as = other
                        taken.append(other)


def _begin(line: GuessedLine) -> str:
    return line.pieces[0] if line.pieces and isinstance(line.pieces[0], str) else ""


def _dimension(found: GuessedField) -> str:
    return UNITS[found.unit].dimension if found.unit else ""


def free_channel(name: str, used: set[str]) -> str:
    """Return a name that is not in `used`, with a number behind it where needed, and add it there."""
    number, free = 1, name
    while free in used:
        number += 1
        free = f"{re.sub(r'_[0-9]+$', '', name)}_{number}"
    used.add(free)
    return free
