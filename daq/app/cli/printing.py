"""Text and tables on the standard output: no wider than the terminal, unlimited where the output is piped."""

import os
import shutil
import sys
from collections.abc import Sequence
from typing import IO

from daq.app.screens.styled_lines import NARROWEST, Line, text_of
from daq.app.screens.tables import table
from daq.app.screens.text import fold, width


def terminal_columns() -> int | None:
    """Return the width of the terminal, at least `NARROWEST`; None where the output goes to a file or a pipe."""
    return max(shutil.get_terminal_size().columns, NARROWEST) if sys.stdout.isatty() else None


def say(text: str, lead: str = "") -> None:
    """Print text after `lead`; on a terminal it is wrapped, and the further lines hang below the end of `lead`."""
    print("\n".join(hung(text, lead, terminal_columns())))


def hung(text: str, lead: str, columns: int | None) -> list[str]:
    """Return text after `lead` in rows of at most `columns` columns (None: one row)."""
    if columns is None or width(lead + text) <= columns:
        return [lead + text]
    indent = width(lead)
    return [(lead if i == 0 else " " * indent) + row for i, row in enumerate(fold(text, columns - indent))]


def print_table(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, right: frozenset[int] = frozenset(), drop: Sequence[int] = ()
) -> None:
    """Print a table that fits the terminal; the arguments are those of `daq.app.screens.tables.table`."""
    print(table(head, rows, right=right, columns=terminal_columns(), drop=drop))


def print_lines(lines: list[Line], file: IO[str] | None = None) -> None:
    """Print lines: with styles on a terminal ($NO_COLOR is respected), elsewhere as text."""
    out = file or sys.stdout
    if not out.isatty() and not os.environ.get("FORCE_COLOR"):
        for line in lines:
            print(text_of(line), file=out)
        return
    # The library is imported only for a terminal.
    from rich.console import Console

    from daq.app.screens.live import styled

    console = Console(file=out, highlight=False, markup=False, emoji=False)
    if console.is_terminal and not console.is_dumb_terminal:
        console.print(styled(lines), soft_wrap=True)
        return
    for line in lines:
        print(text_of(line), file=out)
