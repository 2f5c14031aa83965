"""A disagreement between two stored copies of one fact, and the functions that find the differing field."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

NOTHING: Final = "nothing"
ROW: Final = "row"
"""Field of a disagreement about a row that is missing, or that no audit entry names."""
LONGEST_SHOWN: Final = 80
"""Largest number of characters of a value in a sentence."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two copies of one fact that differ.

    Attributes:
        table, row, field: place of the one copy; `field` is a column, for a column with JSON with the path in it.
        here: the value there.
        there: the value of the other copy.
        where: place of the other copy.
    """

    table: str
    row: str
    field: str
    here: Any
    there: Any
    where: str

    @property
    def text(self) -> str:
        """The disagreement as a sentence with both values."""
        place = f"{_printable(self.table)} {_printable(self.row)}, {_printable(self.field)}"
        return f"{place}: {shown(self.here)} here, {shown(self.there)} in {_printable(self.where)}"


def shown(value: Any) -> str:
    """Return a value for a sentence: printable, at most `LONGEST_SHOWN` characters."""
    if value is None or value is NOTHING:
        return NOTHING
    text = repr(value) if isinstance(value, (str, bytes)) else str(value)
    text = _printable(text)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


def _printable(text: str) -> str:
    # Damaged text has lone surrogates, which no terminal and no JSON encoder accepts.
    return text.encode("utf-8", "backslashreplace").decode()


def differing(
    table: str, row: str, here: Mapping[str, Any], there: Mapping[str, Any], where: str
) -> Iterator[Disagreement]:
    """Yield a disagreement for each field of `there` that `here` does not have with the same value."""
    for name, value in there.items():
        if here.get(name) != value:
            yield Disagreement(table, row, name, here.get(name), value, where)


def first_difference(here: Any, there: Any) -> tuple[str, Any, Any] | None:
    """Return path and both values of the difference of two JSON values with the shortest path; None for equal ones."""
    found = list(_differences(here, there, ()))
    if not found:
        return None
    keys, a, b = min(found, key=lambda f: len(f[0]))
    return ".".join(keys), a, b


def _differences(here: Any, there: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    if isinstance(here, dict) and isinstance(there, dict):
        for key in sorted(here.keys() | there.keys()):
            yield from _differences(here.get(key), there.get(key), (*path, key))
    elif isinstance(here, list) and isinstance(there, list) and len(here) == len(there):
        for i, (a, b) in enumerate(zip(here, there, strict=True)):
            yield from _differences(a, b, (*path, str(i)))
    # 1, 1.0 and true are equal in Python, and different in a record.
    elif type(here) is not type(there) or here != there:
        yield path, here, there


def at(value: Any, path: str) -> Any:
    """Return the value at a path of keys joined by dots; None where there is none."""
    for key in path.split("."):
        value = value.get(key) if isinstance(value, dict) else None
    return value
