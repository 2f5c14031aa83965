"""The parts of a run's screen: head, value, stage, rules, messages.  Pure."""

from typing import Final

from daq.app.screens.digits import large, largest
from daq.app.screens.gauges import LABEL, NOW, bar_length, percent, progress_bar, temperature_signal
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import Line, joined, wrapped
from daq.app.screens.text import after, called, plain, sentence, shortened, spaced, span, width, with_unit
from daq.core.faults import FAULTS
from daq.core.ruleprogress import RuleProgress
from daq.core.units import symbol
from daq.quality.digits import number, to_place

NOTES_SHOWN: Final = 3
SIGNAL_ROWS: Final = 3
"""Rows for the signals that have no line of their own, so that 24 rows hold all."""

STATES: Final[dict[str, str]] = {
    "ready": "ready",
    "identifying": "asking the instrument who it is",
    "equilibrating": "waiting for the temperature",
    "soaking": "soaking at temperature",
    "starting_preshear": "bringing the motor to the speed of the pre-shear",
    "preshearing": "shearing the sample before the measurement",
    "ending_preshear": "stopping the motor after the pre-shear",
    "resting": "letting the sample rest",
    "starting": "bringing the motor to speed",
    "measuring": "measuring",
    "seeking": "looking for a speed",
    "stopping": "stopping the motor",
    "concluded": "stopping the motor",
    "ended": "ended",
}
WITHOUT_MOTOR: Final = {"starting": "beginning the step", "stopping": "ending", "concluded": "ending"}
"""The same where nothing turns."""
STAGES: Final = {"soaking": "soak", "preshearing": "pre-shear", "resting": "rest"}
"""Labels of the states whose length the method gives."""
STEPPING: Final = ("starting", "measuring", "seeking")
"""States that belong to a step of the method."""
QUALITIES: Final = {"Good": ("✓", "good"), "Uncertain": ("?", "warn"), "Bad": ("✕", "bad")}
"""Mark and style of a quality."""
NO_DIGITS: Final = "---"
NO_EFFECT: Final = "change without effect: "
STILL_TURNING: Final = "may_still_be_turning"


def state_words(view: RunView) -> str:
    """Return what the run does now: state, try, step and speed."""
    step, state = view.step, view.state
    words = STATES.get(state, spaced(state))
    if "speed" not in view.signals:
        words = WITHOUT_MOTOR.get(state, words)
    if view.seek is not None and state in STEPPING:
        words += f", try {view.seek.number} of at most {view.seek.most}"
    if state in STEPPING:
        words += f", step {step.number} of {step.of}: {plain(step.name)}"
    speed = view.signals.get("speed")
    if step.speed is not None and state in STEPPING:
        words += f", {number(speed)} of {step.speed:g} {symbol('/min')}"
    elif speed is not None and abs(speed) > 0.05:
        words += f", {number(speed)} {symbol('/min')}"
    return words


def alarm(view: RunView) -> Line:
    """Return the warning that the motor may still turn; empty where it does not."""
    return [("MOTOR MAY STILL BE TURNING", "bad")] if view.motor == STILL_TURNING else []


def head(view: RunView, columns: int) -> list[Line]:
    """Return method, instrument, sample and state."""
    fitted = f" with {view.fitted}" if view.fitted else ""
    title = f"{view.method} on {view.instrument}{fitted}, sample {view.sample}"
    mark = "SIMULATED" if view.simulated else ""
    room = columns - (width(mark) + 2 if mark else 0)
    rows = wrapped(plain(title), room, "", "head")
    if mark:
        rows[0].append((" " * (columns - width(rows[0][1][0]) - width(mark)), ""))
        rows[0].append((mark, "warn"))
    warning = alarm(view)
    state = wrapped(state_words(view), columns, "")
    return [*rows, *([warning] if warning else []), *state]


def big_value(view: RunView, columns: int, height: int) -> list[Line]:
    """Return the value in digits at most `height` rows high, struck through where its quality is not Good.

    Without a value there are strokes of the same height, so that nothing moves when the value comes.
    """
    value = view.value
    if value is None or value.value is None:
        return [[("  ", ""), (row.replace("█", "─").replace("▀", "─"), "dim")] for row in large(NO_DIGITS, height)]
    _, style = _quality(value.quality)
    struck = style != "good"
    rows = largest(digits_of(view, value.name, value.value), height, columns - 2, struck=struck)
    return [[("  ", ""), (row, style if struck else "value")] for row in rows]


def value_lines(view: RunView, columns: int) -> list[Line]:
    """Return the value so far with unit, quality and number of readings on one line, and what is wrong below it."""
    value = view.value
    if value is None:
        return [[("  no value yet", "dim")]]
    mark, style = _quality(value.quality)
    known = value.value is not None
    words = f"{digits_of(view, value.name, value.value)} {after(value.unit)}".rstrip() if known else "no value"
    parts: list[Line] = [
        [(f"{called(value.name)} ", "head"), (words, "struck" if known and style != "good" else "value")],
        [(f"{mark} {spaced(value.quality)}", style), (" so far", "dim")],
        [(f"{value.n} reading{'' if value.n == 1 else 's'}", "dim")],
    ]
    lines = joined(parts, columns, "   ", "  ")
    for reason in value.reasons:
        lines += wrapped(sentence(reason), columns, "  - ", style)
    return lines


def _quality(quality: str) -> tuple[str, str]:
    return QUALITIES[quality.partition("_")[0]]


def digits_of(view: RunView, signal: str, value: float | None) -> str:
    """Return a value in the digits of its resolution and of the interval to expect, as far as they are known."""
    places = view.decimals.get(signal)
    if places is None and view.units.get(signal) == "Cel":
        places = 2
    return number(value) if places is None else to_place(value, places)


def signal_lines(view: RunView, columns: int) -> list[Line]:
    """Return the newest reading of every signal that has no line of its own, companions included."""
    own = {view.band.signal if view.band else "", temperature_signal(view), "speed"}
    readings = [_reading(view, name, value) for name, value in view.signals.items() if name not in own]
    rows, room = [""], columns - LABEL
    for i, text in enumerate(readings):
        longer = f"{rows[-1]}, {text}" if rows[-1] else text
        last = len(rows) == SIGNAL_ROWS
        if width(longer) <= room - (len(", and 99 more") if last and i + 1 < len(readings) else 0) or not rows[-1]:
            rows[-1] = longer
        elif last:
            rows[-1] += f", and {len(readings) - i} more"
            break
        else:
            rows[-1] += ","
            rows.append(text)
    return [[(f"{'reads now' if i == 0 else '':<{LABEL}}", "dim"), (row, "")] for i, row in enumerate(rows) if row]


def _reading(view: RunView, name: str, value: float | None) -> str:
    unit = "" if value is None else after(view.unit_of(name))
    return f"{called(name)} {digits_of(view, name, value)} {unit}".rstrip()


def elapsed_line(view: RunView) -> Line:
    """Return how long the run and its present part have lasted."""
    label, now = f"{'elapsed':<{LABEL}}", span(view.run_s)
    return [(label, "dim"), (now, "head"), (f", this part {span(view.stage_s)}", "")]


def stage_progress(view: RunView) -> tuple[str, float, str] | None:
    """Return label, part done (0 to 1) and words of a state whose length the method gives; None for other states."""
    label = STAGES.get(view.state)
    if label is None or not view.stage_of_s:
        return None
    return label, view.stage_s / view.stage_of_s, f"{span(view.stage_s)} of {span(view.stage_of_s)}"


def progress_lines(view: RunView, columns: int) -> list[Line]:
    """Return a bar for the state, where the method gives its length, and one for each rule that the run waits for."""
    lines: list[Line] = []
    length = bar_length(columns)
    stage = stage_progress(view)
    if stage is not None:
        label, part, words = stage
        lines.append(_bar(label, part, percent(part), length))
        lines.append([(" " * (LABEL + NOW), ""), (words, "")])
    for i, rule in enumerate(view.rules):
        lines.append(_bar("stops when" if i == 0 else "", rule.near, "met" if rule.met else percent(rule.near), length))
        lines += wrapped(rule_words(view, rule), columns, " " * (LABEL + NOW))
    return lines


def _bar(label: str, part: float, now: str, length: int) -> Line:
    return [(f"{label:<{LABEL}}", "dim"), (f"{now:>{NOW - 2}}  ", "head"), (progress_bar(part, length), "")]


def rule_words(view: RunView, rule: RuleProgress) -> str:
    """Return a rule and what its signal is now."""
    return f"{plain(rule.rule)}: now {rule_now(view, rule)}"


def rule_now(view: RunView, rule: RuleProgress) -> str:
    """Return the value of a rule's signal, or for steadiness the bound of the drift."""
    value, unit = rule.value, view.unit_of(rule.signal)
    if rule.kind == "steady":
        if value is None:
            return "not judged yet"
        drift = f"{number(value * 100, 2)} %" if rule.relative else with_unit(value, unit, 2)
        return f"at most {drift}"
    if rule.signal == "elapsed" and value is not None:
        return span(value)
    if rule.signal == "readings" and value is not None:
        return f"{value:.0f}"
    return f"{digits_of(view, rule.signal, value)} {after(unit)}".rstrip()


def message_lines(view: RunView, columns: int) -> list[Line]:
    """Return changed files without effect, faults, the newest notes and advice."""
    lines: list[Line] = []
    for text in view.configuration:
        lines += wrapped(plain(text), columns, NO_EFFECT, "warn")
    for fault in view.faults:
        if fault != "saturated":  # the torque's line shows it
            text = FAULTS[fault].sentence if fault in FAULTS else spaced(fault)
            of = ", ".join(view.faults[fault])
            lines += wrapped(plain(f"{of}: {text}" if of else text), columns, "! ", "warn")
    for note in view.notes[-NOTES_SHOWN:]:
        lines += wrapped(sentence(note), columns, "note: ", "dim")
    for advice in view.advice:
        lines += wrapped(sentence(advice), columns, "advice: ", "warn")
    return lines


def short_title(view: RunView, columns: int) -> str:
    """Return instrument and sample in one row; the sample's end is kept where the row is too short for both."""
    title = f"{plain(view.instrument)}  {plain(view.sample)}"
    return shortened(title, columns)
