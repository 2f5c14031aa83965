"""A screen that is redrawn in place on a terminal; elsewhere nothing is redrawn."""

from typing import IO, Self

from rich.console import Console
from rich.live import Live


class RedrawnScreen:
    """Base of the screens that change: a context manager with a console and, on a terminal, a live area."""

    def __init__(self, file: IO[str], *, columns: int | None = None, plain: bool = False) -> None:
        """`columns`: instead of the terminal's width.  `plain`: nothing is redrawn on a terminal either."""
        self._file = file
        # NO_COLOR is respected by the library.
        self._console = Console(file=file, width=columns, highlight=False, markup=False, emoji=False)
        self._live: Live | None = None
        if self._console.is_terminal and not self._console.is_dumb_terminal and not plain:
            self._live = Live(console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
