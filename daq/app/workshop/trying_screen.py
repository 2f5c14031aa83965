"""Show the readings of a driver on trial: as a table that changes on a terminal, as lines of text elsewhere."""

import sys
import time
from typing import IO, Final, Self

from rich.console import Console
from rich.live import Live

from daq.app.screens.live import styled
from daq.app.screens.styled_lines import Line
from daq.app.screens.text import plain
from daq.app.workshop.trying import Tried
from daq.core.driver import Driver
from daq.core.faults import FAULTS
from daq.core.units import symbol
from daq.quality.digits import number

REFRESH_S: Final = 0.1
NOTHING_S: Final = 2.5


class TrialScreen:
    """Screen of a trial, a context manager; `show` can be called with every reading."""

    def __init__(self, driver: Driver, file: IO[str] | None = None) -> None:
        self._driver = driver
        self._file = file or sys.stdout
        console = Console(file=self._file, highlight=False, markup=False, emoji=False)
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
                self._live.update(styled(self._lines(self._last)), refresh=True)
            self._live.stop()

    def show(self, tried: Tried) -> None:
        """Show the present state."""
        self._last = tried
        if self._live is None:
            self._write(tried)
        elif time.monotonic() - self._drawn >= REFRESH_S:
            self._drawn = time.monotonic()
            self._live.update(styled(self._lines(tried)), refresh=True)

    def _who(self, tried: Tried) -> str:
        if tried.identity is None:
            return "not known yet" if self._driver.identify() is not None else "has no request for its identity"
        who = tried.identity
        return plain(f"{who.kind}, serial {who.serial}" + (f", firmware {who.firmware}" if who.firmware else ""))

    def _lines(self, tried: Tried) -> list[Line]:
        lines: list[Line] = [[(plain(self._driver.kind), "head"), (f"  {self._who(tried)}", "dim")]]
        width = max(len(c.name) for c in self._driver.channels)
        values = tried.values or (None,) * len(self._driver.channels)
        for channel, value in zip(self._driver.channels, values, strict=True):
            problem = _problem(tried, channel.name)
            lines.append(
                [
                    (f"  {plain(channel.name):<{width}}  ", ""),
                    (f"{number(value, 6):>12} {symbol(channel.unit)}", "value" if not problem else "warn"),
                    (f"   {problem}" if problem else "", "warn"),
                ]
            )
        report = tried.report
        rejected = sum(report.get("rejected", {}).values())
        counts = f"  {tried.readings} readings, {rejected} lines rejected, {report.get('timeouts', 0)} time-outs"
        lines.append([(counts, "bad" if tried.silent else "dim")])
        if tried.silent:
            lines.append([("  the instrument is silent", "bad")])
        lines.append([(f"  last bytes: {plain(repr(tried.raw)[1:])}", "dim")])
        return lines

    def _write(self, tried: Tried) -> None:
        if tried.identity is not None and not self._shown_identity:
            self._shown_identity = True
            self._print(f"instrument: {self._who(tried)}")
        for failure in tried.failures[self._shown_failures :]:
            self._print(f"given up: {plain(failure)}")
        self._shown_failures = len(tried.failures)
        if tried.readings == self._shown_readings:
            self._nothing_new(tried)
            return
        self._shown_readings, self._drawn = tried.readings, time.monotonic()
        parts = []
        for channel, value in zip(self._driver.channels, tried.values, strict=True):
            problem = _problem(tried, channel.name)
            text = f"{plain(channel.name)} {number(value, 6)} {symbol(channel.unit)}".rstrip()
            parts.append(f"{text} ({problem})" if problem else text)
        general = _problem(tried, "")
        self._print("  ".join(parts) + (f"  ({general})" if general else ""))

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
        print(text, file=self._file, flush=True)


def _problem(tried: Tried, channel: str) -> str:
    return ", ".join(FAULTS[fault].sentence for of, fault in tried.faults if of == channel)
