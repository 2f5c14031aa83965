"""The signatures under a run or a record, and the state of its release: the one place that decides it."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeVar

from daq.adapters.store.audit import digest_of
from daq.adapters.store.declared import KIND as DECLARATION
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by, newest_revision, stored_text
from daq.adapters.store.rows import CHANGED, ResultRecord, RunRecord
from daq.app.records.attempts import runs_of_sample
from daq.app.records.seen_signatures import SeenSignature, seen
from daq.core.errors import StoreError
from daq.laboratory.kinds import REPORTABLE, SIGNATURE, ReleaseState
from daq.quality.digits import SHOWN_ID

if TYPE_CHECKING:
    from daq.app.records.checks.audited_checks import Entry
    from daq.app.records.checks.check_trail import CheckTrail
    from daq.app.records.checks.doubts import Doubting
    from daq.app.records.checks.outside_calibrations import OutsideCalibration
    from daq.laboratory.reportables import ReportableRecord
    from daq.laboratory.signing import Signature, SignedPart
    from daq.methods.messages.doubting import Doubt
    from daq.methods.parts.statement import Statement

S = TypeVar("S", bound="SeenSignature | Signature")
RUN = "run"
"""Kind of a subject that is a run."""
BLOCKED_BY: "Final[Mapping[Doubt, str]]" = {
    "verification_failed_later": "verification_failed_after",
    "verification_withdrawn_later": "verification_withdrawn_after",
    "control_failed_later": "control_failed_after",
    "control_withdrawn_later": "control_withdrawn_after",
    "calibration_outside_later": "calibration_outside_after",
}
"""Why a run must not be released, by what puts it in doubt."""


def stored_signatures(reader: Reader, of: str, subject: str) -> list[StoredRecord]:
    """Return the newest revision of each signature under a run or a record, in the order of the last changes."""
    return sorted(found_by(reader, SIGNATURE, of, subject, limit=-1), key=lambda s: s.audit_seq)


def signatures_of(reader: Reader, of: str, subject: str) -> "list[Signature]":
    """Return the signatures under a run or a record, those withdrawn included, in their order.

    Raises:
        StoreError: one was changed in the database so that it cannot be read.
    """
    stored = stored_signatures(reader, of, subject)
    if not stored:
        return []
    from pydantic import ValidationError

    from daq.laboratory.signing import Signature  # many lists have no signature, and none needs the model

    try:
        found = [Signature.model_validate(s.data, strict=False) for s in stored]
    except ValidationError:
        raise StoreError(f"a signature under {of} {subject} was {CHANGED}: run `daq verify`") from None
    return sorted(found, key=lambda s: s.number)


def seen_signatures_of(reader: Reader, of: str, subject: str) -> "Sequence[SeenSignature | Signature]":
    """Return the signatures under a run or a record as `signatures_of`, for a list; errors as there."""
    found = [seen(s.data) for s in stored_signatures(reader, of, subject)]
    if None in found:
        return signatures_of(reader, of, subject)
    return sorted((s for s in found if s is not None), key=lambda s: s.number)


def digest_of_parts(parts: "Sequence[SignedPart]") -> str:
    """Return the digest (SHA-256, hex) over the names and digests of what a signature covers."""
    return _digest_of([p.model_dump() for p in parts])


def _digest_of(parts: Sequence[Mapping[str, Any]]) -> str:
    return digest_of(json.dumps(parts, sort_keys=True))


def parts_of_run(reader: Reader, newest: ResultRecord) -> "tuple[SignedPart, ...]":
    """Return what a signature under a run covers: its newest result, and the declaration where it was corrected."""
    return _as_parts(_plain_parts_of_run(reader, newest))


def parts_of_record(reader: Reader, kind: str, ident: str) -> "tuple[SignedPart, ...]":
    """Return what a signature under a record covers: its newest revision; empty where there is no such record."""
    return _as_parts(_part_of_record(reader, kind, ident))


def _as_parts(plain: Sequence[Mapping[str, Any]]) -> "tuple[SignedPart, ...]":
    from daq.laboratory.signing import SignedPart

    return tuple(SignedPart(**part) for part in plain)


def _plain_parts_of_run(reader: Reader, newest: ResultRecord) -> list[dict[str, Any]]:
    parts = [{"kind": "result", "id": newest.id, "revision": 0, "digest": digest_of(newest.data)}]
    return parts if newest.supersedes is None else parts + _part_of_record(reader, DECLARATION, newest.run)


def _part_of_record(reader: Reader, kind: str, ident: str) -> list[dict[str, Any]]:
    stored = newest_revision(reader, kind, ident)
    if stored is None:
        return []
    digest = digest_of(stored_text(stored.data))
    return [{"kind": kind, "id": ident, "revision": stored.revision, "digest": digest}]


def rejection(signatures: "Sequence[S]") -> "S | None":
    """Return the last rejection, unless a review in force came after it.

    A rejection holds also after a correction of what was rejected.
    """
    last = next((s for s in reversed(signatures) if s.meaning == "rejected"), None)
    if last is None:
        return None
    reviewed = any(s.meaning == "reviewed" and s.state == "in_force" and s.number > last.number for s in signatures)
    return None if reviewed else last


@dataclass(slots=True)
class Releases:
    """The states of release of many records; verifications of an instrument are read once, and only where needed.

    Calibrations are read once, too.
    """

    reader: Reader
    _doubting: "dict[str, Doubting]" = field(default_factory=dict)
    _trails: "dict[str, CheckTrail]" = field(default_factory=dict)
    _outside: "list[OutsideCalibration] | None" = None

    def _doubting_after(self, instrument: str, seq: int) -> "Doubting":
        """Return what may put a result in doubt whose run was concluded by this audit entry."""
        from daq.app.records.checks.doubts import NOTHING_DOUBTS, doubting

        if not self.trail(instrument).may_reach(seq):
            return NOTHING_DOUBTS
        if instrument not in self._doubting:
            self._doubting[instrument] = doubting(self.trail(instrument))
        return self._doubting[instrument]

    def trail(self, instrument: str) -> "CheckTrail":
        """Return the judgements of an instrument."""
        from daq.app.records.checks.check_trail import CheckTrail

        if instrument not in self._trails:
            self._trails[instrument] = CheckTrail(self.reader, instrument)
        return self._trails[instrument]

    def doubts(self, run: RunRecord) -> "tuple[Statement, ...]":
        """Return a statement for each check or calibration that blocks a release.

        A person's decision to uphold the result lifts the block of that one, and of that kind of doubt.
        """
        return tuple(failed_after(e, run.instrument) for e in self.failures(run))

    def failures(self, run: RunRecord) -> "list[Entry | OutsideCalibration]":
        """Return what blocks a release: what puts the result in doubt, and a person has not upheld it against."""
        found = self.in_doubt_by(run)
        return [e for e in found if e.doubt is not None and self._decided(e, run.id) != "upheld"]

    def in_doubt_by(self, run: RunRecord) -> "list[Entry | OutsideCalibration]":
        """Return what puts a result in doubt, in the order of the audit trail.

        These are failed verifications, failed or withdrawn controls, and calibrations that found equipment of the run
        outside of its tolerance.
        """
        from daq.app.records.checks.doubts import failures_after

        results = self.reader.results(run.id)
        if not results:
            return []
        seq = results[0].audit_seq
        failed = failures_after(self.reader, self._doubting_after(run.instrument, seq), run.id, seq)
        return sorted([*failed, *self._outside_of(run, seq)], key=lambda e: e.seq)

    def _outside_of(self, run: RunRecord, seq: int) -> "list[OutsideCalibration]":
        """Return the calibrations that put a result in doubt, whose audit entry has the number `seq`."""
        from daq.adapters.store.newest_runs import run_started_seq
        from daq.app.records.checks.outside_calibrations import is_concerned, outside_calibrations

        if self._outside is None:
            self._outside = outside_calibrations(self.reader)
        started = cache(lambda: run_started_seq(self.reader, run.id))
        near = [c for c in self._outside if c.reaches(seq, run.began_utc_ns, started)]
        if not near or self.trail(run.instrument).is_check(run.id):
            return []
        return [c for c in near if is_concerned(self.reader, c, run.id)]

    def objections(self, run: RunRecord) -> "tuple[Statement, ...]":
        """Return why a result of a run is not used although it may be valid: it is rejected, or in doubt.

        Raises:
            StoreError: a signature cannot be read.
        """
        return (*self.rejections(RUN, run.id), *self.doubts(run))

    def rejections(self, of: str, ident: str) -> "tuple[Statement, ...]":
        """Return the rejection of a run or a record that holds, as a statement; errors as in `objections`."""
        from daq.methods.parts.statement import state

        last = rejection(signatures_of(self.reader, of, ident))
        return () if last is None else (state("rejected_by", who=last.by),)

    def against_run(self, run: RunRecord, newest: ResultRecord | None, *, needed: bool) -> "tuple[Statement, ...]":
        """Return why a run must have no certificate; empty where it may have one.

        Args:
            run: the run.
            newest: its newest result.
            needed: whether it must be released.

        Raises:
            StoreError: a signature cannot be read.
        """
        return (*self.objections(run), *_unreleased(self.of_run(run, newest), needed=needed))

    def against_reportable(
        self, ident: str, record: "ReportableRecord | None", runs: Sequence[RunRecord], *, needed: bool
    ) -> "tuple[Statement, ...]":
        """Return why a reportable result must have no certificate; empty where it may have one.

        Args:
            ident: its id.
            record: what is stored of it; None where that is not what the certificate shows.
            runs: the runs that count in it.
            needed: whether it must be released.

        Raises:
            StoreError: a signature cannot be read.
        """
        from daq.methods.parts.statement import distinct

        found = [*self.rejections(REPORTABLE, ident), *(s for run in runs for s in self.objections(run))]
        release = None if record is None else self.of_reportable(record)
        return distinct([*found, *_unreleased(release, needed=needed)])

    def in_force(self, of: str, ident: str) -> "list[Signature]":
        """Return the signatures that hold for a run or a record as it is now, in their order.

        A rejection is among them until a review in force came after it.

        Raises:
            StoreError: a signature cannot be read.
        """
        found = signatures_of(self.reader, of, ident)
        if of == RUN:
            newest = self.reader.newest_result(ident)
            parts = () if newest is None else parts_of_run(self.reader, newest)
        else:
            parts = parts_of_record(self.reader, of, ident)
        digest, rejected = digest_of_parts(parts), rejection(found)
        return [s for s in found if s == rejected or (s.meaning != "rejected" and _holds(s, digest))]

    def _decided(self, e: "Entry | OutsideCalibration", run: str) -> str | None:
        from daq.app.records.checks.outside_calibrations import decision_about

        return decision_about(self.reader, e, run)

    def of_run(self, run: RunRecord, newest: ResultRecord | None) -> ReleaseState | None:
        """Return the state of release of a run, whose newest result is `newest`; None where it was never released.

        A run whose signatures cannot be read is not released.
        """
        try:
            found = seen_signatures_of(self.reader, RUN, run.id)
        except StoreError:
            return "release_withdrawn"
        if not found or newest is None:
            return None
        digest = _digest_of(_plain_parts_of_run(self.reader, newest))
        return _state(found, digest, lambda: bool(self.doubts(run)))

    def of_reportable(self, record: "ReportableRecord") -> ReleaseState | None:
        """Return the state of release of a reportable result as its runs are now, also before it is stored anew."""
        now = {run.id for run in runs_of_sample(self.reader, record.sample) if run.method_id == record.test}
        runs = [run for a in record.data.attempts if a.counted and (run := self.reader.run(a.run)) is not None]
        blocked = record.data.state == "blocked" or any(self.doubts(run) for run in runs)
        found = self.of_record(REPORTABLE, record.id, blocked=blocked)
        if found in ("released", "release_blocked"):
            # A run that was moved to another sample is listed, and is none of this sample any more.
            own = [a for a in record.data.attempts if all(w.code != "moved_to_sample" for w in a.why)]
            newest = {a.run: self.reader.newest_result(a.run) for a in own}
            same = all((n.id if (n := newest[a.run]) is not None else None) == a.result for a in own)
            if now != set(newest) or not same:
                return "release_withdrawn"
        return found

    def of_record(self, kind: str, ident: str, *, blocked: bool) -> ReleaseState | None:
        """Return the state of release of a record; `blocked`: the record itself states that it must not be released."""
        try:
            found = seen_signatures_of(self.reader, kind, ident)
        except StoreError:
            return "release_withdrawn"
        if not found:
            return None
        return _state(found, _digest_of(_part_of_record(self.reader, kind, ident)), lambda: blocked)


def failed_after(e: "Entry | OutsideCalibration", instrument: str) -> "Statement":
    """Return the statement that a check of an instrument, or a calibration, put a run in doubt after it."""
    from daq.app.records.checks.outside_calibrations import OutsideCalibration
    from daq.methods.parts.statement import state

    code = BLOCKED_BY[e.doubt or "verification_failed_later"]
    if isinstance(e, OutsideCalibration):
        return state(code, certificate=e.of.certificate, piece=e.of.piece, date=e.of.day)
    return state(code, verification=e.run[:SHOWN_ID], instrument=instrument)


def _unreleased(release: ReleaseState | None, *, needed: bool) -> "tuple[Statement, ...]":
    from daq.methods.parts.statement import state

    return (state("not_released", release=release),) if needed and release != "released" else ()


def _holds(signature: "SeenSignature | Signature", digest: str) -> bool:
    # A signature is in force only for the bytes that were signed.
    return signature.state == "in_force" and signature.digest == digest


def _state(
    signatures: "Sequence[SeenSignature | Signature]", digest: str, is_blocked: Callable[[], bool]
) -> ReleaseState | None:
    if rejection(signatures) is not None:
        return "rejected"
    released = [s for s in signatures if s.meaning == "released"]
    if not released:
        return None
    if not any(_holds(s, digest) for s in released):
        return "release_withdrawn"
    return "release_blocked" if is_blocked() else "released"
