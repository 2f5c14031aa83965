"""Large digits for a terminal, three, five or seven rows high."""

from typing import Final

from daq.app.screens.text import width

SIZES: Final = (7, 5, 3)
"""Heights (rows) in which digits can be drawn, the largest first."""
#: Five rows of three dots as bits, from the top; the point is one dot wide.
_DOTS: Final[dict[str, tuple[int, ...]]] = {
    "0": (7, 5, 5, 5, 7),
    "1": (6, 2, 2, 2, 7),
    "2": (7, 1, 7, 4, 7),
    "3": (7, 1, 7, 1, 7),
    "4": (5, 5, 7, 1, 1),
    "5": (7, 4, 7, 1, 7),
    "6": (7, 4, 7, 5, 7),
    "7": (7, 1, 1, 1, 1),
    "8": (7, 5, 7, 5, 7),
    "9": (7, 5, 7, 1, 7),
    "-": (0, 0, 7, 0, 0),
    ".": (0, 0, 0, 0, 1),
}
_NARROW: Final = frozenset(".")
_TALL: Final = (0, 1, 1, 2, 3, 3, 4)
"""The row of dots that each of seven rows of cells shows."""
#: Columns of cells for each column of dots, by the height of the digits.
_COLUMNS: Final[dict[int, tuple[int, int, int]]] = {5: (2, 2, 2), 7: (2, 4, 2)}
_STEM: Final = (3, 2, 3)
"""The columns of a tall 1, whose stem is no wider than that of the other digits."""
_HALVES: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def large(text: str, height: int = 3, *, struck: bool = False) -> list[str]:
    """Return `height` rows (3, 5 or 7) of equal width that show `text`: digits, point and minus.

    A struck text has a line through its middle row.  Text with other characters gives no rows: a screen then shows it
    in the usual size only.
    """
    if not text or any(c not in _DOTS for c in text):
        return []
    glyphs = [_half_blocks(c) if height == 3 else _blocks(c, height) for c in text]
    space = " " if height == 3 else "  "
    rows = [space.join(glyph[row] for glyph in glyphs) for row in range(height)]
    if not struck:
        return rows
    middle = height // 2
    return [f"─{row.replace(' ', '─')}─" if i == middle else f" {row} " for i, row in enumerate(rows)]


def largest(text: str, height: int, columns: int, *, struck: bool = False) -> list[str]:
    """Return `text` in the largest digits that are at most `height` rows high and `columns` wide, or no rows."""
    for size in SIZES:
        if size <= height:
            rows = large(text, size, struck=struck)
            if rows and width(rows[0]) <= columns:
                return rows
    return []


def _blocks(c: str, height: int) -> list[str]:
    """Return a character drawn in whole cells."""
    dots = _DOTS[c] if height == 5 else tuple(_DOTS[c][row] for row in _TALL)
    if c in _NARROW:
        return ["██" if bits else "  " for bits in dots]
    sizes = _STEM if c == "1" and height == 7 else _COLUMNS[height]
    return ["".join(("█" if bits & bit else " ") * n for bit, n in zip((4, 2, 1), sizes, strict=True)) for bits in dots]


def _half_blocks(c: str) -> list[str]:
    """Return a character in three rows of half cells."""
    dots = (*_DOTS[c], 0)
    columns = (0,) if c in _NARROW else (2, 1, 0)
    return [
        "".join(_HALVES[bool(dots[row] >> k & 1), bool(dots[row + 1] >> k & 1)] for k in columns) for row in (0, 2, 4)
    ]


TALL: Final = 34
"""A terminal of at least this many rows shows a result in the largest digits."""


def large_digits(rows: int) -> int:
    """Return the height of the large digits on a terminal of `rows` rows."""
    return 7 if rows >= TALL else 5
