"""The acts that make a report: its PDF, and the record by which the file is traced."""

import hashlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords, seen_audited
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError
from daq.adapters.store.rows import RunRecord
from daq.app.delivery.record_messages import Numbered
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.app.laboratory.lists.fixing_limits import ChartChoice, charts_of, only_one
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.reporting import about_runs
from daq.app.laboratory.reporting.certificate_page import certificate_page
from daq.app.laboratory.reporting.page_blocks import Page, WorksHead, encoded
from daq.app.laboratory.reporting.sheet_pages import chart_page, day_page
from daq.app.laboratory.reporting.shown import LARGEST_ATTACHED, as_attached, newest_shown, refuse_changed
from daq.app.laboratory.reporting.typesetting import typeset
from daq.app.laboratory.reporting.works_head import FILE, FOLDER, fonts_of, works_of
from daq.app.laboratory.signing.report_subjects import anchor_of_report, rejected_sharing
from daq.app.laboratory.signing.reportable_records import Keeping
from daq.app.laboratory.signing.withdrawing import Superseded, withdrawal
from daq.app.records.attempts import runs_of_sample
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.signatures import Releases
from daq.app.screens.text import plain, sentence
from daq.core.errors import SettingError, StoreError, coded
from daq.laboratory.controlchart import Chart, as_json
from daq.laboratory.kinds import number_of
from daq.laboratory.reports import Report
from daq.methods.files.fields import Label, Model, NeededLabel
from daq.methods.parts.statement import distinct, reasons_json
from daq.process.moments import span_of_day
from daq.quality.digits import SHOWN_ID

MADE, MADE_AGAIN = "report_made", "report_made_again"
OTHER_FILE: Final = "another version of the software made another file of it"
"""Reason of the withdrawal of signatures under a report."""
MOST_NAMED: Final = 10
"""Greatest number of points left out that a refusal names."""
TRIES: Final = 20
"""Number of times that a page is read where other records are stored at the same moment.

Only the first time takes long, because the file is made once.
"""
#: Makes a page for a day of issue; "" for the page whose digest is the id of the report.
PageOf = Callable[[str], Page]


class MakeReport(Model):
    """Order to make the internal record of a run (named as for `find_run`) or of a sample."""

    of: NeededLabel


class ReleaseCertificate(Model):
    """Order to make the certificate of a run or of a sample for a customer.

    Attributes:
        of: run or sample.
        customer: name of the customer.
        result: id of the result that the person saw; "" means the newest one.
    """

    of: NeededLabel
    customer: Label = ""
    result: Label = ""


class ReportDay(Model):
    """Order to make the sheet of a day, of all instruments ("") or of one."""

    day: NeededLabel
    instrument: Label = ""


def make(laboratory: Laboratory, order: MakeReport) -> dict[str, Any]:
    """Make the internal record of a run or a sample.

    Raises:
        SettingError: there is no such run, it has no result, or a library is missing.
        StoreError: stored data do not agree with the audit trail.
    """
    works = _works(laboratory) or WorksHead()

    def read(reader: Reader) -> PageOf:
        runs = _runs_named(reader, order.of)
        if isinstance(runs, RunRecord):
            page = about_runs.run_page(reader, laboratory.catalogue, runs, works)
        else:
            page = about_runs.sample_record(reader, order.of, runs, works)
        return lambda _: page

    return _released(laboratory, read)


def release(laboratory: Laboratory, order: ReleaseCertificate) -> dict[str, Any]:
    """Make the certificate of a run or of a sample.

    Raises:
        SettingError: the result may not have a certificate, the works have no name, or a library is missing.
        StoreError: stored data do not agree with the audit trail.
    """
    works = _works(laboratory)
    if works is None:
        file = laboratory.catalogue.folder / FOLDER / FILE
        raise coded(
            SettingError("a certificate names its laboratory; write name and address into this file", file=str(file)),
            "laboratory_not_named",
            file=str(file),
        )
    catalogue = laboratory.catalogue
    # Persons are known only where people are switched on; elsewhere the page is signed by hand.
    needed = catalogue.daemon.people.required

    def read(reader: Reader) -> PageOf:
        runs = _runs_named(reader, order.of)
        if isinstance(runs, RunRecord):
            given = about_runs.certificate_of_run(reader, runs, order.result, needs_release=needed)
        else:
            if not needed:
                # A newer revision withdraws the certificate, so the one that it states is stored first.
                _keep_value(laboratory, order.of)
            given = about_runs.certificate_of_sample(reader, order.of, runs, needs_release=needed)
        given = about_runs.with_customer(reader, given, order.customer)
        made = about_runs.newest_utc_ns(reader, given.shown)
        return lambda issued: certificate_page(given, works, issued, made)

    return _released(laboratory, read)


def _keep_value(laboratory: Laboratory, sample: str) -> None:
    """Store the reportable results of a sample, if they have changed since they were stored.

    Raises:
        ChangedMeanwhileError: they had changed.
    """
    utc_ns, who = laboratory.clock.utc_ns(), laboratory.who
    keeping = Keeping(laboratory.store, laboratory.topics, utc_ns, who)
    if keeping.store_of_samples([sample]):
        raise ChangedMeanwhileError(f"the reportable results of sample {sample} were stored")


def report_day(laboratory: Laboratory, order: ReportDay) -> dict[str, Any]:
    """Make the sheet of a day; its date is the end of the newest run on it.

    Raises:
        SettingError: the text is no day, or a library is missing.
    """
    begin, end = span_of_day(order.day, laboratory.clock.utc_ns())
    works = _works(laboratory) or WorksHead()

    def read(reader: Reader) -> PageOf:
        sheet = day_sheet(reader, begin, end, order.instrument, limit=-1)
        runs = [r.run.run for rows in sheet.instruments.values() for r in rows]
        refuse_changed(reader, f"day {order.day}", runs)
        shown = newest_shown(reader, runs)
        made = about_runs.newest_utc_ns(reader, shown) or begin
        attached = as_attached("day.json", sheet.as_json(), "The runs of the day with their newest results")
        page = day_page(order.day, order.instrument, sheet, shown, works, made, (attached,))
        return lambda _: page

    return _released(laboratory, read)


def report_chart(laboratory: Laboratory, order: ChartChoice) -> dict[str, Any]:
    """Make the page of a control chart.

    Raises:
        SettingError: there is no such chart or several, it has no points, or a library is missing.
    """
    works = _works(laboratory) or WorksHead()

    def read(reader: Reader) -> PageOf:
        chart = only_one(charts_of(laboratory, order), order.geometry, order.quantity)
        if not chart.points:
            raise _without_points(chart)
        shown = newest_shown(reader, list(dict.fromkeys(run for p in chart.points for run in p.runs)))
        made = about_runs.newest_utc_ns(reader, shown)
        attached = as_attached("chart.json", as_json(chart), "The points of the chart with their runs")
        page = chart_page(chart, shown, works, made, (attached,))
        return lambda _: page

    return _released(laboratory, read)


def _without_points(chart: Chart) -> SettingError:
    """Return the refusal of a chart without points, with what is left out and why."""
    why = distinct(statement for x in chart.left_out for statement in x.why)
    names = ", ".join(x.name for x in chart.left_out[:MOST_NAMED])
    more = max(0, len(chart.left_out) - MOST_NAMED)
    named = f"{names} and {more} more" if more else names
    text = f"left out: {named}, because {'; '.join(s.text for s in why)}" if why else "nothing was measured for it"
    error = SettingError(f"the chart has no points; {text}")
    if not why:
        return coded(error, "chart_without_points")
    reasons = reasons_json(why)
    if more:
        return coded(error, "chart_points_left_out_more", names=names, count=str(more), reasons=reasons)
    return coded(error, "chart_points_left_out", names=names, reasons=reasons)


def _works(laboratory: Laboratory) -> WorksHead | None:
    return works_of(laboratory.catalogue.folder)


def _runs_named(reader: Reader, name: str) -> RunRecord | list[RunRecord]:
    """Return one run, or all runs of a sample, oldest first, where `name` is that of a sample.

    Raises:
        SettingError: there is no such run or sample.
    """
    return runs_of_sample(reader, name) or find_run(reader, name)


def _released(laboratory: Laboratory, read: Callable[[Reader], PageOf]) -> dict[str, Any]:
    """Return the PDF of a page with its number, and keep its record.

    The same page is the same report: it keeps the day of its first issue, so its file has the same bytes.  The
    transaction that stores the record refuses if anything was stored since the page was read; then it is read again.

    Args:
        laboratory: the records.
        read: reads what is stored, and returns the maker of the page.

    Raises:
        SettingError: the report was withdrawn or rejected, or its attached files are too large.
        StoreError: other records are stored all the time.
    """
    files: dict[tuple[str, str], bytes] = {}
    for _ in range(TRIES):
        try:
            return _try(laboratory, read, files)
        except ChangedMeanwhileError:
            continue
    raise coded(
        StoreError("the report is not made, because other records are stored all the time; repeat it in a moment"),
        "report_busy",
    )


def _try(
    laboratory: Laboratory, read: Callable[[Reader], PageOf], files: dict[tuple[str, str], bytes]
) -> dict[str, Any]:
    """Read a page and store its report, once.

    Args:
        laboratory: the records.
        read: as in `_released`.
        files: the files that were made, by digest and day of issue of their pages.

    Raises:
        ChangedMeanwhileError: something was stored meanwhile.
    """
    with laboratory.reader() as reader:
        # It is read before everything that is on the page.
        seen = AsSeen(audited=seen_audited(reader))
        page_of = read(reader)
        bare = page_of("")
        ident = bare.digest
        stored = find(reader, Report, ident)
        rejected = Releases(reader).rejections(Report.kind, ident)
        standing = rejected_sharing(reader, bare.form, bare.shown)
        shared = _shared(reader, next(iter(standing.values())).runs) if standing else ""
    if sum(len(a.text) for a in bare.attached) > LARGEST_ATTACHED:
        raise coded(SettingError("the report is too large; make one for fewer runs, or use --json"), "report_too_large")
    if standing:
        other, last = next(iter(standing.items()))
        error = SettingError(
            f"there is no certificate of these results: {plain(last.signature.by)} rejected report {number_of(other)}, "
            f"which shows {shared}, too ({plain(last.signature.because)}); correct what is wrong, or a person who "
            f"reviews states why a new one may be made: daq sign {number_of(other)} --meaning reviewed --because TEXT"
        )
        raise coded(
            error,
            "certificate_rejected",
            person=plain(last.signature.by),
            report=number_of(other),
            runs=", ".join(run[:SHOWN_ID] for run in last.runs),
            reason=plain(last.signature.because),
        )
    if stored is not None and stored.record.state == "withdrawn":
        raise coded(
            SettingError(f"report {number_of(ident)} was withdrawn: {stored.because}; the result has changed since"),
            "report_withdrawn",
            report=number_of(ident),
            reason=stored.because,
        )
    if rejected:
        raise coded(
            SettingError(f"report {number_of(ident)} is not made: {sentence(rejected)}"),
            "report_not_made",
            report=number_of(ident),
            reasons=reasons_json(rejected),
        )
    day = datetime.fromtimestamp(laboratory.clock.utc_ns() // 10**9, UTC).date().isoformat()
    issued = day if stored is None else stored.record.issued
    if (ident, issued) not in files:
        files[ident, issued] = typeset(page_of(issued), ident, fonts_of(laboratory.catalogue.folder))
    pdf = files[ident, issued]
    file = hashlib.sha256(pdf).hexdigest()
    if stored is None:
        _store(laboratory, new(_report_of(bare, issued, file), MADE), seen)
    elif file not in stored.record.files:
        again = stored.record.model_copy(update={"files": (*stored.record.files, file)})
        _store_again(laboratory, stored.record, changed(stored, again, MADE_AGAIN), seen)
    else:
        _store(laboratory, None, seen)
    return {"id": ident, "number": number_of(ident), "file": file, "title": bare.title, "pdf": encoded(pdf)}


def _shared(reader: Reader, runs: Sequence[str]) -> str:
    """Return the results that two certificates show, by their runs and samples, as they are declared now."""
    named = []
    for run in runs:
        record = reader.run(run)
        named.append(f"{run[:SHOWN_ID]}{f' of sample {plain(record.sample)}' if record and record.sample else ''}")
    return f"the result of run {named[0]}" if len(named) == 1 else f"the results of the runs {', '.join(named)}"


def _report_of(page: Page, issued: str, file: str) -> Report:
    return Report(
        id=page.digest,
        form=page.form,
        of=page.of,
        sample=page.sample,
        title=f"{page.title}, {page.subtitle}"[:200],
        simulated=page.simulated,
        issued=issued,
        files=(file,),
        shown=page.shown,
    )


def _store(laboratory: Laboratory, change: Change | None, seen: AsSeen) -> None:
    """Store a report; without a change only compare, so that no file of an earlier state is handed out."""
    changes = () if change is None else (change,)
    step = PublishRecords(changes, (), seen, laboratory.clock.utc_ns(), laboratory.who)
    laboratory.store.submit(step).result()


def _store_again(laboratory: Laboratory, report: Report, change: Change, seen: AsSeen) -> None:
    """Store a report with a further file; the signatures under it, which do not cover that file, are withdrawn."""
    utc_ns = laboratory.clock.utc_ns()
    with laboratory.reader() as reader:
        anchor = anchor_of_report(reader, report)
        if anchor is None:
            _store(laboratory, change, seen)
            return
        replaced = [Superseded(Report.kind, report.id, report.sample)]
        gone = withdrawal(reader, replaced, anchor.stream, laboratory.who, OTHER_FILE, utc_ns)
    at = Numbered(source_uri(laboratory.store.uuid, anchor.epoch), anchor.stream, anchor.sequence)
    messages = tuple((anchor.id, m) for m in gone.messages(laboratory.topics, at, utc_text(utc_ns)))
    because = OTHER_FILE if gone.changes else ""
    step = PublishRecords((change, *gone.changes), messages, seen, utc_ns, laboratory.who, because)
    laboratory.store.submit(step).result()


ACTS: Final = (
    Act("report_make", MakeReport, "measure", make),
    Act("report_day", ReportDay, "measure", report_day),
    Act("report_chart", ChartChoice, "measure", report_chart),
    Act("certificate_release", ReleaseCertificate, "review", release),
)
