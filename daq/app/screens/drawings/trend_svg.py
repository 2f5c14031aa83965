"""The readings of a run over time as an SVG drawing for a report, the span of the result shaded.  Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

WIDTH: Final = 720
HEIGHT: Final = 300
LEFT, RIGHT, TOP, BOTTOM = 84, 18, 16, 52
INK, FAINT, SPAN = "#22303c", "#c9d2d9", "#dfe4e8"
STYLE: Final = f'role="img" font-family="sans-serif" font-size="13" fill="{INK}"'
BUCKETS: Final = 300
"""Greatest number of groups of readings; of each its least and its greatest value is drawn, so no peak is hidden."""
MARGIN: Final = 0.06
"""Room above and below the readings, of their range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Readings of one signal.

    Attributes:
        name, unit: the signal, and the symbol of its unit.
        seconds, values: time since the start of the run (s) and value, one of each for every reading, in order of time.
        begin, end: the span of the result, s.
    """

    name: str
    unit: str
    seconds: Sequence[float]
    values: Sequence[float]
    begin: float
    end: float


def trend_svg(trend: Trend) -> str:
    """Return the drawing as the text of an SVG file that needs no other file; `trend` has at least two readings."""
    low, high = min(trend.values), max(trend.values)
    room = MARGIN * (high - low) or abs(high) * MARGIN or 1.0
    x = _Axis(trend.seconds[0], max(trend.seconds[-1], trend.end), LEFT, WIDTH - RIGHT)
    y = _Axis(low - room, high + room, HEIGHT - BOTTOM, TOP)
    a, b = x.place(max(trend.begin, trend.seconds[0])), x.place(trend.end)
    places = [(x.place(s), y.place(v)) for s, v in drawn_points(trend.seconds, trend.values)]
    label = f"{trend.name}, {trend.unit}".removesuffix(", ")
    middle = (LEFT + WIDTH - RIGHT) // 2
    turned = f'transform="translate(18 {(TOP + HEIGHT - BOTTOM) // 2}) rotate(-90)"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" {STYLE}>',
        f"<title>{escape(label)} over time</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        f'<rect x="{a:.1f}" y="{TOP}" width="{b - a:.1f}" height="{HEIGHT - BOTTOM - TOP}" fill="{SPAN}"/>',
        *_grid(x, y),
        f'<polyline points="{" ".join(f"{p:.1f},{q:.1f}" for p, q in places)}" fill="none" stroke="{INK}"/>',
        f'<path d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}" fill="none" stroke="{INK}"/>',
        f'<text x="{middle}" y="{HEIGHT - 12}" text-anchor="middle">time since the start, s</text>',
        f'<text {turned} text-anchor="middle">{escape(label)}</text>',
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def drawn_points(seconds: Sequence[float], values: Sequence[float]) -> list[tuple[float, float]]:
    """Return the readings to draw: all of them, or least and greatest of each group, in order of time."""
    if len(values) <= 2 * BUCKETS:
        return list(zip(seconds, values, strict=True))
    size = math.ceil(len(values) / BUCKETS)
    out: list[tuple[float, float]] = []
    for start in range(0, len(values), size):
        group = range(start, min(start + size, len(values)))
        ends = {min(group, key=lambda i: values[i]), max(group, key=lambda i: values[i])}
        out += [(seconds[i], values[i]) for i in sorted(ends)]
    return out


def ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Return at most `most` round numbers between two bounds, 1, 2 or 5 times a power of ten apart."""
    span = high - low
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (m * power) <= most - 1)
    return [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


class _Axis:
    """A linear axis from values to places."""

    def __init__(self, low: float, high: float, start: float, end: float) -> None:
        self.low, self.high = low, high if high > low else low + 1.0
        self._start, self._end = start, end

    def place(self, value: float) -> float:
        part = (value - self.low) / (self.high - self.low)
        return self._start + part * (self._end - self._start)


def _grid(x: _Axis, y: _Axis) -> list[str]:
    out: list[str] = []
    for value in ticks(x.low, x.high, 9):
        at = x.place(value)
        out.append(f'<path d="M{at:.1f} {HEIGHT - BOTTOM}v5" stroke="{INK}"/>')
        out.append(f'<text x="{at:.1f}" y="{HEIGHT - BOTTOM + 20}" text-anchor="middle">{value:g}</text>')
    for value in ticks(y.low, y.high):
        at = y.place(value)
        out.append(f'<path d="M{LEFT} {at:.1f}H{WIDTH - RIGHT}" stroke="{FAINT}"/>')
        out.append(f'<text x="{LEFT - 8}" y="{at + 4:.1f}" text-anchor="end">{value:g}</text>')
    return out
