"""Certificates that a correction or an annulment makes invalid are withdrawn in its transaction."""

from collections.abc import Iterable

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, StoredRecord, found_by
from daq.app.laboratory.laboratory import changed, kept
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
    out = []
    for stored in found.values():
        report = kept(Report, stored)
        if report.record.state == "released" and report.record.form in WITHDRAWABLE:
            out.append(changed(report, report.record.withdrawn(), WITHDRAWN))
    return tuple(out)
