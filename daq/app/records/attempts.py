"""The runs of a sample with their newest results, as `daq.methods.concluding.reportable` takes them."""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, Final, TypeVar

from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.newest_runs import last_concluded, run_started_seq, run_started_seqs
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.screens.text import expanded_of, utc_iso

if TYPE_CHECKING:
    from daq.methods.concluding.reportable import Attempt

T = TypeVar("T")
AttemptWithData = tuple["Attempt", dict[str, Any] | None]
"""A run, and its newest result (`ResultData` as JSON); None where it has none."""
MOVED: Final = "moved_to_sample"
"""Code of the statement about a run that a correction gave to another sample."""


def runs_of_sample(reader: Reader, sample: str) -> list[RunRecord]:
    """Return all runs of a sample, in the order in which they were started."""
    return in_order_of_starts(reader, reader.runs(limit=-1, sample=sample), lambda run: run)


def newest_started(reader: Reader, instrument: str) -> RunRecord | None:
    """Return the run of an instrument that was started last, whatever its clock was; None without a run."""
    concluded = last_concluded(reader, instrument)
    # A run that was recovered late is concluded last, though others were started and concluded since.
    since = [] if concluded is None else reader.results_since(instrument, run_started_seq(reader, concluded))
    going = [r for r in reader.unfinished_runs() if r.instrument == instrument]
    found = [*(run for _, name in since if (run := reader.run(name)) is not None), *going]
    # Only a run that could not be stored yet has neither a result nor a state of its own.
    found = found or reader.runs(limit=1, instrument=instrument)
    return in_order_of_starts(reader, found, lambda run: run)[-1] if found else None


def in_order_of_starts(reader: Reader, found: Iterable[T], run_of: Callable[[T], RunRecord]) -> list[T]:
    """Return what belongs to runs, one each, in the order in which the runs were started.

    It is the order of the starts in the audit trail.  Their times are no order: where the clock was set back between
    two runs, the second one would be taken for the first, and its value for that of the sample.
    """
    with_runs = [(run_of(each), each) for each in found]
    seqs = run_started_seqs(reader, [run.id for run, _ in with_runs])
    with_runs.sort(key=lambda pair: (seqs.get(pair[0].id, 0), pair[0].began_utc_ns))
    return [each for _, each in with_runs]


def attempt_of(reader: Reader, record: RunRecord) -> AttemptWithData:
    """Return a run with its newest result."""
    from daq.methods.concluding.reportable import Attempt  # the runs alone are listed without the rule for replicates

    newest = reader.newest_result(record.id)
    data: dict[str, Any] | None = None if newest is None else values_of(newest)
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
