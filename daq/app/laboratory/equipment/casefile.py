"""The case of a lot: everything that is stored about it, in the order of time."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, count_of_key, found_by, newest_revision, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.records.checks.audited_checks import Entry as Verification
from daq.app.records.equipment_state import all_records, history
from daq.app.records.run_notes import notes_of
from daq.app.records.run_rows import Entry, entry
from daq.app.records.searching import ALL, RunSearch, search
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import Transcription, of_sample
from daq.app.screens.text import utc_iso
from daq.core.encoding import encode
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import CHECKLIST, DECLARATION, SAMPLE

if TYPE_CHECKING:
    from daq.methods.parts.statement import Statement

DOCUMENTS: Final = ("reportable", "report", "signature", "doubt_decision")
"""Kinds of records about a sample or run that are listed with their contents, where there are any."""
MOST_RUNS: Final = 100
"""Number of runs of a case where no other number is asked for: the newest ones."""
LATEST: Final = 2**63 - 1
"""After every time."""
SIGNED: Final = "signature"
"""A signature is found by the kind and the id of the record that it signs."""


@dataclass(frozen=True, slots=True)
class CaseRun:
    """A run of the lot, with the results before its newest one, its corrections and its notes.

    `doubts` are the verifications and controls that put its result in doubt, without those against which a person
    upheld it.
    """

    run: Entry
    corrections: tuple[dict[str, Any], ...]
    notes: tuple[dict[str, Any], ...]
    doubts: "tuple[Statement, ...]" = ()

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return encode(self.run) | {
            "corrections": list(self.corrections),
            "notes": list(self.notes),
            "doubts": [s.model_dump(mode="json") for s in self.doubts],
        }


@dataclass(frozen=True, slots=True)
class CaseInstrument:
    """An instrument of the lot's runs: the verifications around them, and what was recorded about its equipment.

    The equipment of its companions, such as a thermometer, belongs to it.
    """

    instrument: str
    before: Verification | None
    """The newest one before the first run."""
    between: tuple[Verification, ...]
    after: Verification | None
    """The first one after the last run."""
    equipment: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Case:
    """Everything about a lot; `examined_from_utc_ns` is the start of its first run here, where it has runs before.

    `more_samples` is the number of samples of the lot that are not among `samples`.  `moved` are the runs that were
    started as runs of this lot, and that a correction gave to another one: what was sent about them named this lot.
    """

    lot: str
    samples: tuple[dict[str, Any], ...]
    more_samples: int
    runs: tuple[CaseRun, ...]
    transcribed: tuple[Transcription, ...]
    instruments: tuple[CaseInstrument, ...]
    documents: tuple[StoredRecord, ...]
    examined_from_utc_ns: int | None
    moved: tuple[CaseRun, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values."""
        return {
            "lot": self.lot,
            "samples": list(self.samples),
            "more_samples": self.more_samples,
            "runs": [r.as_json() for r in self.runs],
            "moved": [r.as_json() for r in self.moved],
            "transcribed": [t.as_json() for t in self.transcribed],
            "instruments": [
                {
                    "instrument": i.instrument,
                    "verification_before": _verification(i.before),
                    "verifications_between": [_verification(v) for v in i.between],
                    "verification_after": _verification(i.after),
                    "equipment": list(i.equipment),
                }
                for i in self.instruments
            ],
            "documents": [_document(d) for d in self.documents],
            "examined_from": utc_iso(self.examined_from_utc_ns),
        }


def case_of(reader: Reader, lot: str, *, limit: int = MOST_RUNS, until_utc_ns: int | None = None) -> Case:
    """Return the case of a lot.

    Args:
        reader: the database.
        lot: the lot.
        limit: greatest number of runs, the newest ones, and of samples without one of these runs; -1: all.
        until_utc_ns: only runs that started until then; None: all.

    Raises:
        SettingError: no sample and no run has this lot.
    """
    registered = {s.id: s for s in found_by(reader, SAMPLE, "lot", lot, limit=limit)}
    asked = RunSearch(lot=lot, until_utc_ns=until_utc_ns)
    found = search(reader, asked, limit=-1 if limit < 0 else limit + 1, most=ALL)
    runs = list(reversed(found.runs if limit < 0 else found.runs[:limit]))
    moved = _moved(reader, lot, limit, until_utc_ns)
    if not runs and not registered and not moved and until_utc_ns is None:
        raise coded(
            SettingError(f"no sample and no run has the lot {lot!r}; `daq runs --sample ID` shows the lot of a sample"),
            "lot_unknown",
            lot=lot,
        )
    releases = Releases(reader)
    rows = tuple(_run(releases, record) for record in runs)
    for name in {r.sample for r in runs} - {*registered}:
        stored = newest_revision(reader, SAMPLE, name)
        if stored is not None and stored.data.get("lot") == lot:
            registered[name] = stored
    samples = dict.fromkeys([*sorted(registered), *(r.sample for r in runs)])
    return Case(
        lot=lot,
        samples=tuple({"id": s, **(registered[s].data if s in registered else {})} for s in samples),
        more_samples=count_of_key(reader, SAMPLE, "lot", lot, lot) - len(registered),
        runs=rows,
        transcribed=tuple(t for s in samples for t in of_sample(reader, s)),
        instruments=tuple(_instruments(releases, runs)),
        documents=tuple(_documents(reader, samples, [*(r.run.run for r in rows), *(r.id for r in moved)])),
        examined_from_utc_ns=runs[0].began_utc_ns if len(found.runs) > len(runs) else None,
        moved=tuple(_run(releases, record) for record in moved),
    )


def _moved(reader: Reader, lot: str, limit: int, until_utc_ns: int | None) -> list[RunRecord]:
    """Return the runs that were started with a lot and are declared with another one now, oldest first."""
    rows = reader.query(
        "SELECT id FROM runs WHERE lot = ? AND began_utc_ns <= ? AND EXISTS (SELECT 1 FROM records "
        "WHERE kind = 'declaration' AND id = runs.id) ORDER BY began_utc_ns DESC LIMIT ?",
        [lot, LATEST if until_utc_ns is None else until_utc_ns, limit],
    )
    runs = (reader.run(row["id"]) for row in rows)
    return [run for run in runs if run is not None and run.lot != lot][::-1]


def _run(releases: Releases, record: RunRecord) -> CaseRun:
    reader = releases.reader
    corrections = revisions(reader, DECLARATION, record.id)
    return CaseRun(
        entry(reader, record, releases),
        tuple(
            {
                "state": d.data.get("state", "corrected"),
                "changes": d.data.get("changes", []),
                "result": d.data.get("result"),
            }
            | _written(d)
            for d in corrections
        ),
        tuple({"text": n.data["text"]} | _written(n) for n in notes_of(reader, record.id)),
        releases.doubts(record),
    )


def _written(stored: StoredRecord) -> dict[str, Any]:
    return {"at": utc_iso(stored.utc_ns), "who": stored.who, "because": stored.because or None}


def _instruments(releases: Releases, runs: Sequence[RunRecord]) -> Iterator[CaseInstrument]:
    reader = releases.reader
    changes = [k for record in all_records(reader) for k in history(reader, record.record.id)]
    for name in dict.fromkeys(r.instrument for r in runs):
        times = [r.began_utc_ns for r in runs if r.instrument == name]
        own = {r.id for r in runs}
        used = {name, *(companion for r in runs if r.instrument == name for companion in r.companions)}
        first, last = min(times), max(times)
        found = releases.trail(name).around(first, last, own.__contains__)
        yield CaseInstrument(
            name,
            next((v for v in reversed(found) if v.utc_ns < first), None),
            tuple(v for v in found if first <= v.utc_ns <= last),
            next((v for v in found if v.utc_ns > last), None),
            tuple(
                {
                    "piece": k.record.piece,
                    "serial": k.record.serial,
                    "what": k.what,
                    "at": utc_iso(k.utc_ns),
                    "who": k.who,
                    "because": k.because or None,
                    "out_of_service": k.record.out_of_service or None,
                    "calibration": None if k.record.stated is None else k.record.stated.model_dump(mode="json"),
                }
                for k in changes
                if k.record.piece.partition("/")[0] in used
            ),
        )


def _documents(reader: Reader, samples: Iterable[str], runs: Sequence[str]) -> Iterator[StoredRecord]:
    """Yield the records about the samples and runs, and the signatures under them, each once, in the order of time."""
    subjects = [(name, s) for s in samples for name in ("sample", "of")]
    subjects += [(name, r) for r in runs for name in ("run", "of")]
    found: dict[tuple[str, str], StoredRecord] = {}
    for kind in DOCUMENTS:
        for name, value in subjects:
            found |= {(d.kind, d.id): d for d in found_by(reader, kind, name, value, limit=-1)}
    for kind, ident in list(found):
        found |= {(d.kind, d.id): d for d in found_by(reader, SIGNED, kind, ident, limit=-1)}
    checked = (newest_revision(reader, CHECKLIST, run) for run in runs)
    found |= {(d.kind, d.id): d for d in checked if d is not None}
    yield from sorted(found.values(), key=lambda d: d.audit_seq)


def _document(stored: StoredRecord) -> dict[str, Any]:
    return {"kind": stored.kind, "id": stored.id, "revision": stored.revision, "data": stored.data} | _written(stored)


def _verification(found: Verification | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "run": found.run,
        "time": utc_iso(found.utc_ns),
        "passed": found.passed,
        "condition": found.detail.condition,
    }
