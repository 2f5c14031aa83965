"""Lines of styled text: wrapped, cut, padded and put side by side.  Pure."""

from collections.abc import Sequence
from typing import Final

from daq.app.screens.text import fold, shortened, width

Line = list[tuple[str, str]]
"""Pieces of text, each with the name of a style: "", head, dim, good, warn, bad, value, struck."""

NARROWEST: Final = 60
"""A screen is laid out for at least this many columns."""
LEAST_WRAPPED: Final = 20
"""Text beside a lead is wrapped to at least this many columns."""


def text_of(line: Line) -> str:
    """Return a line without its styles and without spaces at its end."""
    return "".join(piece for piece, _ in line).rstrip()


def line_width(line: Line) -> int:
    """Return the number of columns of a line, spaces at its end included."""
    return sum(width(piece) for piece, _ in line)


def cropped(line: Line, columns: int) -> Line:
    """Return a line of at most `columns` columns; a cut is marked with an ellipsis."""
    if width(text_of(line)) <= columns:
        return line
    out: Line = []
    for piece, style in line:
        left = columns - line_width(out)
        if width(piece) >= left:
            return [*out, (shortened(piece + " ", left), style)] if left > 0 else out
        out.append((piece, style))
    return out


def padded(line: Line, columns: int) -> Line:
    """Return a line of exactly `columns` columns: cut where it is longer, filled with spaces where it is shorter."""
    cut = cropped(line, columns)
    missing = columns - line_width(cut)
    if missing < 0:  # only spaces at the end are beyond the last column
        cut = [(text_of(cut), cut[0][1])] if cut else []
        missing = columns - line_width(cut)
    return [*cut, (" " * missing, "")]


def wrapped(text: str, columns: int, lead: str, style: str = "") -> list[Line]:
    """Return text in as many lines as it takes, after `lead` and hanging below its end."""
    indent = width(lead)
    rows = fold(text, max(columns - indent, LEAST_WRAPPED))
    return [[(lead if i == 0 else " " * indent, "dim"), (row, style)] for i, row in enumerate(rows)]


def joined(
    parts: Sequence[Line], columns: int, space: str = "  ", indent: str = "", hang: str | None = None
) -> list[Line]:
    """Return `parts` one after the other, `space` between them; a part that has no room begins a new line.

    The first line begins with `indent`, the others with `hang` (None: the same).  A part that is longer than a line is
    wrapped.
    """
    lines: list[Line] = [[(indent, "")]]
    hang, empty = indent if hang is None else hang, True
    for part in parts:
        if not empty and line_width(lines[-1]) + width(space) + line_width(part) > columns:
            lines.append([(hang, "")])
            empty = True
        if line_width(lines[-1]) + line_width(part) > columns:
            lead, (rows, style) = lines.pop(), (fold(text_of(part), columns - width(hang)), part[-1][1])
            lines += [[*(lead if i == 0 else [(hang, "")]), (row, style)] for i, row in enumerate(rows)]
        else:
            lines[-1] += ([] if empty else [(space, "")]) + part
        empty = False
    return lines


def side_by_side(blocks: Sequence[Sequence[Line]], columns: int, space: str = " │ ") -> list[Line]:
    """Return blocks of lines beside each other, each `columns` wide, all as high as the highest."""
    height = max((len(block) for block in blocks), default=0)
    out: list[Line] = []
    for row in range(height):
        line: Line = []
        for i, block in enumerate(blocks):
            line += [(space, "dim")] if i else []
            line += padded(block[row] if row < len(block) else [], columns)
        out.append(line)
    return out
