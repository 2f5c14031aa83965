"""Large digits for a terminal, three rows high, made of half blocks."""

from typing import Final

#: Five rows of three dots as bits, from the top; the point is one dot wide.
_DOTS: Final[dict[str, tuple[int, ...]]] = {
    "0": (7, 5, 5, 5, 7),
    "1": (2, 6, 2, 2, 7),
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
_WIDTHS: Final = {".": 1}
_HALVES: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def large(text: str, *, struck: bool = False) -> list[str]:
    """Three rows that show `text` (digits, point, minus); a struck one has a line through it.

    Text with other characters gives no rows: it is then shown in its usual size only.
    """
    if not text or any(c not in _DOTS for c in text):
        return []
    rows = ["", "", ""]
    for i, c in enumerate(text):
        gap = " " if i else ""
        for row, cells in enumerate(_cells(c)):
            rows[row] += gap + cells
    if struck:
        rows[1] = "─" + rows[1].replace(" ", "─") + "─"
        rows[0], rows[2] = f" {rows[0]} ", f" {rows[2]} "
    return rows


def _cells(c: str) -> list[str]:
    dots = (*_DOTS[c], 0)
    columns = range(_WIDTHS.get(c, 3) - 1, -1, -1)
    return [
        "".join(_HALVES[bool(dots[row] >> k & 1), bool(dots[row + 1] >> k & 1)] for k in columns) for row in (0, 2, 4)
    ]
