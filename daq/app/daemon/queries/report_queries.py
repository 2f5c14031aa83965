"""Queries about reports, days, months and lots, and runs in one plot."""

from typing import Any, Final

from daq.adapters.store.records import found_by, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.daemon.queries.asked import RunAsked
from daq.app.daemon.queries.desk_asked import CompareAsked, DayAsked, LotAsked, MonthAsked, ReportsAsked, TraceAsked
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.equipment.casefile import case_of
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.reporting.tracing import report_about, report_of_file, trace
from daq.app.laboratory.signing.report_subjects import report_named
from daq.app.records.derived import trend_of
from daq.app.records.history import history, raw_journal
from daq.app.records.replaying import maker
from daq.app.records.run_rows import entry
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.screens.drawings.trend_svg import drawn_points
from daq.app.screens.text import local_time
from daq.core.encoding import encode
from daq.core.errors import DaqError
from daq.core.replay import MakeDriver
from daq.laboratory.kinds import LAST
from daq.laboratory.reports import Report
from daq.process.moments import bound_of_day, span_of_day

DIGEST: Final = 64
"""Number of digits of the SHA-256 of a file."""
MOST_REPORTS: Final = 2000
"""Greatest number of reports that one list sorts by time."""


def _reports(sources: Sources, asked: ReportsAsked) -> dict[str, Any]:
    """Return reports, newest first."""
    reader = sources.reader
    if asked.of:
        found = found_by(reader, Report.kind, "of", asked.of, limit=MOST_REPORTS)
        found += found_by(reader, Report.kind, "sample", asked.of, limit=MOST_REPORTS)
    else:
        found = found_by(reader, Report.kind, "id", "", LAST, limit=MOST_REPORTS)
    newest = sorted({r.id: r for r in found}.values(), key=lambda r: (-r.utc_ns, r.id))
    about = [report_about(revisions(reader, Report.kind, r.id)) for r in newest[: asked.limit]]
    return {"reports": about, "more": max(0, len(newest) - asked.limit), "complete": len(found) < MOST_REPORTS}


def _trace(sources: Sources, asked: TraceAsked) -> dict[str, Any]:
    reader, name = sources.reader, asked.report
    is_file = len(name) == DIGEST and not found_by(reader, Report.kind, "id", name, limit=1)
    report = report_of_file(reader, name) if is_file else report_named(reader, name)
    found = trace(reader, report.record)
    return found.as_json() | {"superseded": found.is_superseded}


def _day(sources: Sources, asked: DayAsked) -> dict[str, Any]:
    day = asked.day or local_time(sources.utc_ns)[: len("2026-11-26")]
    begin, end = span_of_day(day, sources.utc_ns)
    until = bound_of_day(asked.until, day, sources.utc_ns, "until")
    sheet = day_sheet(sources.reader, begin, end, asked.instrument, limit=asked.limit, until_utc_ns=until)
    older = "" if sheet.listed_from_utc_ns is None else local_time(sheet.listed_from_utc_ns)
    return {"day": day, "older": older} | sheet.as_json()


def _month(sources: Sources, asked: MonthAsked) -> dict[str, Any]:
    return review(sources.reader, asked.month or local_time(sources.utc_ns)[: len("2026-11")]).as_json()


def _lot(sources: Sources, asked: LotAsked) -> dict[str, Any]:
    return case_of(sources.reader, asked.lot).as_json()


def _compare(sources: Sources, asked: CompareAsked) -> dict[str, Any]:
    """Return the readings of runs over time, each with its row."""
    make = maker(sources.catalogue().drivers)
    found = [find_run(sources.reader, name) for name in dict.fromkeys(asked.runs)]
    return {"compared": [{"entry": encode(entry(sources.reader, r)), **_drawn(sources, r, make)} for r in found]}


def _readings(sources: Sources, asked: RunAsked) -> dict[str, Any]:
    """Return the readings of the signal of a run's result over time."""
    return _drawn(sources, find_run(sources.reader, asked.run), maker(sources.catalogue().drivers))


def _drawn(sources: Sources, record: RunRecord, make: MakeDriver) -> dict[str, Any]:
    """Return the readings of a run, thinned so that no peak is hidden, and the span of its result (s since the start).

    `trend` is null where there is nothing to draw; `trouble` is why the readings cannot be computed, "" otherwise.
    """
    try:
        found = trend_of(history(sources.reader, record), raw_journal(sources.reader, record.id)[0], make)
    except DaqError as error:
        return {"trend": None, "trouble": str(error)}
    if found is None:
        return {"trend": None, "trouble": ""}
    points = drawn_points(found.seconds, found.values)
    shown = {"name": found.name, "unit": found.unit, "begin": found.begin, "end": found.end}
    return {"trend": {"seconds": [s for s, _ in points], "values": [v for _, v in points], **shown}, "trouble": ""}


QUERIES: Final[tuple[Query[Any], ...]] = (
    Query("reports", ReportsAsked, "look", _reports),
    Query("trace", TraceAsked, "look", _trace),
    Query("day", DayAsked, "look", _day),
    Query("month", MonthAsked, "look", _month),
    Query("lot", LotAsked, "look", _lot),
    Query("compare", CompareAsked, "look", _compare),
    Query("readings", RunAsked, "look", _readings),
)
