"""Show the readings of a driver on trial: as a table that changes on a terminal, as lines of text elsewhere."""

import sys
import time
from typing import IO, Final, Self

from rich.console import Console
from rich.live import Live

from daq.adapters.clock import SystemClock
from daq.app.run.latest_lines import MOST_PIECES
from daq.app.screens.live import styled
from daq.app.screens.styled_lines import NARROWEST, Line, joined, wrapped
from daq.app.screens.text import fold, plain, width
from daq.app.workshop.trying import Tried
from daq.app.workshop.watching import identity_of, problem_of, watch_lines
from daq.core.driver import Driver
from daq.core.units import symbol
from daq.descriptions.capture import escaped
from daq.quality.digits import number

REFRESH_S: Final = 0.1
NOTHING_S: Final = 2.5


class TrialScreen:
    """Screen of a trial, a context manager; `show` can be called with every reading."""

    def __init__(self, driver: Driver, file: IO[str] | None = None, *, watch: bool = False) -> None:
        """`watch`: show the raw lines beside the values."""
        self._driver, self._watch = driver, watch
        self._file = file or sys.stdout
        self._console = console = Console(file=self._file, highlight=False, markup=False, emoji=False)
        self._live: Live | None = None
        if console.is_terminal and not console.is_dumb_terminal:
            self._live = Live(console=console, auto_refresh=False, transient=False, vertical_overflow="crop")
        self._drawn = time.monotonic() - (REFRESH_S if self._live is not None else 0.0)
        self._last: Tried | None = None
        self._shown_identity = False
        self._shown_failures = 0
        self._shown_readings = 0

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            if self._last is not None:
                self._draw(self._live, self._last)
            self._live.stop()

    def show(self, tried: Tried) -> None:
        """Show the present state."""
        self._last = tried
        if self._live is None:
            self._write(tried)
        elif time.monotonic() - self._drawn >= REFRESH_S:
            self._drawn = time.monotonic()
            self._draw(self._live, tried)

    def _draw(self, live: Live, tried: Tried) -> None:
        columns, now = self._console.width, SystemClock().mono_ns()
        if self._watch:
            raw = tried.latest.lines(self._driver.framing, MOST_PIECES)
            lines = watch_lines(self._driver, tried, raw, now, columns)
        else:
            lines = trial_lines(self._driver, tried, columns)
        live.update(styled(lines), refresh=True)

    def _write(self, tried: Tried) -> None:
        if tried.identity is not None and not self._shown_identity:
            self._shown_identity = True
            self._print(f"instrument: {identity_of(self._driver, tried)}")
        for failure in tried.failures[self._shown_failures :]:
            self._print(f"given up: {plain(failure)}")
        self._shown_failures = len(tried.failures)
        if tried.readings == self._shown_readings:
            self._nothing_new(tried)
            return
        self._shown_readings, self._drawn = tried.readings, time.monotonic()
        parts = []
        for channel, value in zip(self._driver.channels, tried.values, strict=True):
            problem = problem_of(tried, channel.name)
            text = f"{plain(channel.name)} {number(value, 6)} {symbol(channel.unit)}".rstrip()
            parts.append(f"{text} ({problem})" if problem else text)
        general = problem_of(tried, "")
        raw = self._raw_line(tried) if self._watch else ""
        self._print("  ".join(parts) + (f"  ({general})" if general else "") + raw)

    def _raw_line(self, tried: Tried) -> str:
        """Return the last line that was received, behind the values."""
        lines = tried.latest.lines(self._driver.framing, MOST_PIECES)
        return next((f"  < {escaped(line.data)}" for line in reversed(lines) if line.way == "<"), "")

    def _nothing_new(self, tried: Tried) -> None:
        if time.monotonic() - self._drawn < NOTHING_S:
            return
        self._drawn = time.monotonic()
        report = tried.report
        rejected = sum(report.get("rejected", {}).values())
        self._print(
            f"no reading: {report.get('bytes', 0)} bytes and {report.get('lines', 0)} lines received, {rejected} "
            f"rejected, {report.get('timeouts', 0)} time-outs"
        )

    def _print(self, text: str) -> None:
        # A terminal that cannot be redrawn has a width too; a file and a pipe have none.
        rows = fold(text, max(self._console.width, NARROWEST)) if self._console.is_terminal else [text]
        print("\n".join(rows), file=self._file, flush=True)


def trial_lines(driver: Driver, tried: Tried, columns: int) -> list[Line]:
    """Return the present state of a trial; long lines are wrapped to `columns` (at least `NARROWEST`)."""
    columns = max(columns, NARROWEST)
    lines = joined([[(plain(driver.kind), "head")], [(identity_of(driver, tried), "dim")]], columns, hang="  ")
    longest = max((width(plain(c.name)) for c in driver.channels), default=0)
    values = tried.values or (None,) * len(driver.channels)
    for channel, value in zip(driver.channels, values, strict=True):
        problem, name = problem_of(tried, channel.name), plain(channel.name)
        value_text = f"{number(value, 6):>12} {symbol(channel.unit)}".rstrip()
        parts: list[Line] = [
            [(name + " " * (longest - width(name)), "")],
            [(value_text, "warn" if problem else "value")],
        ]
        parts += [[(problem, "warn")]] if problem else []
        lines += joined(parts, columns, indent="  ", hang="    ")
    if general := problem_of(tried, ""):
        lines += wrapped(general, columns, "  ", "warn")
    rejected = sum(tried.report.get("rejected", {}).values())
    counts = f"{tried.readings} readings, {rejected} lines rejected, {tried.report.get('timeouts', 0)} time-outs"
    lines += wrapped(counts, columns, "  ", "bad" if tried.silent else "dim")
    if tried.silent:
        lines.append([("  the instrument is silent", "bad")])
    return lines + wrapped(plain(repr(tried.raw)[1:]), columns, "  last bytes: ", "dim")
