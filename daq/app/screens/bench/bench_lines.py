"""The screen of the work at a bench: pure, from its view to styled lines of a given width and height."""

from typing import Final

from daq.app.screens.bench.bench_keys import KEYS
from daq.app.screens.bench.bench_view import CONTROL_DUE, BenchView, ItemShown, ListedSample
from daq.app.screens.bench.bench_words import (
    CONTROL_IS_DUE,
    HEADLINES,
    HELP,
    HOWS,
    ITEMS,
    REPEATS,
    command_words,
    measured_text,
    message_text,
)
from daq.app.screens.result_screen import result_lines
from daq.app.screens.run_screen import live_lines
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import NARROWEST, Line, cropped, joined, text_of, wrapped
from daq.app.screens.tables import table
from daq.app.screens.text import plain, width
from daq.laboratory.bench.bath import minutes_in_bath
from daq.quality.digits import SHOWN_ID

HOW_TO_STOP: Final = f"{KEYS['stop']} stops the run. Software is not a safety function."
TALL: Final = 40
"""A terminal of at least this many rows shows a result in the largest digits."""
LEAST_TALL: Final = 30
BOX: Final = {"met": ("[✓] ", "good"), "open": ("[ ] ", ""), "not": ("[✕] ", "bad"), "skipped": ("[-] ", "warn")}
"""Mark of an item: confirmed by the daemon, confirmed by the key, not met, skipped."""


def bench_lines(view: BenchView, run: RunView | None, typed: str, columns: int, rows: int) -> list[Line]:
    """Return a screen of exactly `rows` rows.

    Args:
        view: the work at the bench.
        run: the run in progress; None without one.
        typed: the text that is being typed.
        columns: width of the terminal, taken as at least `NARROWEST`.
        rows: height of the terminal.
    """
    columns = max(columns, NARROWEST)
    foot = _foot(view, typed, columns)
    head = _head(view, columns)
    room = max(0, rows - len(head) - len(foot))
    middle = _middle(view, run, columns, room)[:room]
    lines = [*head, *middle, *([[]] * (room - len(middle))), *foot]
    return [cropped(line, columns) for line in lines[:rows]]


def _head(view: BenchView, columns: int) -> list[Line]:
    fitted = plain(view.fitted or "no geometry recorded") if view.fitted or view.stage in ("zeroing", "fitting") else ""
    state = "" if view.connection in ("ready", "in_run", "lending") else f"  {plain(view.connection).replace('_', ' ')}"
    left: Line = [(plain(view.bench), "head"), (state, "bad"), ("  ", "")]
    space = columns - width(text_of(left)) - width(fitted) - 2
    title = plain(view.title)
    left.append((title if width(title) <= space else "", "dim"))
    gap = " " * max(1, columns - sum(width(t) for t, _ in left) - width(fitted))
    headline = HEADLINES[view.stage]
    if view.stage == "zeroing" and view.warm_up:
        headline = "After a power failure: warm-up, level and zero, with nothing attached"
    elif view.stage == "zeroing" and "level" not in {item.code for item in view.items}:
        headline = "Another geometry is fitted: zero, with nothing attached"
    if view.sample and view.stage not in ("discarding", "zeroing", "fitting", "choosing", "bathing"):
        headline = f"{plain(view.sample)}: {headline}"
    return [[*left, (gap, ""), (fitted, "dim")], [(headline, "head")], []]


def _foot(view: BenchView, typed: str, columns: int) -> list[Line]:
    """Return the message, the text that is typed, and the keys."""
    message = message_text(view.message, {name: plain(value) for name, value in view.values.items()})
    lines: list[Line] = wrapped(message, columns, "", "warn")[:3] if message else []
    if view.asks or typed:
        shown = typed or (view.draft if view.asks == "text" else "")
        lines.append([("> ", "dim"), (plain(shown), "value"), ("_", "dim")])
    keys: list[Line] = [
        [(KEYS[command], "bad" if command == "stop" else "head"), (f" {command_words(command, view.stage)}", "")]
        for command in sorted((*view.commands, "leave"), key=lambda c: int(KEYS[c][1:]))
    ]
    return [[], *lines, *joined(keys, columns, space="   ")]


def _middle(view: BenchView, run: RunView | None, columns: int, room: int) -> list[Line]:
    if view.stage == "running" and run is not None:
        bath = _bath(view, columns)[:-1]
        return [*live_lines(run, columns, room - len(bath), HOW_TO_STOP), *bath]
    about = _about(view, columns)
    if view.stage in ("choosing", "bathing"):
        return [*_bath(view, columns), *_worklist(view, columns, room)]
    if view.stage == "discarding":
        return [*([("  ", ""), (plain(sample), "bad")] for sample in view.discard), *_interrupted(view, columns)]
    if view.stage in ("zeroing", "fitting", "checking"):
        return [*about, *_items(view, columns), *_counts(view), *_help(view, columns)]
    if view.stage in ("verdict", "repeating", "waiting", "remarking", "damaging"):
        return [*_result(view, columns, room), *_what_next(view, columns)]
    return [*about, *_counts(view), *_help(view, columns), [], *_bath(view, columns)]


def _help(view: BenchView, columns: int) -> list[Line]:
    return [[], *wrapped(HELP[view.stage], columns, "", "dim")] if view.stage in HELP else []


def _about(view: BenchView, columns: int) -> list[Line]:
    """Return product, lot, method and cautions of the sample."""
    if not view.sample:
        return []
    parts = [plain(view.product), f"lot {plain(view.lot)}" if view.lot else "", plain(view.method)]
    filling = {"same": "same fill", "fresh": "fresh fill"}.get(view.filling, "")
    words = ", ".join(p for p in (*parts, filling) if p)
    lines = wrapped(words, columns, "", "dim")
    if view.reason:
        lines += wrapped(plain(view.reason), columns, "repeat because: ", "")
    if view.caution:
        lines += wrapped(plain(view.caution), columns, "sample: ", "warn")
    return [*lines, []]


def _items(view: BenchView, columns: int) -> list[Line]:
    longest = max((width(ITEMS[item.code]) for item in view.items), default=0)
    return [cropped(_item(item, longest), columns) for item in view.items]


def _item(item: ItemShown, longest: int) -> Line:
    kind = {"skipped": "skipped", "together": "open", "earlier": "met"}.get(item.how, "met" if item.met else "not")
    words = ITEMS[item.code]
    note = HOWS[item.how]
    if item.how == "measured":
        note = measured_text(item) or note
    return [BOX[kind], (words, ""), (" " * (longest - width(words) + 2), ""), (note, "dim" if item.met else "bad")]


def _counts(view: BenchView) -> list[Line]:
    """Return the times that are still counted, and cups whose turn is near."""
    lines: list[Line] = []
    if view.stirring_left_s > 0:
        lines.append([("stirring left: ", ""), (_clock(view.stirring_left_s), "value")])
    if view.resting_left_s > 0:
        lines.append([("rests for ", ""), (_clock(view.resting_left_s), "value"), (" more", "")])
    return [[], *lines] if lines else []


def _clock(seconds: float) -> str:
    whole = int(seconds + 0.999)
    return f"{whole // 60}:{whole % 60:02d} min"


def _bath(view: BenchView, columns: int) -> list[Line]:
    """Return the cups that enter the bath now, those in it, and repeats that wait."""
    now = [plain(s.sample) for s in view.worklist if s.enter_now]
    lines = wrapped(", ".join(now), columns, "into the bath now: ", "warn") if now else []
    cups = ", ".join(f"{plain(cup.sample)} ({int(cup.in_bath_s // 60)} min)" for cup in view.cups)
    lines += wrapped(cups, columns, "in the bath: ", "") if cups else []
    waits = ", ".join(map(plain, view.awaited))
    lines += wrapped(waits, columns, "wait for an assigned cause: ", "dim") if waits else []
    lines += wrapped(plain(view.out_of_service), columns, "", "bad") if view.out_of_service else []
    return [*lines, []] if lines else []


def _worklist(view: BenchView, columns: int, room: int) -> list[Line]:
    if not view.worklist:
        return [[("no open sample on the worklist of this bench", "dim")]]
    rows = [_row(s) for s in view.worklist[: max(1, room - 2)]]
    head = ["next", "product", "lot", "due", "priority", "bath"]
    lines = table(head, rows, right=frozenset({4}), columns=columns, drop=(4,)).splitlines()
    return [[(line, "dim" if i == 0 else "")] for i, line in enumerate(lines)]


def _row(s: ListedSample) -> list[str]:
    bath = ""
    if s.in_bath_s is not None:
        minutes, needed = minutes_in_bath(s.in_bath_s, s.bath_s)
        bath = f"{minutes} of {needed} min"
    elif s.enter_now:
        bath = "now"
    if s.priority == CONTROL_DUE:
        return [plain(s.sample), CONTROL_IS_DUE, "", "", "", ""]
    return [plain(s.sample), plain(s.product), plain(s.lot), s.due, str(s.priority), bath]


def _interrupted(view: BenchView, columns: int) -> list[Line]:
    if not view.outcome:
        return []
    words = f"The run {view.run[:SHOWN_ID]} of {plain(view.sample)} ended as {view.outcome}; daq show {view.run[:8]}"
    return [[], *wrapped(words, columns, "", "dim")]


def _result(view: BenchView, columns: int, room: int) -> list[Line]:
    if view.result is None:
        return [[("no result", "bad")]]
    digits = 7 if room >= TALL else 5 if room >= LEAST_TALL else 3
    lines = result_lines(view.result, columns, digits=digits)
    left = room - len(_what_next(view, columns))
    return lines if len(lines) <= left else [*lines[: max(0, left - 1)], [(f"... daq show {view.run[:8]}", "dim")]]


def _what_next(view: BenchView, columns: int) -> list[Line]:
    if view.stage == "waiting":
        run = view.run[:SHOWN_ID]
        command = f"daq repeat {run} --cause CAUSE --because TEXT"
        return [[], *wrapped(REPEATS["cause"], columns, "", "warn"), *wrapped(command, columns, "reviewer: ", "value")]
    words = REPEATS.get("not_valid" if view.validity != "valid" else view.repeat, "")
    return [[], *wrapped(words, columns, "", "warn")] if words and view.stage == "verdict" else []
