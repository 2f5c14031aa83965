"""A flow curve as an SVG drawing for a report: points, model with its band, head and legend.  Pure."""

import math
from collections.abc import Sequence
from html import escape
from typing import Final

from daq.app.screens.drawings.curve_text import mark_of, model_name, parameter_text, rate_of
from daq.app.screens.drawings.drawing_words import ENGLISH_WORDS, DrawingWords
from daq.app.screens.text import fold
from daq.core.units import symbol
from daq.methods.curves.curvedata import CurvePoint, FlowCurveData
from daq.quality.digits import within

WIDTH: Final = 720
PANE: Final = 356
"""Height of the part with the points."""
LEFT, RIGHT, BOTTOM = 78, 24, 46
LINE_HEIGHT: Final = 18
TEXT_COLUMNS: Final = 96
MARKED: Final = ("up", "down", "both", "unused")
INK, FAINT, MODEL, BAND = "#22303c", "#c9d2d9", "#a4471f", "#f0d9c8"
STYLE: Final = f'role="img" font-family="sans-serif" font-size="13" fill="{INK}"'
FILL: Final = {"up": "#1d6a86", "down": "#ffffff", "both": "#1d6a86", "unused": "none"}


def svg(curve: FlowCurveData, title: str, head: Sequence[str] = (), words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return the drawing as the text of an SVG file that needs no other file.

    Args:
        curve: the flow curve.
        title: first line above it.
        head: further lines above it: what was measured, and how.
        words: the words of a language.
    """
    above = [part for row in (*head, _subtitle(curve, words)) for part in fold(row, TEXT_COLUMNS)]
    below = fold(legend_words(curve, words), TEXT_COLUMNS)
    top = 38 + LINE_HEIGHT * len(above)
    bottom = top + PANE
    height = bottom + BOTTOM + LINE_HEIGHT * len(below) + 8
    used = [p for p in curve.points if p.wall_stress > 0.0]
    x = _Axis([rate_of(p) for p in used] + [b.rate for b in curve.band], LEFT, WIDTH - RIGHT)
    y = _Axis([p.wall_stress for p in used] + [s for b in curve.band for s in (b.low, b.high)], bottom, top)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" {STYLE}>',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="24" font-size="16" font-weight="bold">{escape(title)}</text>',
        *_texts(above, 46),
        *_grid(x, y, top, bottom, words),
        *_model(curve, x, y),
        *(_point(p, x, y, words) for p in used),
        *_texts(below, bottom + BOTTOM + LINE_HEIGHT),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _texts(rows: Sequence[str], at: int) -> list[str]:
    return [f'<text x="{LEFT}" y="{at + LINE_HEIGHT * i}">{escape(row)}</text>' for i, row in enumerate(rows)]


def legend_words(curve: FlowCurveData, words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return the meaning of marks, line and band of the drawing."""
    kinds = {mark_of(p) for p in curve.points if p.wall_stress > 0.0}
    marks = [words(f"mark_{kind}") for kind in MARKED if kind in kinds]
    if curve.band:
        marks.append(words("line_and_band", percent=f"{100 * curve.coverage:.0f}"))
    return words("legend", marks="; ".join(marks))


class _Axis:
    """A logarithmic axis from values to places, 15 % longer than the values at both ends."""

    def __init__(self, values: list[float], start: float, end: float) -> None:
        good = [v for v in values if v > 0.0] or [1.0]
        self.low, self.high = min(good) / 1.15, max(good) * 1.15
        self._start, self._end = start, end

    def place(self, value: float) -> float:
        part = math.log(max(value, self.low) / self.low) / math.log(self.high / self.low)
        return self._start + part * (self._end - self._start)

    def ticks(self) -> list[float]:
        """Return 1, 2 and 5 of every decade within the axis; all nine where it is shorter than a decade."""
        steps = (1, 2, 5) if self.high >= 10.0 * self.low else range(1, 10)
        decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        return [m * 10.0**d for d in decades for m in steps if self.low <= m * 10.0**d <= self.high]


def _subtitle(curve: FlowCurveData, words: DrawingWords) -> str:
    chosen = next((f for f in curve.fits if f.model == curve.chosen), None)
    if chosen is None:
        return words("no_model")
    y = curve.yield_stress
    spread = (
        ""
        if y is None or not y.model_dependent
        else f" ({words('other_models', low=within(y.low, y.expanded), high=within(y.high, y.expanded))})"
    )
    return f"{model_name(chosen.model, words)}: " + ", ".join(parameter_text(p) for p in chosen.parameters) + spread


def _grid(x: _Axis, y: _Axis, top: int, bottom: int, words: DrawingWords) -> list[str]:
    out: list[str] = []
    for value in x.ticks():
        at = x.place(value)
        out.append(f'<path d="M{at:.1f} {top}V{bottom}" stroke="{FAINT}"/>')
        out.append(f'<text x="{at:.1f}" y="{bottom + 20}" text-anchor="middle">{value:g}</text>')
    for value in y.ticks():
        at = y.place(value)
        out.append(f'<path d="M{LEFT} {at:.1f}H{WIDTH - RIGHT}" stroke="{FAINT}"/>')
        out.append(f'<text x="{LEFT - 8}" y="{at + 4:.1f}" text-anchor="end">{value:g}</text>')
    out.append(f'<path d="M{LEFT} {top}V{bottom}H{WIDTH - RIGHT}" fill="none" stroke="{INK}"/>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    rate, stress = escape(words("rate_axis", unit=symbol("/s"))), escape(words("stress_axis"))
    out.append(f'<text x="{middle:.0f}" y="{bottom + 40}" text-anchor="middle">{rate}</text>')
    turned = f'transform="translate(20 {(top + bottom) / 2:.0f}) rotate(-90)"'
    out.append(f'<text {turned} text-anchor="middle">{stress}</text>')
    return out


def _model(curve: FlowCurveData, x: _Axis, y: _Axis) -> list[str]:
    if not curve.band:
        return []
    places = [(x.place(b.rate), y.place(b.low), y.place(b.stress), y.place(b.high)) for b in curve.band]
    upper = " ".join(f"{a:.1f},{d:.1f}" for a, _, _, d in places)
    lower = " ".join(f"{a:.1f},{b:.1f}" for a, b, _, _ in reversed(places))
    line = " ".join(f"{a:.1f},{c:.1f}" for a, _, c, _ in places)
    return [
        f'<polygon points="{upper} {lower}" fill="{BAND}"/>',
        f'<polyline points="{line}" fill="none" stroke="{MODEL}" stroke-width="2"/>',
    ]


def _point(p: CurvePoint, x: _Axis, y: _Axis, words: DrawingWords) -> str:
    a, b, kind = x.place(rate_of(p)), y.place(p.wall_stress), mark_of(p)
    hint = f"<title>{escape(p.name)}{': ' + escape(words.sentence(p.reasons)) if p.reasons else ''}</title>"
    if kind == "unused":
        return f'<path d="M{a - 5:.1f} {b - 5:.1f}l10 10m-10 0l10 -10" stroke="{INK}" fill="none">{hint}</path>'
    tip = -6 if kind == "up" else 6
    if kind == "both":
        shape = f"M{a - 6:.1f} {b:.1f}l6 -6l6 6l-6 6z"
    else:
        shape = f"M{a:.1f} {b + tip:.1f}l6 {-1.7 * tip:.1f}h-12z"
    return f'<path d="{shape}" fill="{FILL[kind]}" stroke="{FILL["up"]}" stroke-width="1.5">{hint}</path>'
