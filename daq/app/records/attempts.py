"""The runs of a sample with their newest results, as `daq.methods.concluding.reportable` takes them."""

import json
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.newest_runs import run_started_seq
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.screens.text import expanded_of, utc_iso

if TYPE_CHECKING:
    from daq.methods.concluding.reportable import Attempt

AttemptWithData = tuple["Attempt", dict[str, Any] | None]
"""A run, and its newest result (`ResultData` as JSON); None where it has none."""
MOVED: Final = "moved_to_sample"
"""Code of the statement about a run that a correction gave to another sample."""


def runs_of_sample(reader: Reader, sample: str) -> list[RunRecord]:
    """Return all runs of a sample, in the order in which they were started."""
    return sorted(reader.runs(limit=-1, sample=sample), key=lambda r: place_of_start(reader, r))


def place_of_start(reader: Reader, run: RunRecord) -> tuple[int, int]:
    """Return a sort key for the order in which runs were started.

    It is the place of the start in the audit trail.  Its time is no order: where the clock was set back between two
    runs, the second one would be taken for the first, and its value for that of the sample.
    """
    return run_started_seq(reader, run.id), run.began_utc_ns


def attempt_of(reader: Reader, record: RunRecord) -> AttemptWithData:
    """Return a run with its newest result."""
    from daq.methods.concluding.reportable import Attempt  # the runs alone are listed without the rule for replicates

    newest = reader.newest_result(record.id)
    data: dict[str, Any] | None = None if newest is None else json.loads(newest.data)
    return Attempt(
        run=record.id,
        began=utc_iso(record.began_utc_ns) or "",
        method=f"{record.method_id} {record.method_version}",
        instrument=record.instrument,
        fill=record.fill or record.id,
        value=None if data is None else data["value"],
        unit="" if data is None else data["unit"],
        validity="" if data is None else data["validity"],
        counted=False,
        expanded=None if data is None else expanded_of(data),
    ), data
