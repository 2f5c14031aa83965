"""Bars of a run: a value between limits, and progress.  Pure."""

from typing import Final

from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import Line
from daq.app.screens.text import fixed, plain
from daq.core.torqueband import TorqueBand
from daq.core.units import symbol
from daq.quality.digits import NOTHING

LABEL: Final = 13
"""Columns of the labels at the left."""
NOW: Final = 11
"""Columns of the present value and the space behind it."""
WIDEST: Final = 100
"""A bar longer than this is no easier to read."""
STANDING: Final = ("not_moved", "still")
"""The motor has not turned yet, or is confirmed to stand still."""
INSIDE, BELOW, ABOVE = "■ inside", "◀ BELOW", "▶ ABOVE"


def bar_length(columns: int) -> int:
    """Return the columns of every bar on a screen of `columns` columns, so that all have one length."""
    return min(columns - LABEL - NOW, WIDEST)


def number_line(
    value: float | None,
    low: float,
    high: float,
    *,
    start: float,
    end: float,
    columns: int,
    target: tuple[float, float] | None = None,
) -> tuple[str, int | None]:
    """Return a line from `start` to `end` with the part `low`..`high` marked, and the place of the mark for `value`.

    The usable part is drawn thick between two bars, the part aimed at (`target`) as a double line.  An arrow at an end
    marks a value beyond it.  No value (None) has no mark and no place.
    """
    inner = max(columns - 2, 8)

    def place(x: float) -> int:
        return min(inner - 1, max(0, round((x - start) / (end - start) * (inner - 1))))

    left, right = place(low), place(high)
    cells = ["━" if left < i < right else "│" if i in (left, right) else "─" for i in range(inner)]
    if target is not None:
        first, last = place(target[0]), place(target[1])
        cells[first : last + 1] = "═" * (last + 1 - first)
        cells[first], cells[last] = "╞", "╡"
    at = None
    if value is not None:
        at = place(value)
        cells[at] = "◀" if value < start else "▶" if value > end else "●"
    return "├" + "".join(cells) + "┤", None if at is None else at + 1


def progress_bar(part: float, columns: int) -> str:
    """Return a bar of `columns` columns, of which `part` (0 to 1) is full."""
    done = round(min(max(part, 0.0), 1.0) * columns)
    return "█" * done + "░" * (columns - done)


def percent(part: float) -> str:
    """Return a part (0 to 1) as a whole percentage."""
    return f"{100 * part:.0f} %"


def marked(line: str, at: int | None, style: str) -> Line:
    """Return a number line whose mark has a style."""
    if at is None:
        return [(line, "")]
    return [(line[:at], ""), (line[at], style), (line[at + 1 :], "")]


def torque_bar(view: RunView, band: TorqueBand, columns: int) -> Line:
    """Return the torque on the sensor's range, the usable part marked, and the band that a seek aims at."""
    value, saturated = view.torque, "saturated" in view.faults
    start = min(0.0, 0.0 if value is None else max(value, -band.limit))
    beyond = band.limit * 1.01 if saturated and value is None else value
    target = None if view.seek is None else (view.seek.low, view.seek.high)
    line, at = number_line(beyond, band.low, band.high, start=start, end=band.limit, columns=columns, target=target)
    return marked(line, at, torque_words(view, band)[1])


def torque_words(view: RunView, band: TorqueBand) -> tuple[str, str]:
    """Return where the torque is, and the style of it."""
    value, unit, standing = view.torque, symbol(band.unit), view.motor in STANDING
    if "saturated" in view.faults:
        return f"▶▶ SATURATED: beyond {band.limit:g} {unit}, no value", "bad"
    if value is None:
        return "no reading", "warn"
    if standing:
        return "motor still", ""
    if value < band.low:
        return f"{BELOW}: too little torque", "warn"
    if value > band.high:
        return f"{ABOVE}: too much torque", "warn"
    if view.seek is not None and not view.seek.low <= value <= view.seek.high:
        return f"{'◀ below' if value < view.seek.low else '▶ above'} target", ""
    return (INSIDE, "good") if view.seek is None else ("■ on target", "good")


def torque_bands(view: RunView, band: TorqueBand) -> tuple[str, ...]:
    """Return the band that a seek aims at, and the usable part of the range."""
    unit = symbol(band.unit)
    words = f"usable {band.low:g}..{band.high:g} {unit}"
    return (words,) if view.seek is None else (f"target {view.seek.low:g}..{view.seek.high:g} {unit}", words)


def torque_now(view: RunView, band: TorqueBand) -> str:
    """Return the newest torque with its unit."""
    if view.torque is None:
        return "SATURATED" if "saturated" in view.faults else NOTHING
    return f"{fixed(round(view.torque, 1), 1)} {symbol(band.unit)}"


def temperature_signal(view: RunView) -> str:
    """Return the temperature that a screen shows: that of the gate, otherwise the instrument's own; "" for none."""
    gate = view.temperature
    return gate.signal if gate else "temperature" if "temperature" in view.signals else ""


def temperature_now(view: RunView) -> str:
    """Return the newest temperature with its unit."""
    value = view.signals.get(temperature_signal(view))
    return NOTHING if value is None else f"{value:.2f} °C"


def temperature_bar(view: RunView, columns: int) -> Line:
    """Return the temperature on a line three times as long as its gate; empty where the run has no gate."""
    gate = view.temperature
    if gate is None:
        return []
    reach = max(gate.high - gate.low, 1e-6)
    value = view.signals.get(gate.signal)
    start, end = gate.low - reach, gate.high + reach
    line, at = number_line(value, gate.low, gate.high, start=start, end=end, columns=columns)
    return marked(line, at, temperature_words(view)[1])


def temperature_words(view: RunView) -> tuple[str, str]:
    """Return where the temperature is relative to its gate, and the style of it."""
    gate = view.temperature
    if gate is None:
        return "", ""
    value = view.signals.get(gate.signal)
    if value is None:
        return "no reading", "warn"
    if gate.low <= value <= gate.high:
        return INSIDE, "good"
    return (BELOW if value < gate.low else ABOVE), "warn"


def temperature_bands(view: RunView) -> tuple[str, ...]:
    """Return the limits of the gate, and the probe where it is not the instrument's own."""
    gate = view.temperature
    if gate is None:
        return ()
    probe = "" if gate.signal == "temperature" else f"by {plain(gate.signal)}"
    return f"{gate.low:g}..{gate.high:g} °C", probe
