"""Acts that sign runs, reportable results and reports under the digest of what is stored, with the password again."""

import uuid
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from daq.adapters.clock import utc_text
from daq.adapters.store.agreement.one_run import disagreements_of_record, disagreements_of_run
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords, seen_keyed
from daq.adapters.store.newest_runs import newest_of_kind
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, found_by
from daq.adapters.store.rows import Outgoing
from daq.app.delivery.record_messages import Numbered, signature_message
from daq.app.laboratory.act import Act
from daq.app.laboratory.identity import confirm
from daq.app.laboratory.laboratory import Laboratory, new
from daq.app.laboratory.signing.report_subjects import report_subject
from daq.app.laboratory.signing.report_withdrawal import withdrawal_of, withdrawals
from daq.app.laboratory.signing.subjects import Subject, refusals, reportable_subject, run_subject
from daq.app.laboratory.signing.withdrawing import Superseded, signature_data, withdrawal
from daq.app.records.signatures import RUN, Releases, rejection
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import EQUIPMENT
from daq.laboratory.people import Person
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import Report
from daq.laboratory.signing import MOST_SIGNED, Meaning, Signature, SubjectId
from daq.methods.files.fields import Hidden, Label, Listed, Model
from daq.methods.parts.statement import reasons_json

WHAT: Final[dict[Meaning, str]] = {
    "measured": "signed_as_measured",
    "reviewed": "signed_as_reviewed",
    "released": "signed_as_released",
    "rejected": "signed_as_rejected",
}
"""Name of the change in the audit trail."""
OTHER: Final = "signed as rejected"
"""Reason of the withdrawal of signatures under a record that is rejected."""


class Signed(Model):
    """One record to sign; `digest` is the one that the person saw ("" means the present one)."""

    of: Literal["run", "reportable", "report"]
    id: SubjectId
    digest: Label = ""


class _Sign(Model):
    signed: Annotated[tuple[Signed, ...], Listed, Field(min_length=1, max_length=MOST_SIGNED)]
    password: Hidden


class SignMeasured(_Sign):
    """Order to sign what the person measured."""


class Sign(_Sign):
    """Order to sign what another person measured; a rejection, and a review that lifts one, has a reason."""

    meaning: Literal["reviewed", "released", "rejected"]
    because: Label = ""


def sign_measured(laboratory: Laboratory, order: SignMeasured) -> dict[str, Any]:
    """Sign runs, reportable results or reports as measured by the person; errors as in `sign`."""
    return _sign(laboratory, order, "measured", "")


def sign(laboratory: Laboratory, order: Sign) -> dict[str, Any]:
    """Sign runs, reportable results or reports: all in one transaction, or none.

    Raises:
        SettingError: the person or the password is not known, a record must not be signed like this, or it is not as
            the person saw it; the text names it.
        StoreError: a record changed meanwhile.
    """
    if order.meaning == "rejected" and not order.because:
        raise coded(SettingError("say why it is rejected", key="because"), "rejection_needs_reason")
    return _sign(laboratory, order, order.meaning, order.because)


def _sign(laboratory: Laboratory, order: _Sign, meaning: Meaning, because: str) -> dict[str, Any]:
    person = None if laboratory.identified is None else laboratory.identified.person
    if person is None:
        raise coded(
            SettingError("a signature is that of a person with a password; log in with --as PERSON"),
            "signature_needs_password",
        )
    confirm(laboratory, person, order.password)
    if len({(s.of, s.id) for s in order.signed}) != len(order.signed):
        raise coded(SettingError("a record is named twice", key="signed"), "record_twice")
    with laboratory.reader() as reader:
        # It is read first: a calibration that is recorded meanwhile may put a result in doubt.
        equipment = newest_of_kind(reader, EQUIPMENT)
        releases = Releases(reader)
        subjects = [_checked(releases, each) for each in order.signed]
        for subject in subjects:
            _refuse(laboratory, subject, meaning, person, alone=len(subjects) == 1)
            standing = rejection(subject.signatures)
            if meaning == "reviewed" and standing is not None and not because:
                error = SettingError(
                    f"{standing.by} rejected it ({standing.because}); say why it may be used", key="because"
                )
                raise coded(
                    error,
                    "rejected_before",
                    person=standing.by,
                    reason=standing.because,
                )
        step = _transaction(laboratory, reader, subjects, _Signer(person, meaning, because, equipment))
    laboratory.store.submit(step).result()
    signed = [{"of": s.of, "id": s.id, "sample": s.sample, "digest": s.digest} for s in subjects]
    return {"meaning": meaning, "by": person.id, "signed": signed}


def subject_of(releases: Releases, of: str, ident: str) -> Subject:
    """Return a run, a reportable result or a report as a subject; `SettingError` where there is none."""
    if of == Report.kind:
        return report_subject(releases, ident)
    if of == ReportableRecord.kind:
        return reportable_subject(releases, ident)
    run = releases.reader.run(ident)
    if run is None:
        raise coded(SettingError(f"there is no run {ident}"), "unknown_name", what="run", name=ident)
    return run_subject(releases, run)


def _checked(releases: Releases, given: Signed) -> Subject:
    """Return a subject whose stored data agree with the audit trail, and are those that the person saw."""
    path = releases.reader.path
    subject = subject_of(releases, given.of, given.id)
    found = [d for run in subject.runs for d in disagreements_of_run(path, run.id)]
    found += disagreements_of_record(path, subject.of, subject.id) if subject.of != RUN else []
    if found:
        error = SettingError(
            f"{given.of} {given.id} is not signed, because stored data do not agree with the audit trail: "
            f"{found[0].text}; `daq verify` lists all"
        )
        raise coded(
            error,
            "records_disagree",
            what=given.of,
            name=given.id,
        )
    if given.digest and given.digest != subject.digest:
        raise coded(
            SettingError(f"{given.of} {given.id} is not as it was when you looked at it; look again, then repeat"),
            "record_not_as_seen",
            what=given.of,
            name=given.id,
        )
    return subject


def _refuse(laboratory: Laboratory, subject: Subject, meaning: Meaning, person: Person, *, alone: bool) -> None:
    own = laboratory.catalogue.daemon.people.review_own
    found = refusals(subject, meaning, person, review_own=own, alone=alone)
    if found:
        reasons = "; ".join(s.text for s in found)
        raise coded(
            SettingError(f"{subject.of} {subject.id} (sample {subject.sample}) is not signed as {meaning}: {reasons}"),
            "not_signed",
            what=subject.of,
            name=subject.id,
            meaning=meaning,
            reasons=reasons_json(found),
        )


class _Signer:
    """Person, meaning and reason of signatures, and the newest audit entry of equipment that the checks have seen."""

    def __init__(self, person: Person, meaning: Meaning, because: str, equipment: int) -> None:
        self.person, self.meaning, self.because, self.equipment = person, meaning, because, equipment

    def signature(self, subject: Subject, utc_ns: int) -> Signature:
        """Return the signature under a subject."""
        return Signature(
            id=str(uuid.uuid4()),
            of=subject.of,
            subject=subject.id,
            number=len(subject.signatures) + 1,
            parts=subject.parts,
            digest=subject.digest,
            meaning=self.meaning,
            by=self.person.id,
            name=self.person.name,
            signed_at=utc_text(utc_ns),
            because=self.because,
        )


def _transaction(laboratory: Laboratory, reader: Reader, subjects: list[Subject], signer: _Signer) -> PublishRecords:
    utc_ns, topics = laboratory.clock.utc_ns(), laboratory.topics
    time = utc_text(utc_ns)
    changes: list[Change] = []
    messages: list[tuple[str, Outgoing]] = []
    seen = _seen(subjects, signer.equipment)
    for subject in subjects:
        signature = signer.signature(subject, utc_ns)
        anchor = subject.anchor
        at = Numbered(source_uri(laboratory.store.uuid, anchor.epoch), anchor.stream, anchor.sequence)
        changes.append(new(signature, WHAT[signer.meaning]))
        own: list[Outgoing] = []
        if topics is not None:
            own.append(signature_message(topics, signature_data(signature, subject.sample, anchor.stream), at, time))
        if signer.meaning == "rejected":
            names = [("sample", subject.sample), *(("run", run.id) for run in subject.runs)]
            seen = seen.and_seen(AsSeen(keyed=tuple(seen_keyed(reader, Report.kind, *name) for name in names)))
            reports = _reports_of(reader, subject)
            replaced = [*_rejected(reader, subject), *(Superseded(c.kind, c.id, subject.sample) for c in reports)]
            gone = withdrawal(reader, replaced, anchor.stream, laboratory.who, OTHER, utc_ns)
            changes += [*gone.changes, *reports]
            seen = seen.and_seen(gone.seen)
            own += gone.messages(topics, at, time)
        messages += [(anchor.id, message) for message in own]
    # One record can be withdrawn by the rejections of several of its runs.
    once = {(c.kind, c.id): c for c in changes}
    return PublishRecords(
        tuple(once.values()),
        tuple({(result, m.topic, m.id): (result, m) for result, m in messages}.values()),
        seen,
        utc_ns,
        laboratory.who,
        signer.because,
    )


def _rejected(reader: Reader, subject: Subject) -> list[Superseded]:
    """Return what loses its release with a rejection: the record, and the reportable results with that run."""
    out = [Superseded(subject.of, subject.id, subject.sample)]
    if subject.of == RUN:
        found = found_by(reader, ReportableRecord.kind, "run", subject.id, limit=-1)
        out += [Superseded(ReportableRecord.kind, s.id, s.data["sample"]) for s in found]
    return out


def _reports_of(reader: Reader, subject: Subject) -> tuple[Change, ...]:
    """Return the changes that withdraw the certificates of a rejected record, of its runs and of its sample.

    They stay withdrawn also after a later review: a new certificate names those that it replaces.
    """
    if subject.of == Report.kind:
        return withdrawal_of(reader, subject.id)
    found = {c.id: c for run in subject.runs for c in withdrawals(reader, run.id, [subject.sample])}
    return tuple(found.values())


def _seen(subjects: list[Subject], equipment: int) -> AsSeen:
    return AsSeen(
        equipment=equipment,
        results=tuple({x for s in subjects for x in s.seen.results}),
        records=tuple({x for s in subjects for x in s.seen.records}),
        verified=tuple({x for s in subjects for x in s.seen.verified}),
        signed=tuple({x for s in subjects for x in ((s.of, s.id, len(s.signatures)), *s.seen.signed)}),
    )


ACTS: Final = (
    Act("sign_measured", SignMeasured, "measure", sign_measured, always=True),
    Act("sign", Sign, "review", sign, always=True),
)
"""A signature is that of a known person, also where people are switched off."""
