"""Subjects of signatures: runs and reportable results, what to look at first, and why they must not be released."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from daq.adapters.store.declaring.publishing import AsSeen
from daq.adapters.store.forms.result_values import whole_values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord, RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.signing.own_work import is_of, measured_by
from daq.app.laboratory.signing.single_runs import hidden_by
from daq.app.records.checks.audited_checks import last_seq
from daq.app.records.judged.repeated_runs import is_repeat
from daq.app.records.signatures import (
    RUN,
    Releases,
    digest_of_parts,
    parts_of_record,
    parts_of_run,
    rejection,
    signatures_of,
)
from daq.app.screens.text import value_line
from daq.core.errors import SettingError, coded
from daq.core.faults import ANNULLED
from daq.laboratory.kinds import REPORTABLE
from daq.laboratory.people import Person
from daq.laboratory.signing import Meaning, Signature, SignedPart
from daq.methods.parts.nevercounting import NOT_AUTHORISED, never_counts
from daq.methods.parts.statement import Statement, distinct, state

if TYPE_CHECKING:
    from daq.laboratory.reportables import ReportableRecord

ExceptionName = Literal[
    "not_valid",
    "doubtful",
    "outside",
    "undecided",
    "not_comparable",
    "corrected",
    "anyway",
    "repeat",
    "rejected_before",
]
"""Names of what a person who signs must look at first."""
OF_VALUES: Final = ("not_valid", "doubtful")
NEEDED: Final = frozenset({"value", "quality", "validity", "simulated", "sample", "method"})
"""Keys of a result without which it must not be released."""
OF_VERDICTS: Final = ("outside", "undecided", "not_comparable")


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A run, a reportable result or a report as it is now.

    Attributes:
        of, id: ``run``, ``reportable`` or ``report``, and its id.
        began_utc_ns: start of its newest run.
        anchor: the result whose stream and number its messages have.
        parts: the stored texts that a signature covers.
        runs: the runs whose results it consists of.
        seen: what a signature is made from.
        signatures: those under it, the withdrawn ones included.
        measured_by: ids, logins and names of those who measured it.
        operator: the person who measured, for a message.
        shown: value for a person.
        exceptions: what a person who signs must look at.
        hindrances: why it must not be released.
        hidden: a run: further results of its sample, for which it must not be released alone.
        ended: a run: it has ended.
    """

    of: str
    id: str
    sample: str
    product: str
    began_utc_ns: int
    anchor: ResultRecord
    parts: tuple[SignedPart, ...]
    runs: tuple[RunRecord, ...]
    seen: AsSeen
    signatures: tuple[Signature, ...]
    measured_by: frozenset[str]
    operator: str
    shown: str
    exceptions: tuple[ExceptionName, ...]
    hindrances: tuple[Statement, ...]
    hidden: tuple[Statement, ...] = ()
    ended: bool = True

    @property
    def digest(self) -> str:
        """The digest that a signature covers."""
        return digest_of_parts(self.parts)

    def is_measured_by(self, person: Person) -> bool:
        """Return whether a person measured it, by id, login or name."""
        return is_of(person, self.measured_by)


def refusals(
    subject: Subject, meaning: Meaning, person: Person | None, *, review_own: bool, alone: bool
) -> tuple[Statement, ...]:
    """Return why a person must not sign; empty where the person may.

    Args:
        subject: what is to be signed.
        meaning: what the signature states.
        person: the person; None where it is not known yet.
        review_own: whether a person may review what the same person measured.
        alone: whether it is signed alone, and not in a set.
    """
    out: list[Statement] = []
    if not subject.ended:
        out.append(state("signed_before_end"))
    standing = rejection(subject.signatures)
    same = [
        s
        for s in subject.signatures
        if (s.state, s.meaning, s.digest) == ("in_force", meaning, subject.digest)
        and (meaning == "released" or _is_by(s, person))
    ]
    # A new review answers a rejection, and a new rejection a review.
    answers = (meaning == "reviewed" and standing is not None) or (meaning == "rejected" and standing is None)
    if same and not answers:
        out.append(state("signed_already", who=same[-1].by))
    if person is not None and meaning == "measured" and not subject.is_measured_by(person):
        out.append(state("not_measured_by_signer", operator=subject.operator, who=person.id))
    if person is not None and meaning != "measured" and not review_own and subject.is_measured_by(person):
        out.append(state("measured_by_signer", who=person.id))
    if meaning == "released":
        out += (*subject.hindrances, *subject.hidden)
    if standing is not None and meaning == "reviewed" and not alone:
        out.append(state("rejected_by", who=standing.by))
    return distinct(out)


def _is_by(signature: Signature, person: Person | None) -> bool:
    return person is not None and signature.by == person.id


def run_subject(releases: Releases, run: RunRecord) -> Subject:
    """Return a run as a subject.

    Raises:
        SettingError: it has no result.
    """
    reader = releases.reader
    results = reader.results(run.id)
    if not results:
        raise coded(SettingError(f"run {run.id} has no result yet"), "run_without_result", run=run.id)
    newest = results[-1]
    data: dict[str, Any] = whole_values_of(newest)
    signatures = signatures_of(reader, RUN, run.id)
    is_anyway = _is_anyway(releases, run.id)
    return Subject(
        of=RUN,
        id=run.id,
        sample=run.sample,
        product=run.product,
        began_utc_ns=run.began_utc_ns,
        anchor=newest,
        parts=parts_of_run(reader, newest),
        runs=(run,),
        seen=AsSeen(results=((run.id, newest.id),), verified=(last_verified(releases, run.instrument),)),
        signatures=tuple(signatures),
        measured_by=measured_by(reader, run),
        operator=run.operator,
        shown=value_line(data),
        exceptions=_exceptions(
            reader, run, data, signatures, anyway=is_anyway, corrected=newest.supersedes is not None
        ),
        hindrances=distinct(_hindrances(releases, run, data)),
        hidden=hidden_by(reader, run),
        ended=run.state == "ended",
    )


def _hindrances(releases: Releases, run: RunRecord, data: dict[str, Any]) -> Iterable[Statement]:
    """Yield why a run must not be released: the one place that decides it."""
    if run.state != "ended":
        yield state("signed_before_end")
    if not data.keys() >= NEEDED:
        yield state("without_valid_result", validity="not_valid")
        return
    if ANNULLED in data.get("faults", ()):
        yield state("run_is_annulled")
    if run.simulated or data["simulated"]:
        yield state("run_is_simulated")
    never = never_counts(data)
    yield from never
    if run.attribution == "not_authorised" and not any(s.code == NOT_AUTHORISED for s in never):
        yield state("operator_not_authorised", operator=run.operator, method=run.method_id)
    if data["validity"] != "valid" or data["quality"] != "Good" or data["value"] is None:
        yield state("without_valid_result", validity=data["validity"])
    yield from releases.objections(run)


def _exceptions(
    reader: Reader,
    run: RunRecord,
    data: dict[str, Any],
    signatures: Iterable[Signature],
    *,
    anyway: bool,
    corrected: bool,
) -> tuple[ExceptionName, ...]:
    verdict = (data.get("verdict") or {}).get("verdict")
    out: list[ExceptionName] = [name for name in OF_VALUES if data.get("validity", "not_valid") == name]
    out += [name for name in OF_VERDICTS if verdict == name]
    marks: dict[ExceptionName, bool] = {
        "corrected": corrected,
        "anyway": anyway,
        "repeat": is_repeat(reader, run.id),
        "rejected_before": any(s.meaning == "rejected" for s in signatures),
    }
    return (*out, *(name for name, found in marks.items() if found))


def _is_anyway(releases: Releases, run: str) -> bool:
    """Return whether a run was ordered although its result would not be comparable."""
    rows = releases.reader.query("SELECT detail FROM audit WHERE subject = ? AND what = 'run_started'", [run])
    return bool(rows) and bool(json.loads(rows[0]["detail"]).get("anyway"))


def last_verified(releases: Releases, instrument: str) -> tuple[str, int]:
    """Return an instrument with the number of the last audit entry of its verifications."""
    return instrument, last_seq(releases.reader, instrument)


def reportable_subject(releases: Releases, ident: str) -> Subject:
    """Return a reportable result as a subject.

    Raises:
        SettingError: there is none with this id, or none of its runs has a result.
    """
    from daq.laboratory.reportables import ReportableRecord  # runs are listed without the model of reportable results

    reader = releases.reader
    kept = find(reader, ReportableRecord, ident)
    if kept is None:
        error = SettingError(f"there is no reportable result {ident!r}; `daq reportable SAMPLE --store` stores it")
        raise coded(error, "unknown_name", what="reportable", name=ident)
    record = kept.record
    attempts = record.data.attempts
    counted = {a.run for a in attempts if a.counted}
    runs = [r for a in attempts if (r := reader.run(a.run)) is not None]
    with_result = {a.run: a.result for a in attempts if a.result is not None}
    anchor = next((n for run in reversed(runs) if (n := reader.newest_result(run.id)) is not None), None)
    if anchor is None:
        raise coded(SettingError(f"no run of {ident} has a result yet"), "sample_without_result", sample=ident)
    own = tuple(run for run in runs if run.id in counted)
    subjects = [run_subject(releases, run) for run in own]
    signatures = signatures_of(reader, REPORTABLE, ident)
    return Subject(
        of=REPORTABLE,
        id=ident,
        sample=record.sample,
        product=record.data.product or "",
        began_utc_ns=max(run.began_utc_ns for run in runs),
        anchor=anchor,
        parts=parts_of_record(reader, REPORTABLE, ident),
        runs=own,
        seen=AsSeen(
            results=tuple(with_result.items()),
            records=((REPORTABLE, ident, kept.revision),),
            verified=tuple({last_verified(releases, run.instrument) for run in own}),
        ),
        signatures=tuple(signatures),
        measured_by=frozenset(name for s in subjects for name in s.measured_by)
        | {s.by for s in signatures if s.meaning == "measured"},
        operator=", ".join(dict.fromkeys(s.operator for s in subjects)),
        shown=_shown(record),
        exceptions=_of_reportable(record, subjects, signatures),
        hindrances=distinct(_reportable_hindrances(releases, record, subjects)),
    )


def _reportable_hindrances(
    releases: Releases, record: "ReportableRecord", subjects: Iterable[Subject]
) -> Iterable[Statement]:
    from daq.app.laboratory.signing.reportable_records import is_current  # as above

    if record.data.value is None or record.data.state == "open":
        yield state("reportable_without_value")
    yield from record.data.blocked
    if not is_current(releases, record):
        yield state("reportable_out_of_date")
    for subject in subjects:
        yield from subject.hindrances
    yield from releases.rejections(REPORTABLE, record.id)


def _of_reportable(
    record: "ReportableRecord", subjects: Iterable[Subject], signatures: Iterable[Signature]
) -> tuple[ExceptionName, ...]:
    out: list[ExceptionName] = ["not_valid"] if record.data.value is None else []
    out += [name for name in OF_VERDICTS if record.data.verdict.value == name]
    # An attempt that does not count is looked at first, also where no further run repeated it.
    out += ["repeat"] if any(not a.counted for a in record.data.attempts) else []
    out += [
        name for s in subjects for name in s.exceptions if name in ("corrected", "anyway", "repeat", "rejected_before")
    ]
    out += ["rejected_before"] if any(s.meaning == "rejected" for s in signatures) else []
    return tuple(dict.fromkeys(out))


def _shown(record: "ReportableRecord") -> str:
    d = record.data
    return value_line({"value": d.value, "reported": d.reported, "unit": d.unit, "quantity": d.quantity} | _interval(d))


def _interval(d: Any) -> dict[str, Any]:
    return {"uncertainty": None if d.uncertainty is None else d.uncertainty.model_dump(mode="json")}
