"""A run and its certificate state one result of a sample: they must not hide its further results without a cause."""

from collections.abc import Iterator
from typing import Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by
from daq.adapters.store.rows import RunRecord
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.judging import other_attempts
from daq.laboratory.reports import Report
from daq.methods.parts.statement import Statement, state
from daq.quality.digits import SHOWN_ID

FORM: Final = "certificate"


def hidden_by(reader: Reader, run: RunRecord) -> tuple[Statement, ...]:
    """Return the statement that a sample has further results that a run alone hides; empty where it hides none.

    Runs of other tests that name another product are among them: which product the sample is decides the limits.
    Where a result of the sample lacks a part, the run is refused as one without a valid result.
    """
    try:
        more = tuple(r.id[:SHOWN_ID] for r in other_attempts(reader, run)) if run.sample else ()
    except (KeyError, ValueError):
        return (state("without_valid_result", validity="not_valid"),)
    if more:
        return (state("other_attempts", sample=run.sample, runs=more),)
    products = {r.product for r in runs_of_sample(reader, run.sample) if r.product} if run.sample else set()
    return (state("products_differ", products=tuple(sorted(products))),) if len(products) > 1 else ()


def hidden_by_report(reader: Reader, report: Report) -> tuple[Statement, ...]:
    """Return the statements about further results that a certificate of one run hides."""
    if (report.form, report.sample) != (FORM, ""):
        return ()
    runs = (reader.run(name) for name in dict.fromkeys(shown.run for shown in report.shown))
    return tuple(s for run in runs if run is not None for s in hidden_by(reader, run))


def runs_of_test(reader: Reader, sample: str, test: str) -> list[RunRecord]:
    """Return the runs of a test (id of its method) that belong to a sample, oldest first."""
    return [run for run in runs_of_sample(reader, sample) if run.method_id == test]


def hiding(reader: Reader, sample: str, test: str) -> Iterator[StoredRecord]:
    """Yield the certificates of single runs of a sample and test that hide further results of it."""
    for run in runs_of_test(reader, sample, test):
        found = found_by(reader, Report.kind, "run", run.id, limit=-1)
        reports = [r for r in found if (r.data["form"], r.data["sample"]) == (FORM, "")]
        if reports and hidden_by(reader, run):
            yield from reports
