"""The withdrawal of certificates, and of signatures under runs and records that another state replaces."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.declaring.publishing import AsSeen, seen_keyed
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, found_by
from daq.adapters.store.rows import Outgoing, RunRecord
from daq.app.delivery.record_messages import Numbered, signature_message
from daq.app.laboratory.laboratory import changed, find, kept
from daq.app.laboratory.signing.report_withdrawal import withdrawals, withdrawals_of_value
from daq.app.laboratory.signing.single_runs import runs_of_test
from daq.app.records.signatures import RUN
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import Report
from daq.laboratory.signing import Signature, Suspension
from daq.methods.messages.signaturedata import SignatureData, SignedData, WithdrawnData

SUSPENSION_ENDED = "suspension_ended"
"""Name of the change in the audit trail."""


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """Signatures that are withdrawn.

    Attributes:
        changes: those of their records.
        contents: contents of their messages.
        seen: what the changes were made from.
    """

    changes: tuple[Change, ...]
    contents: tuple[SignatureData, ...]
    seen: AsSeen

    def messages(self, topics: Topics | None, at: Numbered, time: str) -> list[Outgoing]:
        """Return the messages; none where nothing is published."""
        return [] if topics is None else [signature_message(topics, data, at, time) for data in self.contents]


def signature_data(
    signature: Signature, sample: str, instrument: str, withdrawn: WithdrawnData | None = None, revision: int = 1
) -> SignatureData:
    """Return the contents of the message of a signature."""
    return SignatureData(
        signature=signature.id,
        revision=revision,
        state=signature.state,
        meaning=signature.meaning,
        by=signature.by,
        name=signature.name,
        signed_at=signature.signed_at,
        because=signature.because,
        of=signature.of,
        subject=signature.subject,
        sample=sample,
        instrument=instrument,
        digest=signature.digest,
        parts=tuple(SignedData(**p.model_dump()) for p in signature.parts),
        withdrawn=withdrawn,
    )


@dataclass(frozen=True, slots=True)
class Superseded:
    """A run or a record that another state replaces, by its kind and id, with its sample."""

    of: str
    id: str
    sample: str


def withdrawal(
    reader: Reader, replaced: Iterable[Superseded], instrument: str, who: str, because: str, utc_ns: int
) -> Withdrawal:
    """Return the withdrawal of all signatures in force under what is replaced; a rejection stays.

    Args:
        reader: the database.
        replaced: the run and records.
        instrument: the instrument on whose topic the messages are.
        who: the person who replaces them.
        because: the reason.
        utc_ns: the time.
    """
    changes: list[Change] = []
    contents: list[SignatureData] = []
    records: list[tuple[str, str, int]] = []
    signed: list[tuple[str, str, int]] = []
    note = WithdrawnData(by=who, at=utc_text(utc_ns), because=because)
    for each in dict.fromkeys(replaced):
        under = found_by(reader, Signature.kind, each.of, each.id, limit=-1)
        signed.append((each.of, each.id, len(under)))
        for stored in under:
            found = kept(Signature, stored)
            if found.record.state != "in_force" or found.record.meaning == "rejected":
                continue
            gone = found.record.model_copy(update={"state": "withdrawn"})
            changes.append(changed(found, gone, "signature_withdrawn"))
            suspension = find(reader, Suspension, gone.id)
            number = 0 if suspension is None else suspension.revision
            records.append((Suspension.kind, gone.id, number))
            if suspension is not None and suspension.record.verifications:
                ended = suspension.record.model_copy(update={"verifications": (), "instruments": ()})
                changes.append(changed(suspension, ended, SUSPENSION_ENDED))
                number += 1
            # The signature has the first number, and each revision of its suspension the next one.
            contents.append(signature_data(gone, each.sample, instrument, note, number + 2))
    return Withdrawal(tuple(changes), tuple(contents), AsSeen(records=tuple(records), signed=tuple(signed)))


def replaced_by_result(reader: Reader, run: str, samples: Iterable[str], method: str) -> Iterator[Superseded]:
    """Yield what a new result of a run replaces: the run, and the reportable results that it may belong to.

    Args:
        reader: the database.
        run: id of the run.
        samples: its sample as declared before and now.
        method: id of its method.
    """
    names = list(samples)
    yield Superseded(RUN, run, names[0])
    for stored in found_by(reader, ReportableRecord.kind, "run", run, limit=-1):
        yield Superseded(ReportableRecord.kind, stored.id, stored.data["sample"])
    for sample in names:
        for stored in found_by(reader, ReportableRecord.kind, "sample", sample, limit=-1):
            if stored.data["test"] == method:
                yield Superseded(ReportableRecord.kind, stored.id, sample)


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """Everything that a new result of a run, or a new reportable result, withdraws.

    Attributes:
        reports: the changes of certificates.
        signatures: those under the run, its reportable results and these certificates.
        seen: what the changes were made from.  A certificate or a signature that is stored after that is not withdrawn
            by them, so they must be made again.
    """

    reports: tuple[Change, ...]
    signatures: Withdrawal
    seen: AsSeen

    @property
    def changes(self) -> tuple[Change, ...]:
        """All changes."""
        return (*self.signatures.changes, *self.reports)

    @property
    def certificates(self) -> list[str]:
        """The ids of the certificates."""
        return [c.id for c in self.reports]


def withdrawn_by_result(
    reader: Reader, before: RunRecord, now: RunRecord, *, instrument: str, who: str, because: str, utc_ns: int
) -> Withdrawn:
    """Return everything that a new result of a run withdraws.

    Args:
        reader: the database.
        before: the run as declared before.
        now: the run as declared now.
        instrument: the instrument on whose topic the messages are.
        who: the person who makes the new result.
        because: the reason.
        utc_ns: the time.
    """
    samples = (before.sample, now.sample)
    names = [("run", before.id), *(("sample", sample) for sample in dict.fromkeys(samples) if sample)]
    # It is read before what it protects.
    keyed = [seen_keyed(reader, kind, *name) for kind in (Report.kind, ReportableRecord.kind) for name in names]
    reports = withdrawals(reader, before.id, samples)
    replaced = [*replaced_by_result(reader, before.id, samples, before.method_id)]
    replaced += [Superseded(c.kind, c.id, c.data["sample"] or before.sample) for c in reports]
    gone = withdrawal(reader, replaced, instrument, who, because, utc_ns)
    return Withdrawn(reports, gone, AsSeen(keyed=tuple(keyed)).and_seen(gone.seen))


def withdrawn_by_value(
    reader: Reader, value: ReportableRecord, *, instrument: str, who: str, because: str, utc_ns: int
) -> Withdrawn:
    """Return everything that a new revision of a reportable result withdraws.

    Args:
        reader: the database.
        value: the reportable result.
        instrument: the instrument on whose topic the messages are.
        who: the person or program that stores it.
        because: the reason.
        utc_ns: the time.
    """
    runs = runs_of_test(reader, value.sample, value.test)
    names = (("sample", value.sample), *(("run", run.id) for run in runs))
    seen = AsSeen(keyed=tuple(seen_keyed(reader, Report.kind, *name) for name in names))
    reports = withdrawals_of_value(reader, value.sample, value.test)
    replaced = [Superseded(ReportableRecord.kind, value.id, value.sample)]
    replaced += [Superseded(c.kind, c.id, value.sample) for c in reports]
    gone = withdrawal(reader, replaced, instrument, who, because, utc_ns)
    return Withdrawn(reports, gone, seen.and_seen(gone.seen))
