"""A control chart as an SVG drawing for a report: points and moving ranges, with head, legend and signals.  Pure."""

from html import escape
from itertools import pairwise
from typing import Final

from daq.app.screens.drawings.chart_text import capability_words, limit_words, span_of, title
from daq.app.screens.drawings.drawing_words import ENGLISH_WORDS, DrawingWords
from daq.app.screens.text import fold, offset_time, plain
from daq.core.units import symbol
from daq.laboratory.controlchart import Chart
from daq.quality.digits import number

WIDTH: Final = 900
LEFT, RIGHT = 84, 96
PANE, RANGE_PANE, GAP = 280, 110, 34
LINE_HEIGHT: Final = 18
TEXT_COLUMNS: Final = 112
INK, FAINT, LIMIT, AVERAGE, ALARM = "#22303c", "#c9d2d9", "#a4471f", "#1d6a86", "#b3261e"
STYLE: Final = f'role="img" font-family="sans-serif" font-size="13" fill="{INK}"'


def chart_svg(chart: Chart, words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return the drawing as the text of an SVG file that needs no other file, with the words of a language.

    A point of a signal is a square, a simulated one is hollow; each signal has its sentence below the drawing.
    """
    head = _head(chart, words)
    top = 40 + LINE_HEIGHT * len(head)
    foot_at = top + (PANE + GAP + RANGE_PANE + 62 if chart.points else LINE_HEIGHT)
    foot = _foot(chart, words)
    height = foot_at + LINE_HEIGHT * len(foot) + 14
    drawn = []
    if chart.points:
        drawn = [
            *_values(chart, top, words),
            *_ranges(chart, top + PANE + GAP, words),
            *_dates(chart, foot_at - 44),
        ]
    name = escape(title(chart, words))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" {STYLE}>',
            f"<title>{name}</title>",
            f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
            *_texts([title(chart, words)], 26, 'font-size="16" font-weight="bold"'),
            *_texts(head, 48),
            *drawn,
            *_texts(foot, foot_at),
            "</svg>\n",
        ]
    )


def _texts(rows: list[str], at: float, more: str = "") -> list[str]:
    return [
        f'<text x="20" y="{at + LINE_HEIGHT * i:.0f}"{" " if more else ""}{more}>{escape(row)}</text>'
        for i, row in enumerate(rows)
    ]


def _head(chart: Chart, words: DrawingWords) -> list[str]:
    rows = [words.sentence(caution).upper() for caution in chart.cautions]
    rows += [words("method", method=plain(chart.method))] if chart.method else []
    if chart.points:
        first, last = (offset_time(chart.points[i].utc_ns) for i in (0, -1))
        rows.append(words("points", count=len(chart.points), first=first, last=last))
    rows += [] if chart.lines is None else [limit_words(chart.lines, chart.unit, words)]
    rows += [words.sentence(text) for text in chart.origin]
    return [part for row in rows for part in fold(row, TEXT_COLUMNS)]


def _foot(chart: Chart, words: DrawingWords) -> list[str]:
    marks = [words("marks"), *([] if chart.lines is None else [words("marks_of_lines")])]
    rows = [words("legend", marks="; ".join(marks))]
    if chart.lines is not None:
        signals = [words("signal", text=words.sentence(text)) for text in chart.findings]
        rows += signals or [words("no_signal")]
    rows += [] if chart.capability is None else capability_words(chart.capability, chart.unit, words)
    rows += [] if chart.no_capability is None else [words.sentence(chart.no_capability)]
    rows += [words("left_out", name=plain(x.name), why=words.sentence(x.why)) for x in chart.left_out]
    return [part for row in rows for part in fold(row, TEXT_COLUMNS)]


class _Scale:
    """Places of values in a pane whose upper edge is at `top`."""

    def __init__(self, low: float, high: float, top: float, height: float) -> None:
        self._low, self._span, self._top, self._height = low, high - low, top, height

    def place(self, value: float) -> float:
        return self._top + self._height * (1.0 - (value - self._low) / self._span)


def _across(chart: Chart, i: int) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (i + 0.5) / len(chart.points)


def _frame(top: float, height: float, words: str) -> list[str]:
    middle = top + height / 2
    return [
        f'<path d="M{LEFT} {top}V{top + height}H{WIDTH - RIGHT}" fill="none" stroke="{INK}"/>',
        f'<text transform="translate(18 {middle:.0f}) rotate(-90)" text-anchor="middle">{escape(words)}</text>',
    ]


def _level(y: float, words: str, dashes: str, colour: str) -> list[str]:
    return [
        f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="{colour}" stroke-dasharray="{dashes}"/>',
        f'<text x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{escape(words)}</text>',
    ]


def _values(chart: Chart, top: float, words: DrawingWords) -> list[str]:
    low, high = span_of(chart)
    scale = _Scale(low, high, top, PANE)
    out = _frame(top, PANE, f"{words.term(chart.name.quantity)}, {symbol(chart.unit)}".rstrip(", "))
    lines = chart.lines
    if lines is not None:
        out += _level(scale.place(lines.centre), number(lines.centre), "none", FAINT)
        for value in (lines.lower, lines.upper):
            out += _level(scale.place(value), number(value), "7 4", LIMIT)
        for ys in (lines.average_lower, lines.average_upper):
            out.append(_line(chart, [scale.place(y) for y in ys], FAINT, 'stroke-dasharray="2 3"'))
        out.append(_line(chart, [scale.place(y) for y in lines.averages], AVERAGE))
    else:
        for value in dict.fromkeys((min(p.value for p in chart.points), max(p.value for p in chart.points))):
            out.append(
                f'<text x="{LEFT - 8}" y="{scale.place(value) + 4:.1f}" text-anchor="end">{number(value)}</text>'
            )
    out.append(_line(chart, [scale.place(p.value) for p in chart.points], FAINT))
    signalled = {i for s in chart.signals for i in s.points}
    return out + [
        _point(chart, i, scale.place(chart.points[i].value), i in signalled, words) for i in range(len(chart.points))
    ]


def _line(chart: Chart, ys: list[float], colour: str, more: str = "") -> str:
    places = " ".join(f"{_across(chart, i):.1f},{y:.1f}" for i, y in enumerate(ys))
    return f'<polyline points="{places}" fill="none" stroke="{colour}" {more}/>'


def _point(chart: Chart, i: int, y: float, is_signalled: bool, words: DrawingWords) -> str:
    p, x = chart.points[i], _across(chart, i)
    unit = symbol(chart.unit)
    about = f"{plain(p.name)}: {number(p.value)} {unit}, {offset_time(p.utc_ns)}, {words.quality(p.quality)}"
    about += f", {words('simulated')}" if p.simulated else ""
    hint = f"<title>{escape(about)}</title>"
    colour = ALARM if is_signalled else AVERAGE
    fill = "#ffffff" if p.simulated else colour
    look = f'fill="{fill}" stroke="{colour}" stroke-width="1.5"'
    if is_signalled:
        return f'<rect x="{x - 5:.1f}" y="{y - 5:.1f}" width="10" height="10" {look}>{hint}</rect>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" {look}>{hint}</circle>'


def _ranges(chart: Chart, top: float, words: DrawingWords) -> list[str]:
    lines = chart.lines
    highest = max([*chart.moving_ranges, 0.0 if lines is None else lines.moving_range_upper])
    scale = _Scale(0.0, 1.05 * highest or 1.0, top, RANGE_PANE)
    out = _frame(top, RANGE_PANE, words("moving_range"))
    if lines is not None:
        limit, mean = lines.moving_range_upper, lines.mean_moving_range
        out += _level(scale.place(limit), number(limit, 3), "7 4", LIMIT)
        out += _level(scale.place(mean), number(mean, 3), "none", FAINT)
    places = [(_across(chart, i), scale.place(r)) for i, r in enumerate(chart.moving_ranges, start=1)]
    out += [f'<path d="M{a:.1f} {b:.1f}L{c:.1f} {d:.1f}" stroke="{FAINT}"/>' for (a, b), (c, d) in pairwise(places)]
    return out + [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{INK}"/>' for x, y in places]


def _dates(chart: Chart, at: float) -> list[str]:
    """Return the names and dates of the first and the last point below the panes."""
    last = len(chart.points) - 1
    out = []
    for i in dict.fromkeys((0, last)):
        anchor = "start" if i == 0 else "end"
        x = LEFT if i == 0 else WIDTH - RIGHT
        p = chart.points[i]
        name = fold(plain(p.name), 40)[0]
        words = f"{name}, {offset_time(p.utc_ns)}"
        out.append(f'<text x="{x}" y="{at}" text-anchor="{anchor}">{escape(words)}</text>')
    return out
