"""Put together what reports about runs and samples show, from the store."""

import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by
from daq.adapters.store.rows import ResultRecord, RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.certificate_page import CertificateFacts, of_reportable, refusal
from daq.app.laboratory.reporting.page_blocks import Attached, Page, WorksHead
from daq.app.laboratory.reporting.result_page import RunFacts, result_page
from daq.app.laboratory.reporting.sample_page import sample_page
from daq.app.laboratory.reporting.sheet_pages import verification_blocks
from daq.app.laboratory.reporting.shown import (
    as_attached,
    product_used,
    refuse_changed,
    refuse_changed_record,
    shown_of,
)
from daq.app.laboratory.reporting.signature_lines import authorisation_lines, signature_lines
from daq.app.laboratory.signing.changed_samples import refuse_changed_sample
from daq.app.laboratory.signing.reportable_records import is_current
from daq.app.laboratory.signing.single_runs import hidden_by
from daq.app.records.attempts import AttemptWithData, attempt_of
from daq.app.records.derived import flow_curve, trend_of
from daq.app.records.history import History, history, raw_journal
from daq.app.records.judged.judging import judged, tried_of_sample
from daq.app.records.judged.product_versions import versions_of
from daq.app.records.readings import Readings, clock_of
from daq.app.records.replaying import maker
from daq.app.records.sheets.exporting import kept_columns, kept_rows, write_csv
from daq.app.records.signatures import RUN, Releases
from daq.app.screens.text import sentence
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import DaqError, SettingError, coded
from daq.laboratory.kinds import number_of, reportable_id
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import Report, ReportForm, ShownResult
from daq.methods.concluding.reportable import Reportable
from daq.methods.parts.statement import Statement, distinct, reasons_json


def run_page(reader: Reader, catalogue: Catalogue, run: RunRecord, works: WorksHead) -> Page:
    """Return the internal record of a run, or of a verification its certificate, with the stored data attached.

    Raises:
        SettingError: the run has no result yet.
        StoreError: stored data do not agree with the audit trail.
    """
    refuse_changed(reader, f"run {run.id}", [run.id])
    found = history(reader, run)
    if found.data is None or found.result is None or run.state != "ended":
        raise coded(
            SettingError(f"run {run.id} has no result yet; a report is made after its end"),
            "run_without_result",
            run=run.id,
        )
    raw, _ = raw_journal(reader, run.id)
    make = maker(catalogue.drivers)
    try:
        trend = trend_of(found, raw, make)
        kept = [_kept_csv(found, raw, make)]
    except DaqError:  # a driver that is not installed any more, or a damaged journal: the page does without
        trend, kept = None, []
    curve = flow_curve(found)
    about = found.as_json()
    # The delivery of messages goes on; a report shows what does not change.
    del about["messages"]
    stored = about | {"flow_curve": None if curve is None else curve.model_dump(mode="json")}
    given = RunFacts(
        history=about,
        product=product_used(reader, run),
        shown=shown_of(found.result),
        trend=trend,
        curve=curve,
        signed=signature_lines(Releases(reader), [(RUN, run.id)]),
        attached=(as_attached("record.json", stored, "Everything that is stored of the run"), *kept),
        extra=verification_blocks(found.data),
    )
    check = found.data.get("verification") or {}
    form: ReportForm = "verification" if check and check.get("kind") != "control" else "result"
    return result_page(given, works, found.result.created_utc_ns, form)


def _kept_csv(found: History, raw: bytes, make: Any) -> Attached:
    readings = Readings(raw, make, found.plan)
    began, offset = clock_of(raw)
    rows = kept_rows(found.kept, readings.units, [s.name for s in readings.plan.steps], began, offset)
    out = io.StringIO(newline="")
    write_csv(out, kept_columns(readings.units), rows)
    return Attached("kept.csv", "text/csv", out.getvalue(), "The kept values with the statistics of every signal")


def sample_record(reader: Reader, sample: str, runs: Sequence[RunRecord], works: WorksHead) -> Page:
    """Return the internal record of a sample, with the results of its runs attached; errors as in `run_page`."""
    attempts, found = _reported(reader, sample, runs)
    counted = _first_counted(found, attempts)
    releases = Releases(reader)
    stored_value = None if counted is None else _stored_value(releases, found, counted)
    subjects = [] if stored_value is None else [(ReportableRecord.kind, stored_value.id)]
    data = None if counted is None or found.value is None else of_reportable(found, counted)
    results = [result for r in runs if (result := reader.newest_result(r.id)) is not None]
    stored = {r.run: values_of(r) for r in results}
    first = next((a.run for a in found.attempts if a.counted), runs[0].id)
    return sample_page(
        found,
        data,
        product_used(reader, reader.run(first)),
        [shown_of(r) for r in results],
        works,
        max((r.created_utc_ns for r in results), default=runs[-1].began_utc_ns),
        simulated=any(r.simulated for r in runs),
        signed=signature_lines(releases, [*subjects, *((RUN, run.id) for run in runs)]),
        attached=(as_attached("sample.json", stored, "The newest result of each run"),),
    )


def certificate_of_run(reader: Reader, run: RunRecord, seen: str = "", *, needs_release: bool) -> CertificateFacts:
    """Return what the certificate of a run shows.

    Args:
        reader: the database.
        run: the run.
        seen: id of the result that the person saw; "" means the newest one.
        needs_release: whether a person must have signed it as released.

    Raises:
        SettingError: the result may not have a certificate; the text says why.
        StoreError: stored data do not agree with the audit trail.
    """
    refuse_changed(reader, f"run {run.id}", [run.id])
    newest = reader.newest_result(run.id)
    if newest is not None and seen and seen != newest.id:
        raise coded(
            SettingError(f"result {seen} is superseded; use the newest of run {run.id}: {newest.id}"),
            "result_not_newest",
            run=run.id,
            newest=newest.id,
        )
    attempt, data = attempt_of(reader, run)
    refuse_changed_sample(reader, run.sample, [run])
    releases = Releases(reader)
    why = refusal(data, (attempt, data), run.state, against_alone(releases, run, newest, needed=needs_release))
    if why or data is None or newest is None:
        raise coded(
            SettingError(f"run {run.id} has no certificate: {sentence(why)}"),
            "no_certificate",
            what="run",
            name=run.id,
            reasons=reasons_json(why),
        )
    return CertificateFacts(
        of=run.id,
        data=data,
        product=product_used(reader, run),
        shown=(shown_of(newest),),
        signed=authorisation_lines(releases, RUN, run.id),
    )


def certificate_of_sample(
    reader: Reader, sample: str, runs: Sequence[RunRecord], *, needs_release: bool
) -> CertificateFacts:
    """Return what the certificate of a sample shows: its reportable result; errors as in `certificate_of_run`.

    Where it needs a release, that of the stored reportable result counts, and the certificate shows the same value.
    """
    refuse_changed_sample(reader, sample, ())
    attempts, found = _reported(reader, sample, runs)
    counted = _first_counted(found, attempts)
    if counted is None:
        why = distinct(s for a in found.attempts for s in a.why)
        raise coded(
            SettingError(f"sample {sample} has no certificate: {'; '.join(s.text for s in why or (found.how,))}"),
            "no_certificate",
            what="sample",
            name=sample,
            reasons=reasons_json(why or (found.how,)),
        )
    data = of_reportable(found, counted)
    used = [a.run for a in found.attempts if a.counted]
    releases, ident = Releases(reader), reportable_id(sample, counted["method"]["id"])
    refuse_changed_record(reader, ReportableRecord.kind, ident)
    kept = _stored_value(releases, found, counted)
    own = [run for run in runs if run.id in used]
    refuse_changed_sample(reader, sample, own)
    against = releases.against_reportable(ident, kept, own, needed=needs_release)
    if against:
        raise coded(
            SettingError(f"sample {sample} has no certificate: {sentence(against)}"),
            "no_certificate",
            what="sample",
            name=sample,
            reasons=reasons_json(against),
        )
    results = [r for run in used if (r := reader.newest_result(run)) is not None]
    # One run is shown as it is; its words on the span and the conditions hold.
    how = "" if len(used) == 1 else found.how.text
    simulated = any(d is not None and d["simulated"] for a, d in attempts if a.run in used)
    return CertificateFacts(
        of=sample,
        data=data | {"simulated": simulated},
        product=product_used(reader, reader.run(used[0])),
        shown=tuple(shown_of(r) for r in results),
        counted=tuple(d for a, d in attempts if d is not None and a.run in used),
        how=how,
        sample=sample,
        signed=() if kept is None else authorisation_lines(releases, ReportableRecord.kind, ident),
    )


def against_alone(
    releases: Releases, run: RunRecord, newest: ResultRecord | None, *, needed: bool
) -> tuple[Statement, ...]:
    """Return why a run has no certificate of its own: as `Releases.against_run`, or its sample has further results."""
    return (*releases.against_run(run, newest, needed=needed), *hidden_by(releases.reader, run))


def with_customer(reader: Reader, given: CertificateFacts, customer: str) -> CertificateFacts:
    """Return what a certificate shows with its customer, and the withdrawn certificates that it replaces."""
    name = "sample" if given.sample else "of"
    found = found_by(reader, Report.kind, name, given.of, limit=-1)
    numbers = [number_of(r.id) for r in found if (r.data["state"], r.data["form"]) == ("withdrawn", "certificate")]
    return replace(given, customer=customer, replaces=tuple(numbers))


def newest_utc_ns(reader: Reader, shown: Iterable[ShownResult]) -> int:
    """Return the time at which the newest of these results was stored (UTC, ns); 0 without results."""
    found = (reader.result(s.result) for s in shown)
    return max((r.created_utc_ns for r in found if r is not None), default=0)


def _reported(reader: Reader, sample: str, runs: Sequence[RunRecord]) -> tuple[list[AttemptWithData], Reportable]:
    """Return the runs of a sample with their newest results, and its reportable result.

    Raises:
        SettingError: the runs name several products, or one that is not known.
        StoreError: stored data do not agree with the audit trail.
    """
    refuse_changed(reader, f"sample {sample}", [r.id for r in runs], sample=sample)
    names = {r.product for r in runs if r.product}
    if len(names) > 1:
        raise coded(
            SettingError(f"the runs of {sample} name several products: {', '.join(sorted(names))}"),
            "several_products",
            sample=sample,
            products=", ".join(sorted(names)),
        )
    tried = tried_of_sample(reader, sample)
    return [t.attempt for t in tried if t.moved is None], judged(sample, tried, versions_of(reader))


def _stored_value(releases: Releases, found: Reportable, counted: Mapping[str, Any]) -> ReportableRecord | None:
    """Return the stored reportable result that has the value and the runs of a computed one; None without one.

    `counted` is the first result that counts.
    """
    kept = find(releases.reader, ReportableRecord, reportable_id(found.sample, counted["method"]["id"]))
    if kept is None or not is_current(releases, kept.record):
        return None
    data = kept.record.data
    runs = [a.run for a in data.attempts if a.counted]
    same = (data.value, data.unit, runs) == (found.value, found.unit, [a.run for a in found.attempts if a.counted])
    return kept.record if same else None


def _first_counted(found: Reportable, attempts: Sequence[AttemptWithData]) -> dict[str, Any] | None:
    counted = {a.run for a in found.attempts if a.counted}
    return next((data for a, data in attempts if a.run in counted), None)
