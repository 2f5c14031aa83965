"""The acts that make a report: its PDF, and the record by which the file is traced."""

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change
from daq.adapters.store.rows import RunRecord
from daq.app.delivery.record_messages import Numbered
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.app.laboratory.lists.fixing_limits import ChartChoice, charts_of, only_one
from daq.app.laboratory.moments import span_of_day
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.reporting import about_runs
from daq.app.laboratory.reporting.certificate_page import certificate_page
from daq.app.laboratory.reporting.page_blocks import Page, WorksHead, encoded, number_of
from daq.app.laboratory.reporting.sheet_pages import chart_page, day_page
from daq.app.laboratory.reporting.shown import LARGEST_ATTACHED, as_attached, newest_shown, refuse_changed
from daq.app.laboratory.reporting.typesetting import typeset
from daq.app.laboratory.reporting.works_head import FILE, FOLDER, fonts_of, works_of
from daq.app.laboratory.signing.report_subjects import anchor_of_report
from daq.app.laboratory.signing.withdrawing import Superseded, withdrawal
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.signatures import Releases, signatures_of
from daq.app.screens.text import sentence
from daq.core.errors import SettingError
from daq.laboratory.controlchart import as_json
from daq.laboratory.reports import Report
from daq.methods.files.fields import Label, Model, NeededLabel

MADE, MADE_AGAIN = "report_made", "report_made_again"
OTHER_FILE: Final = "another version of the software made another file of it"
"""Reason of the withdrawal of signatures under a report."""


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
    with laboratory.reader() as reader:
        runs = _runs_named(reader, order.of)
        if isinstance(runs, RunRecord):
            page = about_runs.run_page(reader, laboratory.catalogue, runs, works)
        else:
            page = about_runs.sample_record(reader, laboratory.catalogue, order.of, runs, works)
    return _released(laboratory, lambda _: page)


def release(laboratory: Laboratory, order: ReleaseCertificate) -> dict[str, Any]:
    """Make the certificate of a run or of a sample.

    Raises:
        SettingError: the result may not have a certificate, the works have no name, or a library is missing.
        StoreError: stored data do not agree with the audit trail.
    """
    works = _works(laboratory)
    if works is None:
        file = laboratory.catalogue.folder / FOLDER / FILE
        raise SettingError("a certificate names its laboratory; write name and address into this file", file=str(file))
    catalogue = laboratory.catalogue
    # Persons are known only where people are switched on; elsewhere the page is signed by hand.
    needed = catalogue.daemon.people.required
    with laboratory.reader() as reader:
        runs = _runs_named(reader, order.of)
        if isinstance(runs, RunRecord):
            given = about_runs.certificate_of_run(reader, runs, order.result, needs_release=needed)
        else:
            given = about_runs.certificate_of_sample(reader, catalogue, order.of, runs, needs_release=needed)
        given = about_runs.with_customer(reader, given, order.customer)
        made = about_runs.newest_utc_ns(reader, given.shown)
    return _released(laboratory, lambda issued: certificate_page(given, works, issued, made))


def report_day(laboratory: Laboratory, order: ReportDay) -> dict[str, Any]:
    """Make the sheet of a day; its date is the end of the newest run on it.

    Raises:
        SettingError: the text is no day, or a library is missing.
    """
    begin, end = span_of_day(order.day, laboratory.clock.utc_ns())
    with laboratory.reader() as reader:
        sheet = day_sheet(reader, begin, end, order.instrument)
        runs = [r.run.run for rows in sheet.instruments.values() for r in rows]
        refuse_changed(reader, f"day {order.day}", runs)
        shown = newest_shown(reader, runs)
        made = about_runs.newest_utc_ns(reader, shown) or begin
    attached = as_attached("day.json", sheet.as_json(), "The runs of the day with their newest results")
    works = _works(laboratory) or WorksHead()
    page = day_page(order.day, order.instrument, sheet, shown, works, made, (attached,))
    return _released(laboratory, lambda _: page)


def report_chart(laboratory: Laboratory, order: ChartChoice) -> dict[str, Any]:
    """Make the page of a control chart.

    Raises:
        SettingError: there is no such chart or several, it has no points, or a library is missing.
    """
    chart = only_one(charts_of(laboratory, order), order.geometry, order.quantity)
    if not chart.points:
        raise SettingError("the chart has no points; without --pdf it says why")
    runs = list(dict.fromkeys(run for p in chart.points for run in p.runs))
    with laboratory.reader() as reader:
        shown = newest_shown(reader, runs)
        made = about_runs.newest_utc_ns(reader, shown)
    attached = as_attached("chart.json", as_json(chart), "The points of the chart with their runs")
    works = _works(laboratory) or WorksHead()
    page = chart_page(chart, shown, works, made, (attached,))
    return _released(laboratory, lambda _: page)


def _works(laboratory: Laboratory) -> WorksHead | None:
    return works_of(laboratory.catalogue.folder)


def _runs_named(reader: Reader, name: str) -> RunRecord | list[RunRecord]:
    """Return one run, or all runs of a sample, oldest first, where `name` is that of a sample.

    Raises:
        SettingError: there is no such run or sample.
    """
    of_sample = reader.runs(limit=-1, sample=name)
    return sorted(of_sample, key=lambda r: r.began_utc_ns) if of_sample else find_run(reader, name)


def _released(laboratory: Laboratory, page_of: Callable[[str], Page]) -> dict[str, Any]:
    """Return the PDF of a page with its number, and keep its record.

    The same page is the same report: it keeps the day of its first issue, so its file has the same bytes.

    Args:
        laboratory: the records.
        page_of: makes the page for a day of issue; "" for the page whose digest is the id.

    Raises:
        SettingError: the report was withdrawn or rejected, or its attached files are too large.
    """
    bare = page_of("")
    if sum(len(a.text) for a in bare.attached) > LARGEST_ATTACHED:
        raise SettingError("the report is too large; make one for fewer runs, or use --json")
    ident = bare.digest
    with laboratory.reader() as reader:
        stored = find(reader, Report, ident)
        rejected = Releases(reader).rejections(Report.kind, ident)
    if stored is not None and stored.record.state == "withdrawn":
        raise SettingError(f"report {number_of(ident)} was withdrawn: {stored.because}; the result has changed since")
    if rejected:
        raise SettingError(f"report {number_of(ident)} is not made: {sentence(rejected)}")
    day = datetime.fromtimestamp(laboratory.clock.utc_ns() // 10**9, UTC).date().isoformat()
    issued = day if stored is None else stored.record.issued
    pdf = typeset(page_of(issued), ident, fonts_of(laboratory.catalogue.folder))
    file = hashlib.sha256(pdf).hexdigest()
    if stored is None:
        report = Report(
            id=ident,
            form=bare.form,
            of=bare.of,
            sample=bare.sample,
            title=f"{bare.title}, {bare.subtitle}"[:200],
            simulated=bare.simulated,
            issued=issued,
            files=(file,),
            shown=bare.shown,
        )
        laboratory.change(new(report, MADE))
    elif file not in stored.record.files:
        again = stored.record.model_copy(update={"files": (*stored.record.files, file)})
        _store_again(laboratory, stored.record, changed(stored, again, MADE_AGAIN))
    return {"id": ident, "number": number_of(ident), "file": file, "title": bare.title, "pdf": encoded(pdf)}


def _store_again(laboratory: Laboratory, report: Report, change: Change) -> None:
    """Store a report with a further file; the signatures under it, which do not cover that file, are withdrawn."""
    utc_ns = laboratory.clock.utc_ns()
    with laboratory.reader() as reader:
        anchor = anchor_of_report(reader, report)
        if anchor is None:
            laboratory.change(change)
            return
        replaced = [Superseded(Report.kind, report.id, report.sample)]
        gone = withdrawal(reader, replaced, anchor.stream, laboratory.who, OTHER_FILE, utc_ns)
        signed = ((Report.kind, report.id, len(signatures_of(reader, Report.kind, report.id))),)
    at = Numbered(source_uri(laboratory.store.uuid, anchor.epoch), anchor.stream, anchor.sequence)
    messages = tuple((anchor.id, m) for m in gone.messages(laboratory.topics, at, utc_text(utc_ns)))
    because = OTHER_FILE if gone.changes else ""
    step = PublishRecords((change, *gone.changes), messages, AsSeen(signed=signed), utc_ns, laboratory.who, because)
    laboratory.store.submit(step).result()


ACTS: Final = (
    Act("report_make", MakeReport, "measure", make),
    Act("report_day", ReportDay, "measure", report_day),
    Act("report_chart", ChartChoice, "measure", report_chart),
    Act("certificate_release", ReleaseCertificate, "review", release),
)
