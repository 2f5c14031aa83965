"""Certificates that a new result or a new reportable result makes invalid are withdrawn in its transaction."""

from collections.abc import Iterable

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, StoredRecord, found_by, newest_revision
from daq.app.laboratory.laboratory import changed, kept
from daq.app.laboratory.signing.single_runs import hiding
from daq.laboratory.reports import WITHDRAWABLE, Report

WITHDRAWN = "report_withdrawn"
"""Name of the change in the audit trail."""


def withdrawals(reader: Reader, run: str, samples: Iterable[str]) -> tuple[Change, ...]:
    """Return the changes that withdraw every released certificate about a run, or about one of its samples.

    Args:
        reader: the database.
        run: the run that is corrected or annulled.
        samples: its sample as declared before and after: a run that joins a sample changes what is reported of it.
    """
    found: dict[str, StoredRecord] = {}
    for name, value in (("run", run), *(("sample", sample) for sample in dict.fromkeys(samples) if sample)):
        found |= {r.id: r for r in found_by(reader, Report.kind, name, value, limit=-1)}
    return _withdrawn(found.values())


def withdrawal_of(reader: Reader, report: str) -> tuple[Change, ...]:
    """Return the change that withdraws a report; none where it is no certificate, or withdrawn already."""
    stored = newest_revision(reader, Report.kind, report)
    return () if stored is None else _withdrawn([stored])


def withdrawals_of_value(reader: Reader, sample: str, test: str) -> tuple[Change, ...]:
    """Return the changes that withdraw every released certificate of a sample with the result of a test.

    A certificate of a single run stays, unless it hides further results of the sample.
    """

    def is_of_test(stored: StoredRecord) -> bool:
        runs = (reader.run(shown["run"]) for shown in stored.data["shown"])
        return any(run is not None and run.method_id == test for run in runs)

    of_sample = [s for s in found_by(reader, Report.kind, "sample", sample, limit=-1) if is_of_test(s)]
    return _withdrawn({s.id: s for s in (*of_sample, *hiding(reader, sample, test))}.values())


def _withdrawn(found: Iterable[StoredRecord]) -> tuple[Change, ...]:
    reports = [kept(Report, stored) for stored in found]
    return tuple(
        changed(report, report.record.withdrawn(), WITHDRAWN)
        for report in reports
        if report.record.state == "released" and report.record.form in WITHDRAWABLE
    )
