"""A change of a sample withdraws the certificates that state it; and a certificate states no other sample."""

from collections.abc import Sequence

from daq.adapters.clock import utc_text
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords, seen_keyed
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.delivery.record_messages import Numbered
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.signing.report_withdrawal import withdrawals
from daq.app.laboratory.signing.withdrawing import Superseded, withdrawal
from daq.app.records.attempts import runs_of_sample
from daq.core.errors import NotAllowedError, SettingError
from daq.laboratory.people import includes
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample

WORKING = frozenset({"due", "retained", "bench", "priority", "remark"})
"""Fields of a sample that plan the work on it.  Each other field states the origin of a result on a certificate."""
COPIED = ("product", "lot", "sampled_at")
"""Fields that a run takes from its sample."""
TRIES = 5


def store_change(laboratory: Laboratory, change: Change, before: Sample, after: Sample, because: str) -> list[str]:
    """Store a change of a sample; return the ids of the certificates that it withdraws.

    Raises:
        NotAllowedError: it withdraws one, and the person does not review.
        StoreError: another change of the sample came first, or the store cannot write.
    """
    if {name for name in Sample.model_fields if getattr(before, name) != getattr(after, name)} <= WORKING:
        laboratory.change(change, because=because)
        return []
    for tries_left in reversed(range(TRIES)):
        try:
            return _try(laboratory, change, before.id, because)
        except ChangedMeanwhileError:
            if not tries_left:
                raise
    raise AssertionError


def _try(laboratory: Laboratory, change: Change, sample: str, because: str) -> list[str]:
    utc_ns = laboratory.clock.utc_ns()
    with laboratory.reader() as reader:
        runs = runs_of_sample(reader, sample)
        names = [("sample", sample), *(("run", run.id) for run in runs)]
        seen = AsSeen(keyed=tuple(seen_keyed(reader, Report.kind, *name) for name in names))
        found = {c.id: c for run in ["", *(r.id for r in runs)] for c in withdrawals(reader, run, [sample])}
        results = [r for run in runs if (r := reader.newest_result(run.id)) is not None]
        anchor = max(results, key=lambda r: r.audit_seq, default=None)
        if not found or anchor is None:
            step = PublishRecords((change,), (), seen, utc_ns, laboratory.who, because)
        else:
            _refuse_without_reviewer(laboratory, sample, len(found))
            replaced = [Superseded(Report.kind, ident, sample) for ident in found]
            gone = withdrawal(reader, replaced, anchor.stream, laboratory.who, because, utc_ns)
            at = Numbered(source_uri(laboratory.store.uuid, anchor.epoch), anchor.stream, anchor.sequence)
            messages = tuple((anchor.id, m) for m in gone.messages(laboratory.topics, at, utc_text(utc_ns)))
            changes = (change, *found.values(), *gone.changes)
            step = PublishRecords(changes, messages, seen.and_seen(gone.seen), utc_ns, laboratory.who, because)
    laboratory.store.submit(step).result()
    return list(found)


def _refuse_without_reviewer(laboratory: Laboratory, sample: str, count: int) -> None:
    who = laboratory.identified
    required = laboratory.catalogue.daemon.people.required
    if required and who is not None and not (who.role is not None and includes(who.role, "review")):
        what = "a released certificate states" if count == 1 else f"{count} released certificates state"
        raise NotAllowedError(
            f"{what} sample {sample!r} as it is, and this change withdraws them; a person who reviews makes it"
        )


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
        raise SettingError(f"sample {sample} is cancelled: {now.because}")
    states = [k.data["state"] for k in kept]
    if now.data["state"] == "open" and set(states) != {"open"}:
        again = next(k for k in reversed(kept) if k.data["state"] == "open" and states[k.revision - 2] != "open")
        raise SettingError(f"sample {sample} was opened again ({again.because or again.what}); measure it first")
    for run in runs:
        for name in COPIED:
            own, stated = getattr(run, name), now.data[name]
            # A lot that only the order of the run named is no other one, and without one the certificate states none.
            if own and own != stated and (stated or any(k.data[name] for k in kept)):
                option = name.replace("_at", "")
                raise SettingError(
                    f"the {option} of sample {sample} is {stated or 'not stated'!r}, and that of run {run.id} {own!r}; "
                    f"correct the run (daq correct {run.id[:8]} --{option} TEXT --because TEXT), or change the sample",
                    key=name,
                )
