"""Show a run while it goes on: a changing screen on a terminal, lines of text elsewhere."""

import sys
import time
from collections.abc import Callable
from typing import IO, TYPE_CHECKING, Any, Final

from daq.app.screens.digits import large_digits
from daq.app.screens.exit_codes import FAILED, NOT_VALID, STOPPED, code_of_verdict
from daq.app.screens.redrawn import RedrawnScreen
from daq.app.screens.result_screen import result_lines
from daq.app.screens.run_parts import NO_EFFECT
from daq.app.screens.run_screen import live_lines, plain_line
from daq.app.screens.run_view import RunEnd, RunView
from daq.app.screens.styled_lines import Line, text_of, wrapped
from daq.app.screens.text import ended, plain, sentence

if TYPE_CHECKING:
    from rich.text import Text

PLAIN_S: Final = 5.0
"""Longest time (s) between two lines where there is no terminal; a change of state gives a line at once."""
PIPED_COLUMNS: Final = 100
"""Width of a result where there is no terminal."""

STYLES: Final = {
    "head": "bold",
    "dim": "dim",
    "good": "bold green",
    "warn": "bold yellow",
    "bad": "bold red",
    "value": "bold",
    "struck": "strike",
}


def exit_code(end: RunEnd, result: dict[str, Any] | None) -> int:
    """Return the exit code of a run, for scripts.

    0 valid and within its limits or without limits; 10 outside them or not comparable with them; 11 not valid, which
    includes doubtful; 12 stopped by a person; 13 failed, interrupted or not stored; 14 undecided under the guard bands
    of its product.
    """
    if end.fault or result is None or end.outcome in ("failed", "interrupted"):
        return FAILED
    if end.outcome == "stopped":
        return STOPPED
    if result["validity"] != "valid":
        return NOT_VALID
    return code_of_verdict(result["verdict"]["verdict"])


class RunScreen(RedrawnScreen):
    """A context manager that shows views of one run and then its result."""

    def __init__(
        self,
        *,
        plain: bool = False,
        file: IO[str] | None = None,
        columns: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`plain`: lines of text on a terminal too.  `columns`: instead of the terminal's width.  `clock`: seconds."""
        super().__init__(file or sys.stdout, columns=columns, plain=plain)
        self._clock = clock
        self._written: object = None
        self._written_at = 0.0
        self._notes = 0
        self._advice: list[str] = []

    def show(self, view: RunView) -> None:
        """Show the state of a run."""
        if self._live is None:
            self._write(view)
            return
        lines = live_lines(view, self._console.width, self._console.height - 1)
        self._live.update(styled(lines), refresh=True)

    def _write(self, view: RunView) -> None:
        if self._written is None:
            self._print_once(view)
        where = (view.state, view.step.number, tuple(view.faults))
        now = self._clock()
        if where != self._written or now - self._written_at >= PLAIN_S:
            self._written, self._written_at = where, now
            self._print(plain_line(view))
        for note in view.notes[self._notes :]:
            self._print(f"  note: {sentence(note)}")
        self._notes = len(view.notes)
        for text in (sentence(advice) for advice in view.advice):
            if text not in self._advice:
                self._print(f"  advice: {text}")
                self._advice.append(text)

    def _print_once(self, view: RunView) -> None:
        """Print what stays the same during a run."""
        if view.fitted:
            self._print(f"  fitted: {plain(view.fitted)}")
        if view.caution:
            self._print(f"  sample: {plain(view.caution)}")
        for text in view.configuration:
            self._print(f"  {NO_EFFECT}{plain(text)}")

    def finish(self, end: RunEnd, result: dict[str, Any] | None) -> None:
        """Show the result of a run and how it ended."""
        on_terminal = self._live is not None
        if self._live is not None:
            self._live.stop()
            self._live = None
        columns = self._console.width if on_terminal else PIPED_COLUMNS
        digits = large_digits(self._console.height) if on_terminal else 0
        lines: list[Line] = [[]]
        if result is not None:
            sample = plain(result["sample"]["id"])
            about = f"sample {sample}, {plain(result['method']['id'])} {plain(result['method']['version'])}"
            geometry = result.get("geometry")
            about += f", {plain(geometry['name'])}" if geometry else ""
            about += f" (serial number {plain(geometry['serial'])})" if geometry and geometry["serial"] else ""
            mark = "  SIMULATED" if result["simulated"] else ""
            title = wrapped(about, columns - len(mark), "", "head")
            title[0].append((mark, "warn"))
            lines += [*title, [], *result_lines(result, columns, digits=digits)]
        else:
            lines.append([("no result", "bad")])
        if end.outcome != "complete":
            lines += wrapped(ended(end.outcome, end.reason), columns, "", "warn")
        if end.fault:
            lines += wrapped(plain(end.fault), columns, "NOT STORED: ", "bad")
        if end.motor == "may_still_be_turning":
            warning = "THE MOTOR MAY STILL BE TURNING: stop it before you go near the rotor"
            lines += wrapped(warning, columns, "", "bad")
        lines += wrapped(f"run {end.run}; all about it: daq show {end.run[:8]}", columns, "", "dim")
        if on_terminal:
            self._console.print(styled(lines), soft_wrap=True)
        else:
            for line in lines[1:]:
                self._print(text_of(line))

    def _print(self, text: str) -> None:
        print(text, file=self._file, flush=True)


def styled(lines: list[Line]) -> "Text":
    """Return lines as the terminal library takes them."""
    from rich.text import Text

    out = Text(no_wrap=True, overflow="crop", end="")
    for i, line in enumerate(lines):
        if i:
            out.append("\n")
        for piece, style in line:
            out.append(piece, STYLES.get(style))
    return out
