"""Several benches beside each other on one screen, each with the parts of the run screen.  Pure."""

from collections.abc import Mapping, Sequence
from typing import Final

from daq.app.screens.gauges import (
    percent,
    progress_bar,
    temperature_bar,
    temperature_now,
    temperature_signal,
    temperature_words,
    torque_bar,
    torque_now,
    torque_words,
)
from daq.app.screens.run_parts import (
    alarm,
    big_value,
    rule_words,
    short_title,
    stage_progress,
    state_words,
    value_lines,
)
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import Line, cropped, joined, side_by_side
from daq.app.screens.text import fold, plain, width

SPACE: Final = " │ "
LEAST_PANE: Final = 36
"""Columns that a pane needs."""
RULES_SHOWN: Final = 2
REST: Final = 3
"""Rows kept for the list of what has happened."""
HANG: Final = "         "


def pane_lines(view: RunView, columns: int, height: int) -> list[Line]:
    """Return one bench for a pane of `columns` columns, which the caller cuts; `height` (rows) limits the digits."""
    mark = "SIMULATED" if view.simulated else ""
    title = short_title(view, columns - len(mark) - 1)
    lines: list[Line] = [
        [(title, "head"), (" " * (columns - width(title) - len(mark)), ""), (mark, "warn")],
        [(plain(view.method), "dim")],
        *([(row, "")] for row in _two_rows(state_words(view), columns)),
        *([warning] if (warning := alarm(view)) else []),
        [],
    ]
    value = [*value_lines(view, columns), []][:2]  # always two rows, so that the bars of all panes are in line
    lines += [*big_value(view, columns, height), [], *value, []]
    if view.band is not None:
        lines += _gauge("torque", torque_now(view, view.band), torque_words(view, view.band))
        lines.append(torque_bar(view, view.band, columns))
    if temperature_signal(view):
        lines += _gauge("temperature", temperature_now(view), temperature_words(view))
        bar = temperature_bar(view, columns)
        lines += [bar] if bar else []
    stage = stage_progress(view)
    if stage is not None:
        lines += _progress(f"{stage[0]} {stage[2]}", stage[1], columns)
    for rule in view.rules[:RULES_SHOWN]:
        lines += _progress(rule_words(view, rule), rule.near, columns)
    return lines


def _two_rows(text: str, columns: int) -> list[str]:
    """Return a text in exactly two rows, so that what is below does not move."""
    rows = fold(text, columns)
    return [rows[0], " ".join(rows[1:])]


def _gauge(label: str, now: str, words: tuple[str, str]) -> list[Line]:
    short, style = words[0].partition(":")[0], words[1]
    return [[(f"{label:<12}", "dim"), (f"{now:>9}  ", "head"), (short, style)]]


def _progress(words: str, part: float, columns: int) -> list[Line]:
    return [[(words, "")], [(f"{percent(part):>5} ", "head"), (progress_bar(part, columns - 6), "")]]


def panes(views: Mapping[str, RunView], columns: int, height: int) -> list[Line]:
    """Return the benches beside each other, as many in a row as have room."""
    if not views:
        return []
    count = max(1, min(len(views), (columns + len(SPACE)) // (LEAST_PANE + len(SPACE))))
    each = (columns - len(SPACE) * (count - 1)) // count
    blocks = [pane_lines(view, each, height) for view in views.values()]
    out: list[Line] = []
    for first in range(0, len(blocks), count):
        out += [[]] if first else []
        out += side_by_side(blocks[first : first + count], each, SPACE)
    return out


def shift_lines(
    title: str, views: Mapping[str, RunView], past: Sequence[Sequence[Line]], columns: int, rows: int
) -> list[Line]:
    """Return a screen of exactly `rows` rows: a title, the benches, and the newest of what has happened.

    An entry of `past` is the parts of one line; where the line is too short for them the entry takes two.
    """
    head: list[Line] = [[(title, "dim")], []]
    benches: list[Line] = []
    for height in (7, 5, 3):
        benches = panes(views, columns, height)
        if len(head) + len(benches) + 1 + REST <= rows:
            break
    room = rows - len(head) - len(benches) - 1
    newest: list[Line] = []
    for parts in reversed(past):
        entry = joined(parts, columns, hang=HANG)
        if len(entry) + len(newest) > room:
            break
        newest = [*entry, *newest]
    lines = [*head, *benches, [], *newest]
    lines = [cropped(line, columns) for line in lines[:rows]]
    return [*lines, *([[]] * (rows - len(lines)))]
