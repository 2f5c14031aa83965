"""Queries of the review: records to sign, repeats that wait for a cause, and results in doubt."""

from typing import Any, Final

from daq.app.daemon.queries.desk_asked import MOST_SIGNED, DoubtsAsked, RepeatsAsked, SigningAsked
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.repeats import waiting_for_cause
from daq.app.laboratory.signing.affected_runs import affected_first, failed_checks
from daq.app.laboratory.signing.signing_list import Asked, SigningList, named_subject, signing_list
from daq.app.laboratory.signing.subjects import Subject, refusals
from daq.app.records.checks.audited_checks import Entry
from daq.app.records.checks.outside_calibrations import OutsideCalibration, outside_calibrations
from daq.app.records.run_rows import entry
from daq.app.records.signatures import Releases
from daq.app.screens.text import utc_iso
from daq.core.encoding import encode
from daq.laboratory.people import Person
from daq.process.moments import bound

MOST_IN_DOUBT: Final = 100
"""Greatest number of runs in doubt that are sent; those without a decision come first."""
MOST_LEFT_OUT: Final = 40
"""Greatest number of records that are listed with the reason why they must not be signed."""


def _signing(sources: Sources, asked: SigningAsked) -> dict[str, Any]:
    """Return what a person can sign, exceptions first, and what is left out with the reasons."""
    reader, catalogue = sources.reader, sources.catalogue()
    kept = find(reader, Person, asked.person) if asked.person else None
    person = None if kept is None else kept.record
    releases = Releases(reader)
    if asked.subject:
        subject = named_subject(releases, asked.subject)
        own = catalogue.daemon.people.review_own
        why = refusals(subject, asked.meaning, person, review_own=own, alone=True)
        found = SigningList([] if why else [subject], [(subject, why)] if why else [], [], [], 0, None)
    else:
        wanted = Asked(
            meaning=asked.meaning,
            person=person,
            since_utc_ns=bound(asked.since, sources.utc_ns, "since", end=False),
            until_utc_ns=bound(asked.until, sources.utc_ns, "until", end=True),
            product=asked.product,
            instrument=asked.instrument,
            reportables=asked.what == "reportables",
        )
        found = signing_list(releases, catalogue, wanted)
    return {
        "to_sign": [_subject(s) for s in found.to_sign[:MOST_SIGNED]],
        "more": max(0, len(found.to_sign) - MOST_SIGNED),
        "exceptions": sum(bool(s.exceptions) for s in found.to_sign),
        "left_out": [
            _subject(s) | {"reasons": [w.model_dump(mode="json") for w in why]}
            for s, why in found.left_out[:MOST_LEFT_OUT]
        ],
        "left_out_count": len(found.left_out),
        "without_result": len(found.without_result),
        "damaged": found.damaged,
        "signed": found.signed,
        "reached": utc_iso(found.reached_utc_ns),
    }


def _subject(s: Subject) -> dict[str, Any]:
    return {
        "of": s.of,
        "id": s.id,
        "sample": s.sample,
        "product": s.product,
        "began": utc_iso(s.began_utc_ns),
        "value": s.shown,
        "operator": s.operator,
        "exceptions": list(s.exceptions),
        "digest": s.digest,
        "runs": [run.id for run in s.runs],
    }


def _repeats(sources: Sources, asked: RepeatsAsked) -> dict[str, Any]:
    reader = sources.reader
    releases = Releases(reader)
    found = waiting_for_cause(reader, limit=asked.limit)
    return {"rows": [encode(entry(reader, run, releases)) for run in found]}


def _doubts(sources: Sources, asked: DoubtsAsked) -> dict[str, Any]:
    reader = sources.reader
    names = dict.fromkeys([*(i.name for i in reader.instruments()), *sources.catalogue().instruments])
    # An instrument with a new name has its checks under the old one, too.
    found = {e.run: (name, e) for name in names for e in failed_checks(reader, name)}
    runs = {run: reader.run(run) for run in found}
    failed = [_failed(run.instrument if (run := runs[e.run]) else name, e) for name, e in found.values()]
    failed += [_outside(c) for c in outside_calibrations(reader)]
    failed.sort(key=lambda row: str(row["at"]), reverse=True)
    rows, count = affected_first(reader, asked.verification, MOST_IN_DOUBT) if asked.verification else ([], 0)
    return {
        "failed": failed[:MOST_LEFT_OUT],
        "rows": [encode(e) | {"decision": decision} for e, decision in rows],
        "count": count,
    }


def _failed(instrument: str, e: Entry) -> dict[str, Any]:
    return {
        "run": e.run,
        "instrument": instrument,
        "at": utc_iso(e.utc_ns),
        "who": e.who,
        "fluid": e.detail.fluid,
        "geometry": e.detail.geometry,
        "condition": e.detail.condition,
        "certificate": "",
    }


def _outside(c: OutsideCalibration) -> dict[str, Any]:
    """Return a calibration as `_failed` returns a check: it has a certificate instead of a fluid."""
    return {
        "run": c.ident,
        "instrument": c.of.piece,
        "at": utc_iso(c.utc_ns),
        "who": c.of.who,
        "fluid": "",
        "geometry": "",
        "condition": "as_found",
        "certificate": c.of.certificate,
    }


QUERIES: Final[tuple[Query[Any], ...]] = (
    Query("signing", SigningAsked, "look", _signing),
    Query("repeats", RepeatsAsked, "look", _repeats),
    Query("doubts", DoubtsAsked, "look", _doubts),
)
