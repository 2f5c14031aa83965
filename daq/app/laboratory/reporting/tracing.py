"""From a report, or its file, back to the results on it, their raw bytes, people, limits and verifications."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

from daq.adapters.store.agreement.one_run import disagreements_of_record, disagreements_of_run
from daq.adapters.store.archiving.archive_reader import holds_run, reads_archive
from daq.adapters.store.archiving.files import has_digest, sha256_of
from daq.adapters.store.archiving.joining import join_archives
from daq.adapters.store.audit import digest_of
from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by, newest_revision, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import Kept, kept
from daq.app.records.history import raw_journal
from daq.app.records.signatures import Releases, stored_signatures
from daq.app.screens.text import utc_iso, value_line
from daq.core.errors import ArchivedError, SettingError, StoreError, coded
from daq.laboratory.configuration import RunConfiguration
from daq.laboratory.kinds import number_of
from daq.laboratory.reports import Report, ShownResult
from daq.methods.parts.statement import Statement, distinct

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Traced:
    """A report and everything behind it, as JSON values."""

    report: Report
    about: dict[str, Any]
    results: list[dict[str, Any]]
    disagreements: list[str]
    objections: tuple[Statement, ...]
    """Why it is not used although nothing on it was withdrawn: something is rejected, or a verification failed since.

    Of a day or a chart those of single results are with the results only.
    """
    elsewhere: tuple[ShownResult, ...] = ()
    """Results of runs that the given archives do not have; nothing is known about them."""
    rejected: tuple[str, ...] = ()
    """Rejected subjects of it, as `daq sign` names them: a review of each lifts its rejection."""
    without_digest: tuple[str, ...] = ()
    """Archives without the file of their digest, from which alone it is read: they may have had more."""

    @property
    def is_superseded(self) -> bool:
        """True where a result on it is no longer the newest of its run."""
        return any(r["superseded_by"] for r in self.results)

    def as_json(self) -> dict[str, Any]:
        """Return all of it."""
        blocked = [s.model_dump(mode="json") for s in self.objections]
        own = {"report": self.about, "blocked": blocked, "rejected": [*self.rejected]}
        elsewhere = [{"run": shown.run, "result": shown.result} for shown in self.elsewhere]
        found = {"results": self.results, "elsewhere": elsewhere, "disagreements": self.disagreements}
        return own | found | {"without_digest": [*self.without_digest]}


def report_of_file(reader: Reader, digest: str) -> Kept[Report]:
    """Return the report of a file, by the SHA-256 (hex) of its bytes.

    Raises:
        SettingError: the database has no such report.
    """
    found = found_by(reader, Report.kind, "file", digest, limit=1)
    if not found:
        error = SettingError(
            f"no report has a file with this digest ({digest[:12]}): the file was changed, or it is of another database"
        )
        raise coded(
            error,
            "file_unknown",
            digest=digest[:12],
        )
    return kept(Report, found[0])


def trace_given(reader: Reader, named: Callable[[Reader], Kept[Report]]) -> Traced:
    """Return everything behind a report, from all files that a command was given.

    Args:
        reader: the database with the archives given beside it, or an archive with further ones.
        named: finds the report.

    Raises:
        SettingError: none of the files has the report.
        StoreError: a file cannot be read.
    """
    archives = [*([reader] if reads_archive(reader) else []), *reader.archives]
    from daq.adapters.store.archiving.checking import check_bytes  # `daq show` lists reports and traces none

    changed = [f"{f.what} {f.say}" for a in archives for f in check_bytes(a.path, sha256_of(a.path)) if not f.ok]
    if reader not in archives or len(archives) == 1:
        found = trace(reader, named(reader).record)
    else:
        report = _in_any(archives, named)
        with TemporaryDirectory() as folder:
            path = Path(folder) / "joined.archive"
            changed += join_archives([a.path for a in archives], path, [shown.run for shown in report.shown])
            with Reader(path) as joined:
                found = trace(joined, named(joined).record)
    # Beside the database the digest is in the record of the archive, and results and audit trail are whole there.
    unknown = tuple(a.path.name for a in archives if reader in archives and not has_digest(a.path))
    return replace(found, disagreements=[*changed, *found.disagreements], without_digest=unknown)


def _in_any(archives: list[Reader], named: Callable[[Reader], Kept[Report]]) -> Report:
    for archive in archives[:-1]:
        try:
            return named(archive).record
        except SettingError:
            continue
    return named(archives[-1]).record


def trace(reader: Reader, report: Report) -> Traced:
    """Return everything behind a report.

    Raises:
        StoreError: the database cannot be read.
    """
    is_archive = reads_archive(reader)
    elsewhere = tuple(s for s in report.shown if is_archive and not holds_run(reader, s.run, s.result))
    here = [shown for shown in report.shown if shown not in elsewhere]
    releases = Releases(reader)
    unreadable: list[str] = []
    rejected: tuple[str, ...] = ()
    objections = _read(lambda: releases.rejections(Report.kind, report.id), unreadable)
    if report.form not in ("day", "chart"):
        from daq.app.laboratory.signing.report_subjects import rejected_behind, report_objections

        objections = distinct([*objections, *_read(lambda: report_objections(releases, report), unreadable)])
        rejected = _read(lambda: rejected_behind(releases, report), unreadable)
    about = report_about(revisions(reader, Report.kind, report.id))
    about["signatures"] = _signatures(reader, report.id)
    about["release"] = releases.of_record(Report.kind, report.id, blocked=bool(objections))
    results = [_result(releases, shown, unreadable) for shown in here]
    runs = dict.fromkeys(shown.run for shown in here)
    texts = [d.text for run in runs for d in disagreements_of_run(reader.path, run)]
    texts += [d.text for d in disagreements_of_record(reader.path, Report.kind, report.id)]
    texts += [f"result {r['result']} is not as it was on the report" for r in results if not r["as_shown"]]
    return Traced(report, about, results, list(dict.fromkeys([*texts, *unreadable])), objections, elsewhere, rejected)


def _read(found: Callable[[], tuple[T, ...]], unreadable: list[str]) -> tuple[T, ...]:
    """Return statements or names; where a signature cannot be read, none, and its text is added to `unreadable`."""
    try:
        return found()
    except StoreError as error:
        unreadable.append(str(error))
        return ()


def _signatures(reader: Reader, report: str) -> list[dict[str, Any]]:
    """Return the signatures under a report, the withdrawn ones with time, person and reason."""
    out = []
    for stored in stored_signatures(reader, Report.kind, report):
        names = ("meaning", "by", "name", "signed_at", "because", "state", "digest")
        gone = {"at": utc_iso(stored.utc_ns), "who": stored.who, "because": stored.because}
        withdrawn = gone if stored.data.get("state") == "withdrawn" else None
        out.append({name: stored.data.get(name) for name in names} | {"withdrawn": withdrawn})
    return sorted(out, key=lambda s: str(s["signed_at"]))


def report_about(stored: list[StoredRecord]) -> dict[str, Any]:
    """Return a report, by its revisions, as JSON values with time, person and reason of release and withdrawal."""
    first, last = stored[0], stored[-1]
    withdrawn = last.data["state"] == "withdrawn"
    return {
        "id": last.id,
        "number": number_of(last.id),
        **{name: last.data[name] for name in ("form", "of", "title", "simulated", "issued", "state", "files")},
        "made": {"at": utc_iso(first.utc_ns), "who": first.who},
        "withdrawn": {"at": utc_iso(last.utc_ns), "who": last.who, "because": last.because} if withdrawn else None,
    }


def reports_of_run(reader: Reader, run: str) -> list[dict[str, Any]]:
    """Return the reports that show a run, oldest first, as `report_about`."""
    found = sorted(found_by(reader, Report.kind, "run", run, limit=-1), key=lambda r: r.id)
    about = [report_about(revisions(reader, Report.kind, r.id)) for r in found]
    return sorted(about, key=lambda r: r["made"]["at"])


def _result(releases: Releases, shown: ShownResult, unreadable: list[str]) -> dict[str, Any]:
    reader = releases.reader
    stored, newest, run = reader.result(shown.result), reader.newest_result(shown.run), reader.run(shown.run)
    as_shown = stored is not None and (digest_of(stored.data), stored.audit_head, stored.journal_digest) == (
        shown.data,
        shown.audit_head,
        shown.journal,
    )
    data: dict[str, Any] = {} if stored is None else values_of(stored)
    objections = () if run is None else _read(lambda: releases.objections(run), unreadable)
    later = newest is not None and newest.id != shown.result
    from daq.app.laboratory.reporting.shown import product_used

    product = product_used(reader, run)
    raw, trouble = _raw(reader, shown.run, unreadable)
    configuration = newest_revision(reader, RunConfiguration.kind, shown.run)
    return {
        "run": shown.run,
        "result": shown.result,
        "sample": "" if run is None else run.sample,
        "value": value_line(data) if data else None,
        "validity": data.get("validity"),
        "verdict": (data.get("verdict") or {}).get("verdict"),
        "as_shown": as_shown,
        "release": None if run is None else releases.of_run(run, newest),
        "blocked": [s.model_dump(mode="json") for s in objections],
        "superseded_by": newest.id if later and newest is not None else None,
        "audit": {"number": shown.audit_number, "head": shown.audit_head},
        "raw": {"digest": shown.journal, "bytes": len(raw), "trouble": trouble or None},
        "people": people_of(reader, shown.run),
        "operator": (data.get("origin") or {}).get("operator"),
        "attribution": (data.get("origin") or {}).get("attribution"),
        "method": data.get("method"),
        "product": {
            "id": product.id,
            "version": product.version,
            "approved_by": product.approved_by,
            "text": product.text_digest,
        },
        "limits": (data.get("verdict") or {}).get("limits"),
        "verified": data.get("verified"),
        "verified_counts": None if run is None else _verified_counts(releases, run, data),
        "controlled": data.get("controlled"),
        "fitted": None if configuration is None else configuration.data["fitted"],
        "files": [] if configuration is None else configuration.data["used"],
    }


def _verified_counts(releases: Releases, run: RunRecord, data: Mapping[str, Any]) -> bool | None:
    """Return whether the verification on a result counts as passed now; None where none is known."""
    verified = (data.get("verified") or {}).get("run")
    found = releases.trail(run.instrument).judged(verified) if verified else None
    return None if found is None else found.passed is True


def _raw(reader: Reader, run: str, unreadable: list[str]) -> tuple[bytes, str]:
    """Return the journal as `raw_journal`; where it is in an archive that was not given, the sentence that names it.

    Damage of a journal in an archive is added to `unreadable`.
    """
    try:
        raw, trouble = raw_journal(reader, run)
    except ArchivedError as error:
        if any(archive.journal_digest(run) for archive in reader.archives):
            unreadable.append(str(error))
        return b"", str(error)
    if trouble and reader.archives:
        unreadable.append(trouble)
    return raw, trouble


def people_of(reader: Reader, run: str) -> list[dict[str, Any]]:
    """Return the persons who acted on a run, with time and act, by the audit trail."""
    rows = reader.query("SELECT seq, utc_ns, who, what FROM audit WHERE subject = ? ORDER BY seq", [run])
    return [{"entry": r["seq"], "at": utc_iso(r["utc_ns"]), "who": r["who"], "what": r["what"]} for r in rows]
