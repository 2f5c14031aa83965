"""The list of runs that several commands print."""

from collections.abc import Sequence

from daq.app.cli.common import print_json
from daq.app.cli.printing import print_table
from daq.app.records.run_rows import Entry, marks_of, value_of, verdict_of
from daq.app.screens.text import local_time, plain, spaced
from daq.core.encoding import encode
from daq.quality.digits import NOTHING, SHOWN_ID


def print_runs(entries: Sequence[Entry], *, as_json: bool) -> None:
    """Print runs as a table or as JSON."""
    if as_json:
        print_json([encode(e) for e in entries])
        return
    head = ["run", "started", "sample", "method", "on", "value", "quality", "validity", "verdict"]
    # `daq show` has the quality of each result.
    print_table(head, [_row(e) for e in entries], right=frozenset({5}), drop=[6])


def _row(e: Entry) -> list[str]:
    cells = [
        e.run[:SHOWN_ID],
        local_time(e.began_utc_ns),
        e.sample,
        f"{e.method_id} {e.method_version}",
        e.instrument,
        value_of(e),
        (e.quality or NOTHING).partition("_")[0],
        spaced(e.validity or NOTHING),
        ", ".join([verdict_of(e), *marks_of(e)]),
    ]
    return [plain(cell) for cell in cells]
