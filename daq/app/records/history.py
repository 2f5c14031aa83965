"""Everything that is stored of a run: its record, its results, its messages, and the events in its journal."""

import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, revisions
from daq.adapters.store.rows import Message, ResultRecord, RunRecord
from daq.app.records.judged.product_versions import ProductVersion, version_of_run
from daq.app.records.run_checklist import RunChecklist, checklist_of
from daq.app.records.run_notes import notes_of
from daq.app.records.signatures import RUN, Releases, stored_signatures
from daq.app.records.transcriptions import Transcription, of_sample
from daq.app.screens.text import utc_iso
from daq.core.errors import ArchivedError, DaqError, JournalError, SettingError, StoreError
from daq.laboratory.kinds import DECLARATION, ReleaseState

if TYPE_CHECKING:
    from daq.app.screens.run_view import WrittenNote
    from daq.core.effects import Moved, StepEnded
    from daq.core.events import ClockAnchor
    from daq.core.plan import Plan

# The trace of a report takes the bytes of journals, and reads none of their records.


@dataclass(slots=True)
class JournalSummary:
    """Effects in a run's journal, in order; times in ns of the monotonic clock."""

    moves: "list[Moved]" = field(default_factory=list)
    notes: "list[WrittenNote]" = field(default_factory=list)
    steps: "list[StepEnded]" = field(default_factory=list)
    anchor: "ClockAnchor | None" = None
    records: int = 0
    trouble: str = ""
    """Why the journal could not be read to its end."""
    archived: str = ""
    """The archive that has the journal, as a sentence; "" where it was read."""


def raw_journal(reader: Reader, run_id: str) -> tuple[bytes, str]:
    """Return a run's journal up to the first damage, and the reason why it ends there ("" if it is whole).

    Raises:
        ArchivedError: the journal is in an archive that was not given.
    """
    raw: list[bytes] = []
    try:
        for block in reader.journal(run_id):
            raw.append(block.raw)  # noqa: PERF401 - blocks that were read before the damage are kept
    except JournalError as error:
        return b"".join(raw), str(error)
    return b"".join(raw), ""


def journal_summary(reader: Reader, run_id: str) -> JournalSummary:
    """Return the effects in a run's journal, up to the first damage."""
    from daq.app.screens.run_view import recorded_note
    from daq.core.effects import Moved, StepEnded
    from daq.core.encoding import decode
    from daq.core.events import ClockAnchor
    from daq.core.journal import read_records

    out = JournalSummary()
    try:
        raw, out.trouble = raw_journal(reader, run_id)
    except ArchivedError as error:
        out.archived = str(error)
        return out
    try:
        for record in read_records(raw):
            if isinstance(record.event, ClockAnchor) and out.anchor is None:
                out.anchor = record.event
            kind, _, text = (record.effect or "").partition(" ")
            if kind == "Moved":
                out.moves.append(decode(Moved, json.loads(text)))
            elif kind == "Noted":
                out.notes.append(recorded_note(json.loads(text)))
            elif kind == "StepEnded":
                out.steps.append(decode(StepEnded, json.loads(text)))
            out.records += 1
    except (JournalError, SettingError, ValueError) as error:
        out.trouble = str(error)
    return out


@dataclass(frozen=True, slots=True)
class History:
    """Everything about one run."""

    run: RunRecord
    results: list[ResultRecord]
    data: dict[str, Any] | None
    """`ResultData` of the newest result as JSON; None if there is none."""
    messages: list[Message]
    kept: list[Any]
    journal: JournalSummary
    plan: "Plan | None"
    """As declared now; None if the run's header has another format."""
    declarations: list[StoredRecord] = field(default_factory=list)
    """Corrections and annulment of the run, oldest first (`daq.laboratory.declarations.Declaration`)."""
    notes: list[StoredRecord] = field(default_factory=list)
    """Notes of persons, oldest first."""
    transcribed: list[Transcription] = field(default_factory=list)
    """Values of the sample that were read by eye and entered by hand; none is of this run."""
    clock: dict[str, Any] | None = None
    """Evidence about the machine's clock over the run; None in runs before it was stored, and during a run."""
    signatures: list[StoredRecord] = field(default_factory=list)
    """Signatures, each in its newest revision (`daq.laboratory.signing.Signature`)."""
    release: ReleaseState | None = None
    checklist: RunChecklist | None = None
    version: ProductVersion | None = None
    """The version of the product by which the run is judged."""
    """The items that were confirmed at the bench; None for a run that was started without a checklist."""

    @property
    def result(self) -> ResultRecord | None:
        """The newest result."""
        return self.results[-1] if self.results else None

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values, without the payloads of messages, which repeat the result."""
        run = asdict(self.run)
        del run["header"]
        began, ended = run.pop("began_utc_ns"), run.pop("ended_utc_ns")
        journal = asdict(self.journal)
        journal["anchor"] = None if self.journal.anchor is None else asdict(self.journal.anchor)
        return {
            "run": run | {"began": utc_iso(began), "ended": utc_iso(ended)},
            "product": None if self.version is None else {"version": self.version.version, "text": self.version.digest},
            "result": self.data,
            "results": [
                {
                    "id": r.id,
                    "stream": r.stream,
                    "sequence": r.sequence,
                    "created": utc_iso(r.created_utc_ns),
                    "supersedes": r.supersedes,
                    "audit_seq": r.audit_seq,
                    "audit_head": r.audit_head,
                    "journal_digest": r.journal_digest,
                }
                for r in self.results
            ],
            "messages": [
                {"topic": m.topic, "state": m.state, "attempts": m.attempts, "last_error": m.last_error}
                for m in self.messages
            ],
            "kept": self.kept,
            "corrections": [
                {name: d.data[name] for name in ("state", "result", "supersedes", "changes")} | _written_by(d)
                for d in self.declarations
            ],
            "notes": [{"text": note.data["text"]} | _written_by(note) for note in self.notes],
            "release": self.release,
            "signatures": [s.data | {"changed": _written_by(s)} for s in self.signatures],
            "transcribed": [t.as_json() for t in self.transcribed],
            "checklist": None if self.checklist is None else self.checklist.as_json(),
            "journal": journal,
            "clock": self.clock,
        }


def _written_by(record: StoredRecord) -> dict[str, str | None]:
    return {"at": utc_iso(record.utc_ns), "who": record.who, "because": record.because or None}


def plan_of(run: RunRecord) -> "Plan | None":
    """Return the plan in a run's header; None if the header has another format or is damaged."""
    from daq.core.header import read_header

    try:
        return read_header(run.header).plan
    except (DaqError, ValueError):
        return None


def history(reader: Reader, run: RunRecord) -> History:
    """Return everything about a run."""
    results = reader.results(run.id)
    newest = results[-1] if results else None
    return History(
        run,
        results,
        None if newest is None else values_of(newest),
        [] if newest is None else reader.messages(newest.id),
        reader.kept(run.id),
        journal_summary(reader, run.id),
        plan_of(run),
        revisions(reader, DECLARATION, run.id),
        notes_of(reader, run.id),
        of_sample(reader, run.sample),
        clock_evidence(reader, run.id),
        stored_signatures(reader, RUN, run.id),
        Releases(reader).of_run(run, newest),
        checklist_of(reader, run.id),
        _version(reader, run),
    )


def _version(reader: Reader, run: RunRecord) -> ProductVersion | None:
    """Return the version of the product by which a run is judged; None where it cannot be read."""
    try:
        return version_of_run(reader, run)
    except StoreError:
        return None


def clock_evidence(reader: Reader, run_id: str) -> dict[str, Any] | None:
    """Return the evidence about the machine's clock that the audit entry of a run's end has, or None."""
    rows = reader.query(
        "SELECT json_extract(detail, '$.clock') AS clock FROM audit WHERE subject = ? AND what = 'run_ended' "
        "ORDER BY seq LIMIT 1",
        [run_id],
    )
    return None if not rows or rows[0]["clock"] is None else dict(json.loads(rows[0]["clock"]))
