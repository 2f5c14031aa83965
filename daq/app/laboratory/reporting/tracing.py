"""From a report, or its file, back to the results on it, their raw bytes, people, limits and verifications."""

import json
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.store.agreement.one_run import disagreements_of_run
from daq.adapters.store.agreement.record_rows import of_records
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.audit import digest_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by, newest_revision, revisions
from daq.app.laboratory.laboratory import Kept, kept
from daq.app.laboratory.reporting.page_blocks import number_of
from daq.app.laboratory.reporting.shown import product_used
from daq.app.records.history import raw_journal
from daq.app.screens.text import utc_iso, value_line
from daq.core.errors import SettingError
from daq.laboratory.configuration import RunConfiguration
from daq.laboratory.record import LAST
from daq.laboratory.reports import Report, ShownResult

LEAST_GIVEN: Final = 6
"""Least number of digits of a report's number by which it is looked for."""


@dataclass(frozen=True, slots=True)
class Traced:
    """A report and everything behind it, as JSON values."""

    report: Report
    about: dict[str, Any]
    results: list[dict[str, Any]]
    disagreements: list[str]

    @property
    def is_superseded(self) -> bool:
        """True where a result on it is no longer the newest of its run."""
        return any(r["superseded_by"] for r in self.results)

    def as_json(self) -> dict[str, Any]:
        """Return all of it."""
        return {"report": self.about, "results": self.results, "disagreements": self.disagreements}


def report_of_file(reader: Reader, digest: str) -> Kept[Report]:
    """Return the report of a file, by the SHA-256 (hex) of its bytes.

    Raises:
        SettingError: the database has no such report.
    """
    found = found_by(reader, Report.kind, "file", digest, limit=1)
    if not found:
        raise SettingError(
            f"no report has a file with this digest ({digest[:12]}): the file was changed, or it is of another database"
        )
    return kept(Report, found[0])


def report_named(reader: Reader, name: str) -> Kept[Report]:
    """Return a report by its number, its whole digest, or a beginning of one; hyphens and capitals do not matter.

    Raises:
        SettingError: there is no such report, several begin like this, or the name is too short.
    """
    digits = name.replace("-", "").replace(" ", "").lower()
    if len(digits) < LEAST_GIVEN or not set(digits) <= set("0123456789abcdef"):
        raise SettingError(f"{name!r} is no number of a report, and no file; give a file, or its number from the page")
    found = found_by(reader, Report.kind, "id", digits, digits + LAST, limit=2)
    if not found:
        raise SettingError(f"there is no report with the number {name}")
    if len(found) > 1:
        raise SettingError(f"several reports begin with {name}; give more digits, or the file")
    return kept(Report, found[0])


def trace(reader: Reader, report: Report) -> Traced:
    """Return everything behind a report.

    Raises:
        StoreError: the database cannot be read.
    """
    about = report_about(revisions(reader, Report.kind, report.id))
    results = [_result(reader, shown) for shown in report.shown]
    runs = dict.fromkeys(shown.run for shown in report.shown)
    texts = [d.text for run in runs for d in disagreements_of_run(reader.path, run)]
    with Stored(reader.path) as stored, stored.snapshot():
        texts += [d.text for d in of_records(stored, Report.kind, report.id)]
    texts += [f"result {r['result']} is not as it was on the report" for r in results if not r["as_shown"]]
    return Traced(report, about, results, list(dict.fromkeys(texts)))


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


def _result(reader: Reader, shown: ShownResult) -> dict[str, Any]:
    stored, newest, run = reader.result(shown.result), reader.newest_result(shown.run), reader.run(shown.run)
    as_shown = stored is not None and (digest_of(stored.data), stored.audit_head, stored.journal_digest) == (
        shown.data,
        shown.audit_head,
        shown.journal,
    )
    data: dict[str, Any] = {} if stored is None else json.loads(stored.data)
    later = newest is not None and newest.id != shown.result
    product = product_used(reader, shown.run, "" if run is None else run.product)
    raw, trouble = raw_journal(reader, shown.run)
    configuration = newest_revision(reader, RunConfiguration.kind, shown.run)
    return {
        "run": shown.run,
        "result": shown.result,
        "sample": "" if run is None else run.sample,
        "value": value_line(data) if data else None,
        "validity": data.get("validity"),
        "verdict": (data.get("verdict") or {}).get("verdict"),
        "as_shown": as_shown,
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
        "fitted": None if configuration is None else configuration.data["fitted"],
        "files": [] if configuration is None else configuration.data["used"],
    }


def people_of(reader: Reader, run: str) -> list[dict[str, Any]]:
    """Return the persons who acted on a run, with time and act, by the audit trail."""
    rows = reader.query("SELECT seq, utc_ns, who, what FROM audit WHERE subject = ? ORDER BY seq", [run])
    return [{"entry": r["seq"], "at": utc_iso(r["utc_ns"]), "who": r["who"], "what": r["what"]} for r in rows]
