"""The screen of a run: pure, from the view of a run to styled lines of a given width and height."""

from typing import Final

from daq.app.screens.digits import SIZES
from daq.app.screens.gauges import (
    LABEL,
    NOW,
    bar_length,
    percent,
    temperature_bands,
    temperature_bar,
    temperature_now,
    temperature_signal,
    temperature_words,
    torque_bands,
    torque_bar,
    torque_now,
    torque_words,
)
from daq.app.screens.run_parts import (
    STEPPING,
    big_value,
    digits_of,
    elapsed_line,
    head,
    message_lines,
    progress_lines,
    rule_now,
    signal_lines,
    stage_progress,
    value_lines,
)
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import NARROWEST, Line, cropped, joined, wrapped
from daq.app.screens.text import after, called, plain, spaced
from daq.core.units import symbol
from daq.quality.digits import number

ROWS: Final = 40
"""The height that a screen is laid out for where none is given."""
HOW_TO_STOP: Final = "Ctrl-C stops the run. Software is not a safety function."


def live_lines(view: RunView, columns: int, rows: int = ROWS, how_to_stop: str = HOW_TO_STOP) -> list[Line]:
    """Return everything about a run in progress, no line wider than `columns` (at least `NARROWEST`).

    The digits are the largest that fit into `rows`; the space between the parts goes first.  Where even that is not
    enough, the last messages are left out; how to stop stays.
    """
    columns = max(columns, NARROWEST)
    for size in SIZES:
        groups = _groups(view, columns, size, how_to_stop)
        for loose in (True, False):
            lines = _spread(groups, loose=loose)
            if len(lines) <= rows:
                return lines
    lines = [line for line in _spread(groups, loose=False) if line]
    return [*lines[: rows - 1], lines[-1]] if len(lines) > rows else lines


def _groups(view: RunView, columns: int, size: int, how_to_stop: str) -> list[list[Line]]:
    """Return the parts of the screen from top to bottom."""
    caution = wrapped(plain(view.caution), columns, "sample: ", "warn") if view.caution else []
    measured = [_torque(view, columns), _temperature(view, columns)]
    timed = [[*signal_lines(view, columns), elapsed_line(view)], progress_lines(view, columns)]
    groups = [
        head(view, columns),
        big_value(view, columns, size),
        value_lines(view, columns),
        *measured,
        *timed,
        message_lines(view, columns),
        [*caution, [(how_to_stop, "dim")]],
    ]
    return [[cropped(line, columns) for line in group] for group in groups if group]


def _spread(groups: list[list[Line]], *, loose: bool) -> list[Line]:
    """Return groups one below the other: `loose` with an empty line between all, otherwise only where the eye rests."""
    lines: list[Line] = []
    # The last group but one is messages or bars; the one before the value is the head.
    apart = {1, len(groups) - 1} | {i + 1 for i, group in enumerate(groups) if _holds_value(group)}
    for i, group in enumerate(groups):
        lines += [[]] if i and (loose or i in apart) else []
        lines += group
    return lines


def _holds_value(group: list[Line]) -> bool:
    return any(piece.endswith(("so far", "no value yet")) for piece, _ in group[0])


def _torque(view: RunView, columns: int) -> list[Line]:
    band = view.band
    if band is None:
        return []
    return _gauge(
        "torque",
        torque_now(view, band),
        torque_bar(view, band, bar_length(columns)),
        torque_words(view, band),
        torque_bands(view, band),
        columns,
    )


def _temperature(view: RunView, columns: int) -> list[Line]:
    if not temperature_signal(view):
        return []
    now, bar = temperature_now(view), temperature_bar(view, bar_length(columns))
    return _gauge("temperature", now, bar, temperature_words(view), temperature_bands(view), columns)


def _gauge(label: str, now: str, bar: Line, words: tuple[str, str], bands: tuple[str, ...], columns: int) -> list[Line]:
    """Return a value with its bar, and below the bar its state and limits."""
    lines: list[Line] = [[(f"{label:<{LABEL}}", "dim"), (f"{now:>{NOW - 2}}  ", "head"), *bar]]
    if words[0]:
        lines += joined([[words], *([(text, "dim")] for text in bands if text)], columns, "   ", " " * (LABEL + NOW))
    return lines


def plain_line(view: RunView) -> str:
    """Return one line about a run in progress, for a file or a pipe."""
    step = view.step
    parts = [f"{_clock(view.run_s)} {spaced(view.state)}"]
    if view.state in STEPPING:
        parts[0] += f" {step.number}/{step.of} {plain(step.name)}"
    if view.seek is not None:
        parts.append(f"try {view.seek.number} of at most {view.seek.most}")
    stage = stage_progress(view)
    if stage is not None:
        parts.append(stage[2])
    value = view.value
    if value:
        words = "no value"
        if value.value is not None:
            words = f"{digits_of(view, value.name, value.value)} {after(value.unit)}".rstrip()
        parts.append(f"{called(value.name)} {words} {spaced(value.quality)}")
    band = view.band
    if band:
        parts.append(f"torque {torque_now(view, band)} ({', '.join(torque_bands(view, band))})")
    temperature = temperature_signal(view)
    if temperature:
        parts.append(f"temperature {temperature_now(view)}")
    speed = view.signals.get("speed")
    if speed is not None:
        parts.append(f"speed {number(speed)} {symbol('/min')}")
    parts += [f"{plain(rule.rule)}: {rule_now(view, rule)} ({percent(rule.near)})" for rule in view.rules]
    return "; ".join(parts)


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 60:02d}:{whole % 60:02d}"
