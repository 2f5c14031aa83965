"""Acts that correct, annul or doubt a run.  The first result stays; a new one supersedes it."""

from dataclasses import replace
from pathlib import Path
from typing import Any, Final, Literal

from daq.adapters.store.archiving.archive_reader import open_archive
from daq.adapters.store.audit import digest_of
from daq.adapters.store.declaring.publishing import ANYTHING, PublishRecords
from daq.adapters.store.forms.result_values import DamagedResultError, places_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import stored_text
from daq.adapters.store.rows import RunRecord
from daq.app.delivery.curve_publishing import curve_message
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.app.laboratory.progress import note_done, note_undone
from daq.app.laboratory.redeclaration import Given, Redeclaration, redeclaration
from daq.app.laboratory.signing.affected_runs import cause_named
from daq.app.laboratory.signing.correctable import Correctable, correctable, store_new_result
from daq.app.laboratory.signing.judged_again import Sides, judged_otherwise, left_by, not_authorised
from daq.app.laboratory.signing.own_work import refuse_own
from daq.app.laboratory.signing.reportable_records import Keeping, samples_after
from daq.app.laboratory.signing.suspending import suspending
from daq.app.records.history import plan_of
from daq.app.records.judged.judging import samples_left
from daq.app.records.judged.product_versions import product_texts
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError, coded
from daq.core.plan import Plan
from daq.laboratory.kinds import decision_id
from daq.laboratory.signing import CauseId, Decision, DoubtDecision
from daq.methods.files.fields import Label, Model, NeededLabel, Text
from daq.methods.messages.doubting import doubted, still_doubted
from daq.methods.messages.result import ResultData
from daq.methods.parts.statement import Statement, state
from daq.process.moments import past_moment
from daq.quality.digits import SHOWN_ID

ANNULLED_FROM: Final = frozenset({"audit", "results", "records", "record_keys"})
"""Tables whose rows about a run must agree with the audit trail before it is annulled."""
SHOWN_DIGEST: Final = 16
"""Number of characters of a declaration's digest in a statement."""
DECIDED: Final = "doubt_decided"
"""Name of the change in the audit trail."""


class CorrectRun(Model):
    """Order to correct a run: None leaves a fact as it is, "" says that it is not stated.

    Attributes:
        run: id of the run, a unique beginning of it, or ``last``.
        because: why.
        result: id of the result that the person saw; "" means the newest one.
        archive: path of the archive with the journal of the run; "" where it is in the database.
    """

    run: NeededLabel
    because: NeededLabel
    result: Label = ""
    sample: NeededLabel | None = None
    product: Label | None = None
    lot: Label | None = None
    sampled_at: Label | None = None
    operator: NeededLabel | None = None
    geometry: NeededLabel | None = None
    fluid: NeededLabel | None = None
    archive: Text | Literal[""] = ""


class AnnulRun(Model):
    """Order to annul a run: it does not count any more."""

    run: NeededLabel
    because: NeededLabel
    result: Label = ""


class DecideDoubt(Model):
    """Order to decide about a run that a failed verification or control put in doubt.

    Attributes:
        run, verification: the run, and the run of the verification or the name of the calibration.
        decision: ``uncertain`` or ``upheld``.
        because: why.
        result: id of the result that the person saw; "" means the newest one.
    """

    run: NeededLabel
    verification: CauseId
    decision: Decision
    because: NeededLabel
    result: Label = ""


def correct(laboratory: Laboratory, order: CorrectRun) -> dict[str, Any]:
    """Correct a run where neither value nor verdict changes.

    Where one changes, nothing is done, and the outcome names the parts that change under ``needs_review``.

    Raises:
        SettingError: the run cannot be corrected like this; the text says why.
        StoreError: the stored data of the run do not agree, or another correction came first.
    """
    return _correct(laboratory, order, reviewed=False)


def correct_reviewed(laboratory: Laboratory, order: CorrectRun) -> dict[str, Any]:
    """Correct a run, also where its value or verdict changes; errors as in `correct`."""
    return _correct(laboratory, order, reviewed=True)


def annul(laboratory: Laboratory, order: AnnulRun) -> dict[str, Any]:
    """Annul a run: its new result has no value and is Bad.  The journal is not needed.  Errors as in `correct`."""
    subject = correctable(laboratory, order.run, order.result, ANNULLED_FROM)
    with laboratory.reader() as reader:
        refuse_own(laboratory, reader, subject.record, "its annulment")
    superseding = subject.superseding(laboratory, subject.record, order.because)
    plan = plan_of(subject.record)
    if plan is None and ResultData.model_validate_json(subject.newest.data).verification is not None:
        raise coded(
            SettingError(f"run {order.run} is a verification, and its plan cannot be read; restore it from a backup"),
            "verification_plan_unreadable",
            run=order.run,
        )
    declaration = subject.declared().model_copy(
        update={"result": superseding.result_id, "supersedes": subject.newest.id, "state": "annulled", "changes": ()}
    )
    change = subject.change(declaration, "run_annulled")
    gone = store_new_result(
        laboratory, subject, subject.record, superseding, lambda ready, more: ready.annulled(plan, (change, *more))
    )
    damaged = _follow(laboratory, subject, subject.record, order.because)
    done = {"run": subject.record.id, "result": superseding.result_id, "supersedes": subject.newest.id}
    return done | {"withdrawn": gone.certificates, "damaged": damaged}


def decide(laboratory: Laboratory, order: DecideDoubt) -> dict[str, Any]:
    """Decide about a result that a failed verification, or a failed or withdrawn control, put in doubt.

    ``uncertain`` publishes it again as Uncertain, in the place of the result; ``upheld`` lifts the block of its release
    by this verification.

    Raises:
        SettingError: the verification did not put this run in doubt, or the run is Uncertain by it already.
        StoreError: the stored data of the run do not agree, or another correction came first.
    """
    subject = correctable(laboratory, order.run, order.result, ANNULLED_FROM)
    run = subject.record
    with laboratory.reader() as reader:
        refuse_own(laboratory, reader, run, "the decision of a doubt")
        verification = cause_named(reader, order.verification)
        cause = next((e for e in Releases(reader).in_doubt_by(run) if e.ident == verification), None)
        fault = None if cause is None else cause.doubt
        if fault is None:
            raise coded(
                SettingError(
                    f"{verification} is no failed verification or control that put run {run.id} in doubt, and no such "
                    "calibration"
                ),
                "doubt_unknown",
                run=run.id,
                verification=verification,
            )
        ident = decision_id(verification, run.id, fault)
        kept = find(reader, DoubtDecision, ident)
    if kept is not None and kept.record.decision == "uncertain":
        raise coded(
            SettingError(f"run {run.id} is Uncertain already by {kept.who}; measure again"),
            "run_uncertain_already",
            run=run.id,
            person=kept.who,
        )
    decision = DoubtDecision(id=ident, verification=verification, run=run.id, decision=order.decision)
    decided = new(decision, DECIDED) if kept is None else changed(kept, decision, DECIDED)
    if order.decision == "upheld":
        utc_ns, who = laboratory.clock.utc_ns(), laboratory.who
        resumed = suspending(laboratory.topics, run.instrument, utc_ns, who, order.because)
        step = PublishRecords((decided,), (), ANYTHING, utc_ns, who, order.because, resumed)
        laboratory.store.submit(step).result()
        damaged = _follow(laboratory, subject, run, order.because)
        return {"run": run.id, "decision": order.decision, "withdrawn": [], "damaged": damaged}
    superseding = subject.superseding(laboratory, run, order.because)
    before = ResultData.model_validate_json(subject.newest.data)
    # The name of a calibration is no number, and is shown whole.
    shown = verification if fault == "calibration_outside_later" else verification[:SHOWN_ID]
    data = doubted(before, fault=fault, who=laboratory.who, because=order.because, verification=shown)
    declaration = subject.declared().model_copy(
        update={"result": superseding.result_id, "supersedes": subject.newest.id, "changes": ()}
    )
    changes = (subject.change(declaration, "run_doubted"), decided)
    plan = plan_of(run)
    gone = store_new_result(
        laboratory, subject, run, superseding, lambda ready, more: ready.restated(data, plan, (*changes, *more))
    )
    if plan is not None:
        _publish_curve(laboratory, run.id, plan)
    damaged = _follow(laboratory, subject, run, order.because)
    done = {"run": run.id, "decision": order.decision, "result": superseding.result_id, "damaged": damaged}
    return done | {"supersedes": subject.newest.id, "withdrawn": gone.certificates}


def _correct(laboratory: Laboratory, order: CorrectRun, *, reviewed: bool) -> dict[str, Any]:
    subject = correctable(laboratory, order.run, order.result)
    given = _given(laboratory, order)
    before = ResultData.model_validate_json(subject.newest.data)
    with laboratory.reader() as reader:
        if order.archive:
            reader.archives.append(open_archive(Path(order.archive)))
        made = redeclaration(reader, laboratory.catalogue, subject.declared(), given, subject.started)
        made = _with_persons(laboratory, reader, made, subject.started)
        made = replace(made, conclusion=still_doubted(before, made.conclusion))
        superseding = subject.superseding(laboratory, made.record, order.because, made.declaration.not_authorised)
        data = superseding.preview(made.plan, made.conclusion, ())
        sides = Sides(subject.record, made.record, before, data, made.version)
        judged = judged_otherwise(reader, sides)
        if judged and not reviewed:
            return {"run": subject.record.id, "needs_review": judged}
        if judged:
            refuse_own(laboratory, reader, subject.record, "a correction that changes how it is judged")
        moved = left_by(reader, made.declaration, sides, order.because)
        texts = () if made.version is None else product_texts(reader, made.version)
    declaration = made.declaration.model_copy(
        update={"result": superseding.result_id, "supersedes": subject.newest.id, "moved": moved}
    )
    change = subject.change(declaration, "run_corrected")
    digest = digest_of(stored_text(change.data))[:SHOWN_DIGEST]
    warnings = _statements(subject.started, made, laboratory.who, order.because, digest)
    gone = store_new_result(
        laboratory,
        subject,
        made.record,
        superseding,
        lambda ready, more: ready.corrected(made.plan, made.conclusion, warnings, (change, *texts, *more)),
    )
    _publish_curve(laboratory, subject.record.id, made.plan)
    damaged = _follow(laboratory, subject, made.record, order.because)
    return {
        "run": subject.record.id,
        "result": superseding.result_id,
        "supersedes": subject.newest.id,
        "changes": [c.model_dump() for c in declaration.changes],
        "changed": judged,
        "withdrawn": gone.certificates,
        "damaged": damaged,
    }


def _with_persons(laboratory: Laboratory, reader: Reader, made: Redeclaration, started: RunRecord) -> Redeclaration:
    """Return a correction that records who had no authorisation for the method."""
    persons = not_authorised(laboratory, reader, started, made.record.operator)
    record = replace(made.record, attribution="not_authorised") if persons else made.record
    return replace(made, declaration=made.declaration.model_copy(update={"not_authorised": persons}), record=record)


def _given(laboratory: Laboratory, order: CorrectRun) -> Given:
    """Return the corrected facts that an order gives, checked."""
    catalogue, sampled_at = laboratory.catalogue, order.sampled_at
    if order.fluid:
        catalogue.fluid(order.fluid)
    if sampled_at:
        sampled_at = past_moment(sampled_at, laboratory.clock.utc_ns(), "sampled_at")
    facts = order.model_dump(exclude={"run", "because", "result", "archive"}, exclude_none=True)
    return facts if sampled_at is None else facts | {"sampled_at": sampled_at}


def _statements(started: RunRecord, made: Redeclaration, who: str, because: str, digest: str) -> tuple[Statement, ...]:
    """Return the statements of a corrected result: all that is declared otherwise than at the start."""
    out = [
        state("declared_otherwise", name=c.name, before=c.before or None, after=c.after or None)
        for c in made.since_start(started)
    ]
    out.append(state("corrected_by", who=who, because=because, declaration=digest))
    if made.declaration.kept is not None:
        out.append(state("computed_in_recorded_spans"))
    return tuple(out)


def _follow(laboratory: Laboratory, before: Correctable, now: RunRecord, because: str) -> list[dict[str, str]]:
    """Bring samples and reportable results of a run, as declared before and now, in step with its new result.

    Return run and field of each damaged result for which a sample cannot be judged again.
    """
    store, catalogue, utc_ns = laboratory.store, laboratory.catalogue, laboratory.clock.utc_ns()
    damages: list[DamagedResultError] = []
    # The new result is stored: another damaged result must not refuse it afterwards, and leaves its sample as it is.
    try:
        note_undone(store, catalogue, before.record.sample, utc_ns, laboratory.who, because)
    except DamagedResultError as error:
        damages.append(error)
    try:
        note_done(store, catalogue, before.record.id, utc_ns, laboratory.who)
    except DamagedResultError as error:
        damages.append(error)
    with laboratory.reader() as reader:
        samples = [before.record.sample, *samples_left(reader, now.id), *samples_after(reader, now, judged_again=True)]
    damages += Keeping(store, laboratory.topics, utc_ns, laboratory.who).store_of_readable(samples)[1]
    return places_of(damages)


def _publish_curve(laboratory: Laboratory, run: str, plan: Plan) -> None:
    """Put the flow curve of a corrected run into the outbox."""
    if laboratory.topics is None or plan.context.flow_curve is None:
        return
    with laboratory.reader() as reader:
        message = curve_message(reader, run, laboratory.store.uuid, laboratory.topics, laboratory.clock.utc_ns())
    if message is not None:
        laboratory.store.submit(message).result()


ACTS: Final = (
    Act("run_correct", CorrectRun, "measure", correct),
    Act("run_correct_reviewed", CorrectRun, "review", correct_reviewed),
    Act("run_annul", AnnulRun, "review", annul),
    Act("doubt_decide", DecideDoubt, "review", decide),
)
