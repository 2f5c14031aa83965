"""Announce in a transaction which releases are suspended or in force again.

It is that of a verification, of a calibration, or of a decision.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.access import Access
from daq.adapters.store.audit import source_uri
from daq.adapters.store.newest_runs import names_of_instrument
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, change_record, found_by
from daq.adapters.store.rows import Outgoing, ResultRecord, RunRecord
from daq.adapters.store.steps import Follow, publish
from daq.adapters.store.within import ReaderWithin, signatures_on_results, signatures_on_runs
from daq.app.delivery.record_messages import Numbered, signature_message
from daq.app.laboratory.laboratory import changed, find, new
from daq.app.laboratory.signing.report_subjects import anchor_of_report
from daq.app.laboratory.signing.withdrawing import signature_data
from daq.app.records.checks.audited_checks import Entry
from daq.app.records.checks.doubts import window
from daq.app.records.checks.outside_calibrations import (
    OutsideCalibration,
    SeenResults,
    outside_of_piece,
    results_in_doubt,
)
from daq.app.records.signatures import (
    RUN,
    Releases,
    digest_of_parts,
    failed_after,
    parts_of_record,
    parts_of_run,
)
from daq.core.errors import StoreError
from daq.laboratory.kinds import LAST
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import Report
from daq.laboratory.signing import Signature, Suspension
from daq.methods.messages.signaturedata import ResumedData, SignatureData, SuspendedData, WithdrawnData
from daq.methods.parts.statement import distinct

_Failed = Entry | OutsideCalibration
SUSPENDED, RESUMED = "release_suspended", "release_resumed"
"""Names of the changes in the audit trail."""


def suspending(topics: Topics | None, instrument: str, utc_ns: int, who: str, because: str = "") -> Follow:
    """Return the last step of a transaction that changes what is in doubt on an instrument.

    It compares each release with what subscribers know of it.  Where a release is suspended or holds again since then,
    it stores and publishes that.

    Args:
        topics: topics of the messages; None: nothing is published.
        instrument: the instrument.
        utc_ns: the time.
        who: the person whose verification, correction or decision it is.
        because: the person's reason; "" for a verification.
    """

    def announce(access: Access) -> None:
        releases = Releases(ReaderWithin(access))
        _announce(access, topics, releases, _concerned(releases, instrument), _By(utc_ns, who, because))

    return announce


def suspending_by_calibration(
    topics: Topics | None, ident: str, utc_ns: int, who: str, because: str, known: SeenResults
) -> Follow:
    """Return the last step of the transaction that records the calibration `ident`; otherwise as `suspending`.

    The results in `known` were read before, so that the transaction, for which all others wait, is short.
    """

    def announce(access: Access) -> None:
        releases = Releases(ReaderWithin(access))
        concerned = _concerned_by_calibration(releases.reader, ident, known)
        _announce(access, topics, releases, concerned, _By(utc_ns, who, because))

    return announce


@dataclass(frozen=True, slots=True)
class _By:
    """Time, person and reason of a change."""

    utc_ns: int
    who: str
    because: str


@dataclass(frozen=True, slots=True)
class _Released:
    """The sample and the runs of a release, and the result whose messages are numbered with it.

    Attributes:
        sample: sample, for the messages.
        runs: the runs whose results it consists of.
        anchor: the result whose stream and number the messages have.
    """

    sample: str
    runs: tuple[RunRecord, ...]
    anchor: ResultRecord


def _announce(access: Access, topics: Topics | None, releases: Releases, concerned: list[str], by: _By) -> None:
    messages: list[tuple[str, Outgoing]] = []
    for ident in concerned:
        try:
            found = _difference(releases, ident, by)
        except (StoreError, ValidationError):  # a signature that was changed behind the program's back releases nothing
            continue
        if found is None:
            continue
        change, anchor, data = found
        change_record(access, change, by.utc_ns, by.who, by.because)
        if topics is not None:
            at = Numbered(source_uri(access.source, anchor.epoch), anchor.stream, anchor.sequence)
            messages.append((anchor.id, signature_message(topics, data, at, utc_text(by.utc_ns))))
    publish(access, messages, by.utc_ns, by.who)


def _concerned(releases: Releases, instrument: str) -> list[str]:
    """Return the ids of the signatures under what verifications and controls of an instrument put in doubt."""
    reader, out = releases.reader, list[str]()
    for name in names_of_instrument(reader, instrument):
        verified = releases.trail(name).deciding()
        out += [s.id for s in found_by(reader, Suspension.kind, "instrument", name, limit=-1)]
        for e in verified:
            if e.doubt is not None:
                out += signatures_on_results(reader, name, *window(verified, e, name))
    return list(dict.fromkeys(out))


def _concerned_by_calibration(reader: Reader, ident: str, known: SeenResults) -> list[str]:
    """Return the ids of the signatures under what calibrations of a piece put in doubt, and of all that are suspended.

    A calibration that was corrected puts nothing in doubt any more, and one may move the limits of another.
    """
    out = [s.id for s in found_by(reader, Suspension.kind, "instrument", "", LAST, limit=-1)]
    doubted = {run for c in outside_of_piece(reader, ident) for _, run in results_in_doubt(reader, c, known)}
    return list(dict.fromkeys([*out, *signatures_on_runs(reader, doubted)]))


def runs_of(reader: Reader, calibration: OutsideCalibration, known: SeenResults | None = None) -> list[RunRecord]:
    """Return the runs whose results a calibration puts in doubt, oldest first, without verifications and controls.

    `known` is as in `results_in_doubt`.
    """
    runs = (reader.run(run) for _, run in results_in_doubt(reader, calibration, known))
    releases = Releases(reader)
    return [r for r in runs if r is not None and not releases.trail(r.instrument).is_check(r.id)]


def _difference(releases: Releases, ident: str, by: _By) -> tuple[Change, ResultRecord, SignatureData] | None:
    """Return what a signature's subscribers do not know yet: record, result and contents; None where they know all."""
    reader = releases.reader
    signed = find(reader, Signature, ident)
    if signed is None or signed.record.state != "in_force" or signed.record.meaning != "released":
        return None
    signature = signed.record
    released = _released(reader, signature)
    if released is None:
        return None
    failed = _failed(releases, released.runs)
    known = find(reader, Suspension, ident)
    now = Suspension(
        id=ident,
        of=signature.of,
        subject=signature.subject,
        verifications=tuple(dict.fromkeys(e.ident for e, _ in failed)),
        instruments=tuple(dict.fromkeys(name for _, name in failed)),
    )
    # A release that is suspended by the same on one more instrument has to be found by that one, too.
    if _key(now) == (((), set()) if known is None else _key(known.record)):
        return None
    what = SUSPENDED if failed else RESUMED
    change = new(now, what) if known is None else changed(known, now, what)
    return change, released.anchor, _contents(signature, released, failed, change.after + 2, by)


def _key(of: Suspension) -> tuple[tuple[str, ...], set[str]]:
    return of.verifications, set(of.instruments)


def _contents(
    signature: Signature, released: _Released, failed: list[tuple[_Failed, str]], revision: int, by: _By
) -> SignatureData:
    at = utc_text(by.utc_ns)
    plain = signature_data(signature, released.sample, released.anchor.stream, revision=revision)
    if not failed:
        return plain.model_copy(update={"resumed": ResumedData(by=by.who, at=at, because=by.because)})
    because = "; ".join(s.text for s in distinct(failed_after(e, name) for e, name in failed))
    suspended = tuple(SuspendedData(verification=e.ident, instrument=name, at=utc_text(e.utc_ns)) for e, name in failed)
    # A subscriber that does not know `suspended` takes it as withdrawn, and uses the result no more.
    gone = WithdrawnData(by=by.who, at=at, because=because)
    return plain.model_copy(update={"state": "withdrawn", "withdrawn": gone, "suspended": suspended})


def _failed(releases: Releases, runs: Iterable[RunRecord]) -> list[tuple[_Failed, str]]:
    """Return what suspends a release of runs, each with each instrument of a run, oldest first.

    A calibration of a thermometer concerns runs of all instruments that it measures for.
    """
    found = {(e.ident, run.instrument): (e, run.instrument) for run in runs for e in releases.failures(run)}
    return sorted(found.values(), key=lambda each: each[0].seq)


def _released(reader: Reader, signature: Signature) -> _Released | None:
    """Return what a signature releases; None where that is not what was signed."""
    if signature.of == RUN:
        run, newest = reader.run(signature.subject), reader.newest_result(signature.subject)
        if run is None or newest is None or digest_of_parts(parts_of_run(reader, newest)) != signature.digest:
            return None
        return _Released(run.sample, (run,), newest)
    if digest_of_parts(parts_of_record(reader, signature.of, signature.subject)) != signature.digest:
        return None
    if signature.of == Report.kind:
        report = find(reader, Report, signature.subject)
        anchor = None if report is None else anchor_of_report(reader, report.record)
        if report is None or anchor is None:
            return None
        runs = _runs(reader, (shown.run for shown in report.record.shown))
        return _Released(report.record.sample or runs[0].sample, runs, anchor)
    value = find(reader, ReportableRecord, signature.subject)
    if value is None:
        return None
    attempts = value.record.data.attempts
    found = (reader.newest_result(a.run) for a in reversed(attempts))
    anchor = next((result for result in found if result is not None), None)
    counted = _runs(reader, (a.run for a in attempts if a.counted))
    return None if anchor is None else _Released(value.record.sample, counted, anchor)


def _runs(reader: Reader, names: Iterable[str]) -> tuple[RunRecord, ...]:
    return tuple(run for name in dict.fromkeys(names) if (run := reader.run(name)) is not None)
