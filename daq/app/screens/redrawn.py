"""A screen that is redrawn in place on a terminal; elsewhere nothing is redrawn."""

from functools import cached_property
from typing import IO, TYPE_CHECKING, Self

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live


class RedrawnScreen:
    """Base of the screens that change: a context manager with a console and, on a terminal, a live area."""

    def __init__(self, file: IO[str], *, columns: int | None = None, plain: bool = False) -> None:
        """`columns`: instead of the terminal's width.  `plain`: nothing is redrawn on a terminal either."""
        self._file, self._columns, self._plain = file, columns, plain

    # Both are made when they are first used, so that a run is asked for before the library is imported.

    @cached_property
    def _console(self) -> "Console":
        from rich.console import Console

        # NO_COLOR is respected by the library.
        return Console(file=self._file, width=self._columns, highlight=False, markup=False, emoji=False)

    @cached_property
    def _live(self) -> "Live | None":
        if self._plain or not self._console.is_terminal or self._console.is_dumb_terminal:
            return None
        from rich.live import Live

        return Live(console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
