"""Show the benches of the demonstration: one screen redrawn in place on a terminal, lines of text elsewhere."""

import sys
import time
from collections.abc import Callable, Sequence
from typing import IO, Final

from daq.app.screens.bench_panes import shift_lines
from daq.app.screens.live import styled
from daq.app.screens.redrawn import RedrawnScreen
from daq.app.screens.run_view import RunView
from daq.app.screens.styled_lines import Line, cropped, text_of

REFRESH_S: Final = 0.1
KEPT: Final = 60
"""Number of lines about the past that the screen keeps; more do not fit on any terminal."""


class ShiftScreen(RedrawnScreen):
    """A context manager that shows views of several benches, and what has happened on them."""

    def __init__(self, title: str, *, file: IO[str] | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        """`title` is the first row of the screen.  `clock` gives seconds."""
        super().__init__(file or sys.stdout)
        self._title, self._clock = title, clock
        self._views: dict[str, RunView] = {}
        self._past: list[Sequence[Line]] = []
        self._kept: list[Line] = []
        self._drawn = clock() - REFRESH_S

    def add(self, *parts: Line) -> None:
        """Add a line about the past: printed, or put below the benches where they are redrawn in place."""
        if self._live is None:
            print("  ".join(text_of(part) for part in parts), file=self._file, flush=True)
            return
        self._past = [*self._past[1 - KEPT :], parts]
        self._draw()

    def keep(self, line: Line) -> None:
        """Add a line that stays below the title, such as an address."""
        if self._live is None:
            self.add(line)
            return
        self._kept.append(line)
        self._draw()

    def show(self, bench: str, view: RunView) -> None:
        """Show the state of the run on a bench."""
        self._views[bench] = view
        if self._live is not None and self._clock() - self._drawn >= REFRESH_S:
            self._draw()

    def _draw(self) -> None:
        if self._live is None:
            return
        self._drawn = self._clock()
        views = dict(sorted(self._views.items()))
        columns, rows = self._console.width, self._console.height - 1 - len(self._kept)
        title, *rest = shift_lines(self._title, views, self._past, columns, rows)
        lines = [title, *(cropped(line, columns) for line in self._kept), *rest]
        self._live.update(styled(lines), refresh=True)
