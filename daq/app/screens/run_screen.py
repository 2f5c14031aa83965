"""The layout of a run on a terminal: pure, from the view of a run to styled lines of a given width."""

import textwrap
from typing import Final

from daq.app.screens.digits import large
from daq.app.screens.run_view import RunView
from daq.app.screens.text import NOTHING, after, called, fixed, number, plain, shortened, span, width, with_unit
from daq.core.faults import FAULTS
from daq.core.plan import TorqueBand
from daq.core.stop import RuleProgress
from daq.core.units import symbol

Line = list[tuple[str, str]]
"""Pieces of text, each with the name of a style: "", head, dim, good, warn, bad, value, struck."""

LABEL: Final = 13
"""Columns of the labels at the left."""
NARROWEST: Final = 60
WIDEST: Final = 100
"""A number line longer than this is no easier to read."""
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
STANDING: Final = ("not_moved", "still")
"""The motor has not turned yet, or was seen to stand still."""
WITHOUT_MOTOR: Final = {"starting": "beginning the step", "stopping": "ending", "concluded": "ending"}
"""The same where nothing turns."""
QUALITY_STYLES: Final = {"Good": "good", "Uncertain": "warn", "Bad": "bad"}


def text_of(line: Line) -> str:
    """A line without its styles."""
    return "".join(piece for piece, _ in line).rstrip()


def cropped(line: Line, columns: int) -> Line:
    """A line cut to so many columns, the cut marked."""
    if width(text_of(line)) <= columns:
        return line
    out: Line = []
    for piece, style in line:
        left = columns - sum(width(p) for p, _ in out)
        if width(piece) >= left:
            return [*out, (shortened(piece + " ", left), style)] if left > 0 else out
        out.append((piece, style))
    return out


def live_lines(view: RunView, columns: int, rows: int | None = None) -> list[Line]:
    """Everything about a run in progress, none of it wider than `columns` (at least `NARROWEST`).

    Where that is more than `rows`, empty lines go first; how to stop stays.
    """
    columns = max(columns, NARROWEST)
    lines = _head(view, columns)
    lines += [[], *_value(view, columns), []]
    if view.band is not None:
        lines += [torque_line(view, view.band, columns), _torque_words(view, view.band)]
    lines += _temperature(view, columns)
    lines += _signals(view, columns)
    lines += [_times(view), *_rules(view, columns)]
    lines += _messages(view, columns)
    lines += [[], *(wrapped(plain(view.caution), columns, "sample: ", "warn") if view.caution else [])]
    lines += [[("Ctrl-C stops the run. Software is not a safety function.", "dim")]]
    if rows is not None and len(lines) > rows:
        lines = [line for line in lines if line]
        lines = [*lines[: rows - 1], lines[-1]] if len(lines) > rows else lines
    return [cropped(line, columns) for line in lines]


def plain_line(view: RunView) -> str:
    """One line about a run in progress, for a file or a pipe."""
    step = view.step
    parts = [f"{_clock(view.run_s)} {view.state}"]
    if view.state in ("starting", "measuring", "seeking"):
        parts[0] += f" {step.number}/{step.of} {plain(step.name)}"
    value = view.value
    if value:
        said = "no value"
        if value.value is not None:
            said = f"{_digits(view, value.name, value.value)} {after(value.unit)}".rstrip()
        parts.append(f"{called(plain(value.name))} {said} {value.quality}")
    band = view.band
    if band:
        parts.append(f"torque {_torque_now(view, band)} ({_usable(band)})")
    temperature = _temperature_signal(view)
    if temperature:
        parts.append(f"temperature {number(view.signals.get(temperature), 4)} °C")
    speed = view.signals.get("speed")
    if speed is not None:
        parts.append(f"speed {number(speed)} {symbol('/min')}")
    parts += [f"{plain(rule.rule)}: {_now(view, rule)} ({_percent(rule.near)})" for rule in view.rules]
    return "; ".join(parts)


def number_line(
    value: float | None, low: float, high: float, *, start: float, end: float, columns: int
) -> tuple[str, int | None]:
    """A line from `start` to `end` with the part `low`..`high` marked, and the place of the mark for `value`.

    The usable part is drawn thick between two bars.  A value beyond an end is marked there by an arrow.
    """
    inner = max(columns - 2, 8)

    def place(x: float) -> int:
        return min(inner - 1, max(0, round((x - start) / (end - start) * (inner - 1))))

    left, right = place(low), place(high)
    cells = ["━" if left < i < right else "│" if i in (left, right) else "─" for i in range(inner)]
    at = None
    if value is not None:
        at = place(value)
        cells[at] = "◀" if value < start else "▶" if value > end else "●"
    return "├" + "".join(cells) + "┤", None if at is None else at + 1


def torque_line(view: RunView, band: TorqueBand, columns: int) -> Line:
    """Torque on the sensor's range, the usable part marked."""
    value = view.torque
    saturated = "saturated" in view.faults
    start = min(0.0, 0.0 if value is None else max(value, -band.limit))
    beyond = band.limit * 1.01 if saturated and value is None else value
    label = f"{'torque':<{LABEL}}"
    now = f"{_torque_now(view, band):>9} "
    line, at = number_line(
        beyond, band.low, band.high, start=start, end=band.limit, columns=min(columns - LABEL - 10, WIDEST)
    )
    style = "" if view.motor in STANDING else "warn"
    if saturated:
        style = "bad"
    elif style and value is not None and band.low <= value <= band.high:
        style = "good"
    return [(label, "dim"), (now, "head"), *_marked(line, at, style)]


def _marked(line: str, at: int | None, style: str) -> Line:
    if at is None:
        return [(line, "")]
    return [(line[:at], ""), (line[at], style), (line[at + 1 :], "")]


def _torque_words(view: RunView, band: TorqueBand) -> Line:
    value = view.torque
    unit = symbol(band.unit)
    if "saturated" in view.faults:
        said, style = f"SATURATED: beyond {band.limit:g} {unit}, no value", "bad"
    elif value is None:
        said, style = "no reading", "warn"
    elif view.motor in STANDING:
        said, style = "the motor stands still", ""
    elif value < band.low:
        said, style = "BELOW it: too little torque", "warn"
    elif value > band.high:
        said, style = "ABOVE it: too much torque", "warn"
    else:
        said, style = "inside", "good"
    return [(" " * (LABEL + 10), ""), (_usable(band, unit), ""), (", ", ""), (said, style)]


def _usable(band: TorqueBand, unit: str = "%") -> str:
    return f"usable {band.low:g}..{band.high:g} {unit}"


def _torque_now(view: RunView, band: TorqueBand) -> str:
    value = view.torque
    unit = symbol(band.unit)
    if value is None:
        return "SATURATED" if "saturated" in view.faults else NOTHING
    return f"{fixed(round(value, 1), 1)} {unit}"


def _head(view: RunView, columns: int) -> list[Line]:
    title = f"{view.method} on {view.instrument}, sample {view.sample}"
    mark = "  SIMULATED" if view.simulated else ""
    first: Line = [(shortened(plain(title), columns - len(mark)), "head"), (mark, "warn")]
    step, state = view.step, view.state
    said = STATES.get(state, state)
    if "speed" not in view.signals:
        said = WITHOUT_MOTOR.get(state, said)
    if state in ("starting", "measuring", "seeking"):
        said += f", step {step.number} of {step.of}: {plain(step.name)}"
    speed = view.signals.get("speed")
    turning = ""
    if step.speed is not None and state in ("starting", "measuring", "seeking"):
        turning = f", {number(speed)} of {step.speed:g} {symbol('/min')}"
    elif speed is not None and abs(speed) > 0.05:
        turning = f", {number(speed)} {symbol('/min')}"
    motor = view.motor
    alarm: Line = [("  MAY STILL BE TURNING", "bad")] if motor == "may_still_be_turning" else []
    return [first, [(shortened(said + turning, columns), ""), *alarm]]


def _value(view: RunView, columns: int) -> list[Line]:
    value = view.value
    if not value:
        return [[("  no value yet", "dim")]]
    style = QUALITY_STYLES[value.quality.partition("_")[0]]
    struck = style != "good"
    shown = _digits(view, value.name, value.value)
    rows = large(shown, struck=struck) if value.value is not None else []
    lines: list[Line] = [[("  ", ""), (row, "value" if not struck else style)] for row in rows]
    said = f"{shown} {after(value.unit)}".rstrip() if value.value is not None else "no value"
    name = called(plain(value.name))
    lines.append(
        [
            (f"  {name} ", "head"),
            (said, "struck" if struck and value.value is not None else "value"),
            (f"  so far, {value.n} readings, ", "dim"),
            (value.quality, style),
        ]
    )
    for reason in value.reasons:
        lines += wrapped(plain(reason), columns, "    ", style)
    return lines


def _temperature_signal(view: RunView) -> str:
    gate = view.temperature
    return gate.signal if gate else "temperature" if "temperature" in view.signals else ""


def _temperature(view: RunView, columns: int) -> list[Line]:
    gate, signal = view.temperature, _temperature_signal(view)
    if not signal:
        return []
    value = view.signals.get(signal)
    now = f"{NOTHING if value is None else f'{value:.2f} °C':>9} "
    label = f"{'temperature':<{LABEL}}"
    if not gate:
        return [[(label, "dim"), (now.rstrip(), "head")]]
    low, high = gate.low, gate.high
    reach = max(high - low, 1e-6)
    inside = value is not None and low <= value <= high
    style = "good" if inside else "warn"
    said = "no reading" if value is None else "inside" if inside else "BELOW" if value < low else "ABOVE"
    line, at = number_line(
        value, low, high, start=low - reach, end=high + reach, columns=min(columns // 3, WIDEST // 2)
    )
    text = f" {low:g}..{high:g} °C, "
    shown: Line = [(label, "dim"), (now, "head"), *_marked(line, at, style), (text, ""), (said, style)]
    room = columns - width(text_of(shown)) - 3
    if signal != "temperature" and room > 5:
        shown.append((f" ({shortened(plain(signal), room)})", "dim"))
    return [shown]


def _digits(view: RunView, signal: str, value: float | None) -> str:
    """A value in as many digits as the instrument has, as far as that is known."""
    places = view.decimals.get(signal)
    if places is None and view.units.get(signal) == "Cel":
        places = 2
    return number(value) if places is None else fixed(value, places)


def _reading(view: RunView, name: str, value: float | None) -> str:
    unit = "" if value is None else after(view.unit_of(name))
    return f"{plain(name)} {_digits(view, name, value)} {unit}".rstrip()


def _signals(view: RunView, columns: int) -> list[Line]:
    """The newest reading of every signal that has no line of its own, companions included."""
    band = view.band
    own = {band.signal if band else "", _temperature_signal(view), "speed"}
    said = [_reading(view, name, value) for name, value in view.signals.items() if name not in own]
    rows, room = [""], columns - LABEL
    for i, text in enumerate(said):
        longer = f"{rows[-1]}, {text}" if rows[-1] else text
        last = len(rows) == SIGNAL_ROWS
        if width(longer) <= room - (len(", and 99 more") if last and i + 1 < len(said) else 0) or not rows[-1]:
            rows[-1] = longer
        elif last:
            rows[-1] += f", and {len(said) - i} more"
            break
        else:
            rows[-1] += ","
            rows.append(text)
    return [[(f"{'reads now' if i == 0 else '':<{LABEL}}", "dim"), (row, "")] for i, row in enumerate(rows) if row]


def _times(view: RunView) -> Line:
    return [
        (f"{'elapsed':<{LABEL}}", "dim"),
        (span(view.run_s), "head"),
        (f", this part {span(view.stage_s)}", ""),
    ]


def _rules(view: RunView, columns: int) -> list[Line]:
    lines: list[Line] = []
    room = columns - LABEL
    bar = max(6, min(20, room // 6))
    for i, rule in enumerate(view.rules):
        done = round(rule.near * bar)
        mark = "met" if rule.met else _percent(rule.near)
        tail = f" {'█' * done}{'░' * (bar - done)} {mark:>5}"
        label = f"{'stops when' if i == 0 else '':<{LABEL}}"
        name, now = plain(rule.rule), f"now {_now(view, rule)}"
        if width(f"{name}: {now}{tail}") > room:
            lines.append([(label, "dim"), (shortened(f"{name}:", room), "")])
            label, name = " " * LABEL, now
        else:
            name += f": {now}"
        padding = " " * max(0, min(room - len(tail), 44) - width(name))
        lines.append([(label, "dim"), (name + padding, ""), (tail, "head")])
    return lines


def _now(view: RunView, rule: RuleProgress) -> str:
    """Where a rule's signal stands: its value, or for steadiness the bound of the drift."""
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
    return f"{_digits(view, rule.signal, value)} {after(unit)}".rstrip()


def _percent(part: float) -> str:
    return f"{100 * part:.0f} %"


def _messages(view: RunView, columns: int) -> list[Line]:
    lines: list[Line] = []
    for fault in view.faults:
        if fault != "saturated":  # the torque's line says that
            sentence = FAULTS[fault].sentence if fault in FAULTS else fault
            of = ", ".join(view.faults[fault])
            lines += wrapped(plain(f"{of}: {sentence}" if of else sentence), columns, "! ", "warn")
    for note in view.notes[-NOTES_SHOWN:]:
        lines += wrapped(plain(note.text), columns, "note: ", "dim")
    for sentence in view.advice:
        lines += wrapped(plain(sentence), columns, "advice: ", "warn")
    return [[], *lines] if lines else []


def wrapped(text: str, columns: int, lead: str, style: str = "") -> list[Line]:
    """Text in as many lines as it takes, after a lead and hanging below it."""
    rows = textwrap.wrap(text, max(columns - len(lead), 20)) or [""]
    return [[(lead if i == 0 else " " * len(lead), "dim"), (row, style)] for i, row in enumerate(rows)]


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 60:02d}:{whole % 60:02d}"
