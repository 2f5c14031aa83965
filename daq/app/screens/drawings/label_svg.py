"""The label of a sample as an SVG drawing: a QR code (ISO/IEC 18004) beside lines of text.  Pure."""

from collections.abc import Sequence
from html import escape
from typing import Final

from daq.app.screens.text import shortened

WIDTH: Final = 62.0
"""Width of the label, mm."""
HEIGHT: Final = 29.0
"""Height of the label, mm."""
CODE: Final = 25.0
"""Side of the QR code without its quiet zone, mm."""
QUIET: Final = 4
"""Width of the quiet zone around the code, in modules (ISO/IEC 18004, 9.1)."""
LEAD: Final = 3.7
"""Distance of the lines of text, mm."""
COLUMNS: Final = 19
"""Characters of a line of text; a longer one is shortened."""
MOST_LINES: Final = 6


def label_svg(modules: Sequence[Sequence[int]], title: str, lines: Sequence[str]) -> str:
    """Return a label as the text of an SVG file that needs no other file.

    Args:
        modules: the QR code, one row of 0 (light) and 1 (dark) after the other, without quiet zone.
        title: first line of text, in bold.
        lines: further lines of text.
    """
    module = CODE / (len(modules) + 2 * QUIET)
    x = CODE + 2.0
    text = [
        f'<text x="{x:g}" y="{5.0 + LEAD * i:g}" font-size="3.2">{escape(shortened(line, COLUMNS))}</text>'
        for i, line in enumerate(lines[:MOST_LINES], 1)
    ]
    size = f'width="{WIDTH:g}mm" height="{HEIGHT:g}mm" viewBox="0 0 {WIDTH:g} {HEIGHT:g}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family="sans-serif" fill="#000000">',
            f"<title>{escape(title)}</title>",
            f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="#ffffff"/>',
            f'<g transform="translate(0 {(HEIGHT - CODE) / 2:g}) scale({module:.6g})" shape-rendering="crispEdges">',
            f'<path d="{_path(modules)}"/>',
            "</g>",
            f'<text x="{x:g}" y="5" font-size="4" font-weight="bold">{escape(shortened(title, COLUMNS))}</text>',
            *text,
            "</svg>",
            "",
        ]
    )


def code_svg(modules: Sequence[Sequence[int]]) -> str:
    """Return a QR code alone as the text of an SVG file; `modules` as in `label_svg`."""
    side = len(modules) + 2 * QUIET
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" shape-rendering="crispEdges">'
        f'<path d="{_path(modules)}"/></svg>\n'
    )


def _path(modules: Sequence[Sequence[int]]) -> str:
    """Return the dark modules as one path, a rectangle for each run of them in a row; unit: modules."""
    out = []
    for y, row in enumerate(modules):
        x = 0
        while x < len(row):
            begin = x
            while x < len(row) and row[x]:
                x += 1
            if x > begin:
                out.append(f"M{begin + QUIET} {y + QUIET}h{x - begin}v1h-{x - begin}z")
            x += 1
    return "".join(out)
