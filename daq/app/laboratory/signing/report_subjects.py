"""Reports as subjects of signatures, and why a report must not be released."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from daq.adapters.store.declaring.publishing import AsSeen
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by
from daq.adapters.store.rows import ResultRecord
from daq.app.laboratory.laboratory import Kept, find, kept
from daq.app.laboratory.signing.single_runs import hidden_by_report
from daq.app.laboratory.signing.subjects import Subject, last_verified, run_subject
from daq.app.records.signatures import RUN, Releases, parts_of_record, rejection, signatures_of
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import LAST, REPORTABLE, number_of, reportable_id
from daq.laboratory.reports import WITHDRAWABLE, Report, ReportForm, ShownResult
from daq.laboratory.signing import Signature
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.digits import SHOWN_ID

LEAST_GIVEN: Final = 6
"""Least number of digits of a report's number by which it is looked for."""


def report_named(reader: Reader, name: str) -> Kept[Report]:
    """Return a report by its number, its whole digest, or a beginning of one; hyphens and capitals do not matter.

    Raises:
        SettingError: there is no such report, several begin like this, or the name is too short.
    """
    digits = name.replace("-", "").replace(" ", "").lower()
    if len(digits) < LEAST_GIVEN or not set(digits) <= set("0123456789abcdef"):
        raise coded(
            SettingError(f"{name!r} is no number of a report, and no file; give a file, or its number from the page"),
            "no_report_number",
            name=name,
        )
    found = found_by(reader, Report.kind, "id", digits, digits + LAST, limit=2)
    if not found:
        raise coded(
            SettingError(f"there is no report with the number {name}"), "unknown_name", what="report", name=name
        )
    if len(found) > 1:
        raise coded(
            SettingError(f"several reports begin with {name}; give more digits, or the file"),
            "several_reports",
            name=name,
        )
    return kept(Report, found[0])


def report_subject(releases: Releases, ident: str) -> Subject:
    """Return a report as a subject; a signature covers its record, which names all that it shows by digests.

    Raises:
        SettingError: there is no such report, or it shows no result.
    """
    reader = releases.reader
    stored = find(reader, Report, ident)
    if stored is None:
        raise coded(SettingError(f"there is no report {ident!r}"), "unknown_name", what="report", name=ident)
    report = stored.record
    anchor = anchor_of_report(reader, report)
    if anchor is None:
        raise coded(
            SettingError(f"report {ident} shows no result; there is nothing to sign"),
            "report_without_result",
            report=ident,
        )
    runs = tuple(r for name in dict.fromkeys(s.run for s in report.shown) if (r := reader.run(name)) is not None)
    subjects = [run_subject(releases, run) for run in runs]
    signatures = signatures_of(reader, Report.kind, ident)
    others = [name for name, _ in _sharing(reader, report.form, report.shown) if name != ident]
    return Subject(
        of=Report.kind,
        id=ident,
        sample=report.sample or next((run.sample for run in runs if run.id == report.of), ""),
        product=", ".join(dict.fromkeys(run.product for run in runs if run.product)),
        began_utc_ns=max(run.began_utc_ns for run in runs),
        anchor=anchor,
        parts=parts_of_record(reader, Report.kind, ident),
        runs=runs,
        seen=AsSeen(
            results=tuple((s.id, s.anchor.id) for s in subjects),
            records=((Report.kind, ident, stored.revision),),
            verified=tuple({last_verified(releases, run.instrument) for run in runs}),
            signed=tuple((Report.kind, name, len(signatures_of(reader, Report.kind, name))) for name in others),
        ),
        signatures=tuple(signatures),
        measured_by=frozenset(name for s in subjects for name in s.measured_by)
        | {s.by for s in signatures if s.meaning == "measured"},
        operator=", ".join(dict.fromkeys(s.operator for s in subjects)),
        shown=report.title,
        exceptions=tuple(dict.fromkeys(name for s in subjects for name in s.exceptions)),
        hindrances=distinct(_hindrances(releases, report, subjects)),
    )


def anchor_of_report(reader: Reader, report: Report) -> ResultRecord | None:
    """Return the newest result on a report, whose stream and number its messages have; None for one without results."""
    newest = max(report.shown, key=lambda s: s.audit_number, default=None)
    return None if newest is None else reader.result(newest.result)


@dataclass(frozen=True, slots=True)
class SharedRejection:
    """The rejection of a report that shows some of the same results; `runs` are the runs of these."""

    signature: Signature
    runs: tuple[str, ...]


def rejected_sharing(reader: Reader, form: ReportForm, shown: Iterable[ShownResult]) -> dict[str, SharedRejection]:
    """Return the rejections that block a certificate, with the results for which they do, by id of the rejected report.

    A rejected certificate blocks every certificate that shows one of its results, alone or with others, also under
    another number or for another customer, until that result has changed, or a review of the rejected one with a reason
    came after it.

    Args:
        reader: the database.
        form: form of the report; others than certificates meet no rejection.
        shown: the results that it shows.

    Raises:
        StoreError: a signature cannot be read.
    """
    found = {
        name: (rejection(signatures_of(reader, Report.kind, name)), runs)
        for name, runs in _sharing(reader, form, shown)
    }
    return {name: SharedRejection(last, runs) for name, (last, runs) in found.items() if last is not None}


def _sharing(reader: Reader, form: ReportForm, shown: Iterable[ShownResult]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield the ids of the certificates that show at least one of the same results, and the runs of these."""
    results = {s.result: s.run for s in shown}
    if form not in WITHDRAWABLE:
        return
    known: set[str] = set()
    for run in dict.fromkeys(results.values()):
        for stored in found_by(reader, Report.kind, "run", run, limit=-1):
            if stored.id in known or stored.data["form"] not in WITHDRAWABLE:
                continue
            known.add(stored.id)
            runs = tuple(dict.fromkeys(s["run"] for s in stored.data["shown"] if s["result"] in results))
            if runs:
                yield stored.id, runs


def _hindrances(releases: Releases, report: Report, subjects: Iterable[Subject]) -> Iterable[Statement]:
    """Yield why a report must not be released."""
    if report.form not in WITHDRAWABLE:
        # A correction does not withdraw these, so a release of them would outlive the results.
        yield state("report_is_internal")
    if report.state == "withdrawn":
        yield state("report_is_withdrawn")
    yield from releases.rejections(Report.kind, report.id)
    for other, last in rejected_sharing(releases.reader, report.form, report.shown).items():
        if other != report.id:
            runs = tuple(run[:SHOWN_ID] for run in last.runs)
            yield state("shown_result_rejected", who=last.signature.by, report=number_of(other), runs=runs)
    newest = {s.id: s.anchor.id for s in subjects}
    for shown in report.shown:
        if newest.get(shown.run) != shown.result:
            yield state("report_is_superseded", result=shown.result)
    if report.form == "certificate":
        for subject in subjects:
            yield from subject.hindrances
    yield from report_objections(releases, report)


def rejected_behind(releases: Releases, report: Report) -> tuple[str, ...]:
    """Return what is rejected of a report: itself, its runs, its reportable results, each as `daq sign` names it.

    A review of one with a reason lifts its rejection.

    Raises:
        StoreError: a signature cannot be read.
    """
    reader = releases.reader
    runs = [r for name in dict.fromkeys(s.run for s in report.shown) if (r := reader.run(name)) is not None]
    subjects = [(Report.kind, report.id), *((RUN, run.id) for run in runs)]
    tests = dict.fromkeys(run.method_id for run in runs) if report.sample else ()
    subjects += [(REPORTABLE, reportable_id(report.sample, test)) for test in tests]
    return tuple(ident for of, ident in subjects if rejection(signatures_of(reader, of, ident)) is not None)


def report_objections(releases: Releases, report: Report) -> tuple[Statement, ...]:
    """Return why the results on a report are not used: one of them, or the reportable result, is rejected or in doubt.

    A certificate of a single run is not used either where its sample has further results.

    Raises:
        StoreError: a signature cannot be read.
    """
    runs = [r for name in dict.fromkeys(s.run for s in report.shown) if (r := releases.reader.run(name)) is not None]
    found = [s for run in runs for s in releases.objections(run)]
    if report.sample:
        tests = {run.method_id for run in runs}
        for stored in found_by(releases.reader, REPORTABLE, "sample", report.sample, limit=-1):
            if stored.data["test"] in tests:
                found += releases.rejections(REPORTABLE, stored.id)
    return distinct([*found, *hidden_by_report(releases.reader, report)])
