"""Text and tables on the standard output: no wider than the terminal, unlimited where the output is piped."""

import shutil
import sys
from collections.abc import Sequence

from daq.app.screens.styled_lines import NARROWEST
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
