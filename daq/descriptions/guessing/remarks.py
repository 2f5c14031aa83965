"""Texts of a description file: the remark on an open point, strings and times."""

import json
from collections.abc import Iterator
from typing import Final

FILL_IN: Final = "FILL IN:"
"""Start of a remark on a point that only a person can know."""
SECOND: Final = 1_000_000_000


def fill_in(what: str) -> str:
    """Return the remark on a point to fill in."""
    return f"# {FILL_IN} {what}"


def open_points(text: str) -> Iterator[tuple[int, str]]:
    """Yield the points of a description file that are still to be filled in: line number and point."""
    for number, line in enumerate(text.splitlines(), 1):
        _, mark, what = line.partition(fill_in(""))
        if mark:
            yield number, what


def quoted(text: str) -> str:
    """Return a text as a string of TOML."""
    return json.dumps(text, ensure_ascii=True)


def seconds(ns: int) -> str:
    """Return a time (ns) as text."""
    return f"{ns / 1e9:g} s" if ns >= SECOND else f"{round(ns / 1e6)} ms"


def time(ns: int) -> str:
    """Return a time (ns) as a value of TOML."""
    return f'"{seconds(ns)}"'
