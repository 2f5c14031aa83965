"""A control chart on a terminal: head, plot made of characters, signals as sentences, capability.  Pure."""

from collections.abc import Sequence
from typing import Final

from daq.app.screens.drawings.drawing_words import ENGLISH_WORDS, DrawingWords
from daq.app.screens.tables import table
from daq.app.screens.text import chance, fold, offset_time, plain, sentence, width
from daq.core.units import symbol
from daq.laboratory.controlchart import CapabilityFound, Chart, Lines
from daq.quality.digits import number

PLOT_ROWS: Final = 15
LABEL: Final = 11
"""Columns of the labels of the values."""
PIPED: Final = 100
MARK, SIGNALLED, SIMULATED = "o", "X", "s"
AVERAGE, CENTRE, LIMIT = "~", "-", "="


def chart_lines(chart: Chart, columns: int | None) -> list[str]:
    """Return a chart in lines of at most `columns` (None: 100): head, plot, findings, capability, samples left out."""
    room = PIPED if columns is None else columns
    out = [*_hung(title(chart), "", room), *_head(chart, room)]
    if chart.points:
        out += ["", *_plot(chart, room), ""]
    out += _findings(chart, room)
    out += _capability(chart.capability, chart.unit, room)
    if chart.no_capability is not None:
        out += _hung(sentence(chart.no_capability), "", room)
    for x in chart.left_out:
        out += _hung(f"{plain(x.name)}: {sentence(x.why)}", "left out: ", room)
    return out


def title(chart: Chart, words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return the chart's name for a person."""
    name = chart.name
    subject = (
        words("product", name=plain(name.product))
        if name.product
        else words("fluid", name=plain(name.fluid), instrument=plain(name.instrument))
    )
    return words(
        "title",
        subject=subject,
        geometry=plain(name.geometry) if name.geometry else words("no_geometry"),
        quantity=words.term(name.quantity),
        unit=f", {symbol(chart.unit)}" if chart.unit else "",
    )


def limit_words(lines: Lines, unit: str, words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return the lines of a chart in words."""
    return words(
        "limits",
        unit=symbol(unit),
        centre=number(lines.centre),
        low=number(lines.lower),
        high=number(lines.upper),
        sigma=number(lines.sigma, 3),
        range=number(lines.moving_range_upper, 3),
    )


def capability_words(found: CapabilityFound, unit: str, words: DrawingWords = ENGLISH_WORDS) -> list[str]:
    """Return a capability in sentences."""
    low, high = (None if x is None else f"{number(x)} {symbol(unit)}".rstrip() for x in (found.lower, found.upper))
    edges = " ".join(words(key, value=x) for key, x in (("from", low), ("up_to", high)) if x is not None)
    indices = ", ".join(
        words("index", name=x.name, value=f"{x.value:.2f}", low=f"{x.low:.2f}", high=f"{x.high:.2f}")
        for x in found.indices
    )
    return [
        words("capability", edges=edges, indices=indices),
        words("outside", chance=_chance(found.outside, words)),
        *(words.sentence(note) for note in found.notes),
    ]


def _chance(probability: float, words: DrawingWords) -> str:
    """Return a probability as `chance` does, with the words of a language."""
    english = chance(probability)
    for key in ("below", "above"):
        if english.startswith(f"{key} "):
            return words(key, value=english.removeprefix(f"{key} "))
    return english


def _head(chart: Chart, room: int) -> list[str]:
    out = [row for caution in chart.cautions for row in _hung(sentence(caution).upper(), "", room)]
    if chart.method:
        out += _hung(plain(chart.method), "method: ", room)
    if chart.points:
        first, last = (offset_time(chart.points[i].utc_ns) for i in (0, -1))
        out += _hung(f"{len(chart.points)} points, {first} to {last}", "", room)
    if chart.lines is not None:
        out += _hung(limit_words(chart.lines, chart.unit), "", room)
    return out + [row for text in chart.origin for row in _hung(sentence(text), "", room)]


def _findings(chart: Chart, room: int) -> list[str]:
    if chart.lines is None:
        return []
    if not chart.findings:
        return ["no signal"]
    return [row for text in chart.findings for row in _hung(sentence(text), "SIGNAL ", room)]


def _capability(found: CapabilityFound | None, unit: str, room: int) -> list[str]:
    return [] if found is None else [row for text in capability_words(found, unit) for row in _hung(text, "", room)]


def _hung(text: str, lead: str, room: int) -> list[str]:
    rows = fold(text, room - width(lead))
    return [(lead if i == 0 else " " * width(lead)) + row for i, row in enumerate(rows)]


def point_table(chart: Chart, columns: int | None) -> str:
    """Return the points as a table, at most `columns` wide."""
    head = ["point", "started", "value", "moving range", "EWMA", "quality", ""]
    signalled = _signalled(chart)
    rows = [
        [
            plain(p.name),
            offset_time(p.utc_ns),
            number(p.value),
            number(chart.moving_ranges[i - 1], 3) if i else "",
            "" if chart.lines is None else number(chart.lines.averages[i]),
            plain(p.quality),
            ", ".join((["signal"] if i in signalled else []) + (["simulated"] if p.simulated else [])),
        ]
        for i, p in enumerate(chart.points)
    ]
    return table(head, rows, right=frozenset({2, 3, 4}), columns=columns, drop=(4, 3))


def _signalled(chart: Chart) -> set[int]:
    return {i for s in chart.signals for i in s.points}


def span_of(chart: Chart) -> tuple[float, float]:
    """Return the least and the greatest value of a drawing of the chart; they differ."""
    values = [p.value for p in chart.points]
    if chart.lines is not None:
        values += [chart.lines.lower, chart.lines.upper]
    low, high = min(values), max(values)
    if high - low <= 1e-12 * max(abs(low), abs(high)):
        margin = abs(low) * 0.01 or 1.0
        return low - margin, high + margin
    return low - 0.05 * (high - low), high + 0.05 * (high - low)


def _plot(chart: Chart, room: int) -> list[str]:
    """Return the newest points that fit, one or more columns each, with centre, limits and moving average."""
    across = room - LABEL - 2
    step = max(1, min(4, across // len(chart.points)))
    shown = chart.points[-(across // step) :]
    skipped = len(chart.points) - len(shown)
    low, high = span_of(chart)

    def row(value: float) -> int:
        part = (value - low) / (high - low)
        return PLOT_ROWS - 1 - min(PLOT_ROWS - 1, max(0, round(part * (PLOT_ROWS - 1))))

    cells = [[" "] * (step * len(shown)) for _ in range(PLOT_ROWS)]
    labels: dict[int, str] = {}
    lines = chart.lines
    if lines is not None:
        for value, mark in ((lines.lower, LIMIT), (lines.upper, LIMIT), (lines.centre, CENTRE)):
            cells[row(value)] = [mark] * (step * len(shown))
            labels[row(value)] = number(value)
        for i, average in enumerate(lines.averages[skipped:]):
            cells[row(average)][step * i + step // 2] = AVERAGE
    else:
        labels = {row(v): number(v) for v in (min(p.value for p in shown), max(p.value for p in shown))}
    signalled = _signalled(chart)
    for i, p in enumerate(shown):
        mark = SIGNALLED if i + skipped in signalled else SIMULATED if p.simulated else MARK
        cells[row(p.value)][step * i + step // 2] = mark
    out = [f"{labels.get(i, ''):>{LABEL}} |{''.join(line)}".rstrip() for i, line in enumerate(cells)]
    return [*out, *_legend(chart, shown_from=skipped, room=room)]


def _legend(chart: Chart, *, shown_from: int, room: int) -> list[str]:
    marks = [f"{MARK} point", f"{SIGNALLED} point of a signal"]
    if any(p.simulated for p in chart.points):
        marks.append(f"{SIMULATED} simulated point")
    if chart.lines is not None:
        marks += [f"{AVERAGE} moving average (EWMA)", f"{CENTRE} centre", f"{LIMIT} limit of single points"]
    if shown_from:
        marks.append(f"the first {shown_from} points are not drawn")
    return _hung(", ".join(marks), " " * (LABEL + 2), room)


def summary(charts: Sequence[Chart], columns: int | None, *, with_points: bool = False) -> list[str]:
    """Return several charts one below the other, `with_points` with their tables."""
    out: list[str] = []
    for chart in charts:
        out += [*([""] if out else []), *chart_lines(chart, columns)]
        if with_points and chart.points:
            out += ["", *point_table(chart, columns).splitlines()]
    return out
