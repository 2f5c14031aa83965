"""A change of a sample withdraws the certificates that state it; and a certificate states no other sample."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords, seen_keyed
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.delivery.record_messages import Numbered
from daq.app.laboratory.laboratory import Laboratory, find
from daq.app.laboratory.samples import REOPENED, in_state
from daq.app.laboratory.signing.report_withdrawal import withdrawals
from daq.app.laboratory.signing.withdrawing import Superseded, withdrawal
from daq.app.records.attempts import runs_of_sample
from daq.core.errors import NotAllowedError, SettingError, coded
from daq.laboratory.people import includes
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample

WORKING = frozenset({"due", "retained", "bench", "priority", "remark"})
"""Fields of a sample that plan the work on it.  Each other field states the origin of a result on a certificate."""
COPIED = ("product", "lot", "sampled_at")
"""Fields that a run takes from its sample."""
TRIES = 5


@dataclass(frozen=True, slots=True)
class By:
    """The person who changes a sample, where and when.

    Attributes:
        source: id of the database, for messages.
        topics: topics of the messages; None: nothing is published.
        reviews: whether the person may withdraw certificates.
    """

    source: str
    topics: Topics | None
    who: str
    because: str
    utc_ns: int
    reviews: bool


def store_change(
    laboratory: Laboratory, change: Change, before: Sample, after: Sample, because: str, beside: tuple[Change, ...] = ()
) -> list[str]:
    """Store a change of a sample; return the ids of the certificates that it withdraws.

    Args:
        laboratory: the laboratory of the person.
        change: the change.
        before: the sample before it.
        after: the sample after it.
        because: the reason.
        beside: changes of other records in the same transaction.

    Raises:
        NotAllowedError: it withdraws one, and the person does not review.
        StoreError: another change of the sample came first, or the store cannot write.
    """
    if {name for name in Sample.model_fields if getattr(before, name) != getattr(after, name)} <= WORKING:
        laboratory.change(*beside, change, because=because)
        return []
    for tries_left in reversed(range(TRIES)):
        try:
            return _try(laboratory, (*beside, change), before.id, because)
        except ChangedMeanwhileError:
            if not tries_left:
                raise
    raise AssertionError


def _try(laboratory: Laboratory, changes: tuple[Change, ...], sample: str, because: str) -> list[str]:
    utc_ns, store = laboratory.clock.utc_ns(), laboratory.store
    by = By(store.uuid, laboratory.topics, laboratory.who, because, utc_ns, may_withdraw(laboratory))
    with laboratory.reader() as reader:
        step, withdrawn = changing(reader, changes, sample, by)
    store.submit(step).result()
    return withdrawn


def changing(reader: Reader, changes: tuple[Change, ...], sample: str, by: By) -> tuple[PublishRecords, list[str]]:
    """Return the transaction of changes, of which one changes a sample, and the ids of the certificates it withdraws.

    Raises:
        NotAllowedError: it withdraws one, and the person does not review.
    """
    runs = runs_of_sample(reader, sample)
    names = [("sample", sample), *(("run", run.id) for run in runs)]
    seen = AsSeen(keyed=tuple(seen_keyed(reader, Report.kind, *name) for name in names))
    found = {c.id: c for run in ["", *(r.id for r in runs)] for c in withdrawals(reader, run, [sample])}
    results = [r for run in runs if (r := reader.newest_result(run.id)) is not None]
    anchor = max(results, key=lambda r: r.audit_seq, default=None)
    if not found or anchor is None:
        return PublishRecords(changes, (), seen, by.utc_ns, by.who, by.because), list(found)
    if not by.reviews:
        what = "a released certificate states" if len(found) == 1 else f"{len(found)} released certificates state"
        error = NotAllowedError(
            f"{what} sample {sample!r} as it is, and this change withdraws them; a person who reviews makes it"
        )
        raise coded(
            error,
            "change_withdraws",
            sample=sample,
        )
    replaced = [Superseded(Report.kind, ident, sample) for ident in found]
    gone = withdrawal(reader, replaced, anchor.stream, by.who, by.because, by.utc_ns)
    at = Numbered(source_uri(by.source, anchor.epoch), anchor.stream, anchor.sequence)
    messages = tuple((anchor.id, m) for m in gone.messages(by.topics, at, utc_text(by.utc_ns)))
    every = (*changes, *found.values(), *gone.changes)
    return PublishRecords(every, messages, seen.and_seen(gone.seen), by.utc_ns, by.who, by.because), list(found)


def reopening(reader: Reader, sample: str, by: By) -> PublishRecords:
    """Return the transaction that opens a sample again if it is done; otherwise it only requires that nothing changes.

    Raises:
        NotAllowedError: it withdraws a certificate, and the person does not review.
    """
    kept = find(reader, Sample, sample)
    revision = 0 if kept is None else kept.revision
    if kept is None or kept.record.state != "done":
        seen = AsSeen(records=((Sample.kind, sample, revision),))
        return PublishRecords((), (), seen, by.utc_ns, by.who, by.because)
    return changing(reader, (in_state(kept, "open", REOPENED),), sample, by)[0]


def may_withdraw(laboratory: Laboratory) -> bool:
    """Return whether a person may withdraw certificates: where people are switched on, one who reviews."""
    who = laboratory.identified
    if who is None or not laboratory.catalogue.daemon.people.required:
        return True
    return who.role is not None and includes(who.role, "review")


def refuse_changed_sample(reader: Reader, sample: str, runs: Sequence[RunRecord]) -> None:
    """Refuse a certificate of runs whose sample is cancelled, was opened again, or has become another one since.

    Raises:
        SettingError: the sample, with the command that puts it right.
    """
    kept = revisions(reader, Sample.kind, sample)
    if not kept:
        return
    now = kept[-1]
    if now.data["state"] == "cancelled":
        raise coded(
            SettingError(f"sample {sample} is cancelled: {now.because}"),
            "sample_is_cancelled",
            sample=sample,
            reason=now.because,
        )
    states = [k.data["state"] for k in kept]
    if now.data["state"] == "open" and set(states) != {"open"}:
        again = next(k for k in reversed(kept) if k.data["state"] == "open" and states[k.revision - 2] != "open")
        raise coded(
            SettingError(f"sample {sample} was opened again ({again.because or again.what}); measure it first"),
            "sample_opened_again",
            sample=sample,
            reason=again.because or again.what,
        )
    for run in runs:
        for name in COPIED:
            own, stated = getattr(run, name), now.data[name]
            # A lot that only the order of the run named is no other one, and without one the certificate states none.
            if own and own != stated and (stated or any(k.data[name] for k in kept)):
                option = name.replace("_at", "")
                error = SettingError(
                    f"the {option} of sample {sample} is {stated or 'not stated'!r}, and that of run {run.id} {own!r}; "
                    f"correct the run (daq correct {run.id[:8]} --{option} TEXT --because TEXT), or change the sample",
                    key=name,
                )
                raise coded(
                    error,
                    "sample_states_other",
                    field=name,
                    sample=sample,
                    stated=str(stated),
                    run=run.id,
                    given=str(own),
                )
