"""Tables of text for a person, at most as wide as the terminal.  Pure."""

from collections.abc import Sequence
from typing import Final

from daq.app.screens.text import fold, longest_word, width

SPACE: Final = "  "
NARROWEST_CELL: Final = 6
"""A cell is wrapped to no fewer columns than this, unless all cells together leave no room for it."""


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: frozenset[int] = frozenset(),
    columns: int | None = None,
    drop: Sequence[int] = (),
) -> str:
    """Return a table whose columns are as wide as their content and two spaces apart.

    Args:
        head: the heading of each column.
        rows: the cells, one for each column.
        right: the numbers of the columns that are flush right.
        columns: the width of the terminal; None: as wide as the content needs.
        drop: the numbers of the columns that are left out, one by one in this order, while the table is too wide.  Only
            such columns belong here as another command, or the same one with ``--json``, shows.

    Where the table is still too wide, its cells are wrapped; none is cut.
    """
    shown = list(range(len(head)))
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(width(line[i]) for line in lines) for i in shown]
    if columns is not None:
        for i in drop:
            if _total(widths, shown) <= columns:
                break
            shown.remove(i)
        _narrow(widths, shown, lines, columns)
    out: list[str] = []
    for line in lines:
        cells = {i: fold(line[i], widths[i]) for i in shown}
        for k in range(max(len(cell) for cell in cells.values())):
            parts = [_cell(cells[i][k] if k < len(cells[i]) else "", widths[i], flush=i in right) for i in shown]
            out.append(SPACE.join(parts).rstrip())
    return "\n".join(out)


def _cell(text: str, columns: int, *, flush: bool) -> str:
    padding = " " * (columns - width(text))
    return padding + text if flush else text + padding


def _total(widths: Sequence[int], shown: Sequence[int]) -> int:
    return sum(widths[i] for i in shown) + len(SPACE) * (len(shown) - 1)


def _narrow(widths: list[int], shown: Sequence[int], lines: Sequence[Sequence[str]], columns: int) -> None:
    """Make the widest columns narrower until the table fits: at first only so far that no word is broken."""
    whole = [max(longest_word(line[i]) for line in lines) for i in range(len(widths))]
    parts = [max(longest_word(line[i], broken=True) for line in lines) for i in range(len(widths))]
    for floors in (whole, parts, [min(w, NARROWEST_CELL) for w in whole], [2] * len(widths)):
        while _total(widths, shown) > columns:
            able = [i for i in shown if widths[i] > max(floors[i], 2)]
            if not able:
                break
            widths[max(able, key=lambda i: widths[i])] -= 1
