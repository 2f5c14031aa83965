"""The screen of ``daq driver try --watch``: values beside the raw lines from which they are read.  Pure."""

from collections.abc import Sequence
from typing import Final

from daq.app.run.latest_lines import RawLine
from daq.app.screens.styled_lines import LEAST_WRAPPED, Line, cropped, joined, line_width, padded
from daq.app.screens.text import plain
from daq.app.workshop.trying import Tried
from daq.core.driver import Driver
from daq.core.faults import FAULTS
from daq.core.units import symbol
from daq.descriptions.capture import escaped
from daq.quality.digits import number

NARROWEST: Final = 80
"""The screen has at least this many columns."""
LEAST_LINES: Final = 12
"""Raw lines that are shown at least; as many as the values need rows, where these are more."""
SPACE: Final = " │ "
VALUE_COLUMNS: Final = 12
_MOST_LEFT: Final = 46
"""Greatest number of columns of the values."""


def watch_lines(driver: Driver, tried: Tried, lines: Sequence[RawLine], now_ns: int, columns: int) -> list[Line]:
    """Return the present state: values on the left, the last raw lines on the right, the newest at the bottom.

    Args:
        driver: the driver on trial.
        tried: its state.
        lines: the last raw lines, the newest last.
        now_ns: present time (monotonic, ns).
        columns: columns of the terminal; at least `NARROWEST` are used.
    """
    columns = max(columns, NARROWEST)
    parts = _values(driver, tried)
    most = min(_MOST_LEFT, columns // 2)
    wide = min(most, max(LEAST_WRAPPED, *(line_width(line) for line in parts)))
    left = [row for part in parts for row in joined([part], wide, hang="  ")]
    right_columns = columns - wide - len(SPACE)
    rows = max(len(left), LEAST_LINES)
    right = [cropped(_raw(line, now_ns), right_columns) for line in lines[-rows:]]
    right = [[] for _ in range(rows - len(right))] + right
    left += [[] for _ in range(rows - len(left))]
    return [[*padded(one, wide), (SPACE, "dim"), *two] for one, two in zip(left, right, strict=True)]


def _values(driver: Driver, tried: Tried) -> list[Line]:
    """Return kind, identity, values with their faults, and counts."""
    out: list[Line] = [[(plain(driver.kind), "head")], [(identity_of(driver, tried), "dim")]]
    values = tried.values or (None,) * len(driver.channels)
    for channel, value in zip(driver.channels, values, strict=True):
        problem = problem_of(tried, channel.name)
        shown = f"{number(value, 6):>{VALUE_COLUMNS}} {symbol(channel.unit)}".rstrip()
        out.append([(f"{plain(channel.name)} ", ""), (shown, "warn" if problem else "value")])
        out += [[(problem, "warn")]] if problem else []
    if general := problem_of(tried, ""):
        out.append([(general, "warn")])
    rejected = sum(tried.report.get("rejected", {}).values())
    out.append([(f"{tried.readings} readings", "dim")])
    out.append([(f"{rejected} lines rejected", "bad" if rejected else "dim")])
    out.append([(f"{tried.report.get('timeouts', 0)} time-outs", "dim")])
    return [*out, [("the instrument is silent", "bad")]] if tried.silent else out


def _raw(line: RawLine, now_ns: int) -> Line:
    age = max(0, now_ns - line.t) / 1e9
    style = "dim" if line.way == ">" else ""
    return [(f"{min(age, 9999.9):6.1f} s ", "dim"), (f"{line.way} {escaped(line.data)}", style)]


def identity_of(driver: Driver, tried: Tried) -> str:
    """Return the identity of the instrument as a text."""
    if tried.identity is None:
        return "not known yet" if driver.identify() is not None else "has no request for its identity"
    who = tried.identity
    return plain(f"{who.kind}, serial {who.serial}" + (f", firmware {who.firmware}" if who.firmware else ""))


def problem_of(tried: Tried, channel: str) -> str:
    """Return the faults of a channel in the latest reading, or of the whole instrument ("")."""
    return ", ".join(FAULTS[fault].sentence for of, fault in tried.faults if of == channel)


__all__ = ["identity_of", "problem_of", "watch_lines"]
