"""Reportable results as records: computed in one place, stored when they change, and published."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.audit import digest_of, source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords
from daq.adapters.store.forms.result_values import DamagedResultError
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangedMeanwhileError, found_by
from daq.adapters.store.rows import Outgoing, ResultRecord, RunRecord
from daq.app.delivery.record_messages import Numbered, reportable_message
from daq.app.laboratory.laboratory import changed, find, new
from daq.app.laboratory.signing.single_runs import runs_of_test
from daq.app.laboratory.signing.withdrawing import withdrawn_by_value
from daq.app.records.attempts import MOVED
from daq.app.records.checks.audited_checks import checks
from daq.app.records.checks.doubts import doubt_by
from daq.app.records.judged.judging import VERSION_UNKNOWN, Tried, judged, samples_left, tried_of_sample
from daq.app.records.judged.product_versions import versions_of
from daq.app.records.signatures import Releases
from daq.laboratory.kinds import reportable_id
from daq.laboratory.reportables import ReportableRecord, contents, reportable_record
from daq.methods.concluding.reportable import reportable
from daq.methods.messages.reportabledata import ReportableData, ReportableState
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.digits import SHOWN_ID

if TYPE_CHECKING:
    from daq.adapters.store.store import Writing

TRIES: Final = 5
"""Number of times that storing is tried where results of the sample change at the same moment."""
STORED: Final = "reportable_stored"
"""Name of the change in the audit trail."""
BECAUSE: Final = "a newer reportable result of the sample replaces it"
"""Reason of the withdrawals that go with it."""
BLOCKED: Final = "its release is blocked, or is not blocked any more"
"""The same where value and attempts stay as they are."""


def computed(releases: Releases, sample: str) -> dict[str, ReportableData]:
    """Return the reportable result of each test of a sample by the method's id, computed from its runs as they are now.

    A test of which all runs are verifications has none.  A record of an earlier time stays, without any attempt.
    """
    reader = releases.reader
    tests: dict[str, list[Tried]] = {}
    runs = tried_of_sample(reader, sample)
    for t in runs:
        tests.setdefault(t.run.method_id, []).append(t)
    names = [test for test, own in tests.items() if not all(_is_verification(t) for t in own)]
    names += [s.data["test"] for s in found_by(reader, ReportableRecord.kind, "sample", sample, limit=-1)]
    products = {t.run.product for t in runs if t.moved is None and t.run.product}
    return {test: _computed(releases, sample, test, tests.get(test, []), products) for test in dict.fromkeys(names)}


def _is_verification(t: Tried) -> bool:
    return t.data is not None and bool(t.data.get("verification"))


def _computed(releases: Releases, sample: str, test: str, runs: list[Tried], products: set[str]) -> ReportableData:
    reader = releases.reader
    found = judged(sample, runs, versions_of(reader), test, products)
    counted = {a.run for a in found.attempts if a.counted}
    own = [t for t in runs if t.run.id in counted]
    newest = [r for t in runs if t.moved is None and (r := reader.newest_result(t.run.id)) is not None]
    now = ReportableData.of(
        found,
        {r.run: (r.id, digest_of(r.data)) for r in newest},
        test=test,
        simulated=any(t.run.simulated or bool((t.data or {}).get("simulated")) for t in own),
        blocked=distinct(s for t in own for s in releases.doubts(t.run)),
    )
    return _as_stored(releases, now, runs) if now.how.code == VERSION_UNKNOWN else now


def _as_stored(releases: Releases, now: ReportableData, runs: list[Tried]) -> ReportableData:
    """Return the stored reportable result of the same runs, whose product's version is not stored; otherwise `now`.

    A program of an earlier state judged them by the product's file of its day.  The runs and their results are those
    of that day, so its judgement stays.  Doubts that came since then block it.
    """
    kept = find(releases.reader, ReportableRecord, reportable_id(now.sample, now.test))
    if kept is None or _facts(kept.record.data) != _facts(now):
        return now
    return _blocked_as_now(releases, kept.record.data, [t.run for t in runs])


def _blocked_as_now(releases: Releases, stored: ReportableData, runs: Iterable[RunRecord]) -> ReportableData:
    """Return a stored reportable result, blocked by what puts the runs that count in doubt now."""
    counted = {a.run for a in stored.attempts if a.counted}
    blocked = distinct(s for run in runs if run.id in counted for s in releases.doubts(run))
    now: ReportableState = "open" if stored.value is None else "blocked" if blocked else "complete"
    return stored.model_copy(update={"blocked": blocked, "state": now})


def _with_damage(releases: Releases, sample: str, run: str) -> dict[str, ReportableData]:
    """Return the stored reportable results of a sample with a damaged result, of `run`, as far as they still hold.

    One whose runs have the results from which it was made stays, and the doubts that came since then block it.  Another
    one has no value any more: that of a result that was annulled or corrected since must not stay complete.
    """
    why = state("sample_result_damaged", run=run[:SHOWN_ID])
    return {
        test: _kept_or_open(releases, ReportableRecord.model_validate(stored.data, strict=False).data, why)
        for stored in found_by(releases.reader, ReportableRecord.kind, "sample", sample, limit=-1)
        for test in [stored.data["test"]]
    }


def _kept_or_open(releases: Releases, stored: ReportableData, why: Statement) -> ReportableData:
    reader = releases.reader
    runs = runs_of_test(reader, stored.sample, stored.test)
    newest = {run.id: r for run in runs if (r := reader.newest_result(run.id)) is not None}
    seen = {(a.run, a.result) for a in stored.attempts if a.result is not None}
    if seen == {(run, result.id) for run, result in newest.items()}:
        return _blocked_as_now(releases, stored, runs)
    gone: dict[str, Any] = {"value": None, "unit": "", "expanded": None, "validity": "", "counted": False}
    attempts = []
    for a in stored.attempts:
        found = newest.get(a.run)
        of = (None, None) if found is None else (found.id, digest_of(found.data))
        update = gone | {"why": (why,), "result": of[0], "digest": of[1]}
        attempts.append(a.model_copy(update=update))
    undecided = replace(reportable(stored.sample, [], None), decided="none", how=why)
    out = ReportableData.of(undecided, {}, test=stored.test, simulated=stored.simulated, blocked=())
    return out.model_copy(update={"attempts": tuple(attempts)})


def _facts(data: ReportableData) -> list[dict[str, Any]]:
    """Return the runs of a reportable result with their results, without the judgement whether they count."""
    moved = {a.run for a in data.attempts if any(w.code == MOVED for w in a.why)}
    return [{"moved": a.run in moved, **a.model_dump(mode="json", exclude={"counted", "why"})} for a in data.attempts]


def is_current(releases: Releases, record: ReportableRecord) -> bool:
    """Return whether a stored reportable result is that of its runs as they are now."""
    now = computed(releases, record.sample).get(record.test)
    return now is not None and contents(reportable_record(now)) == contents(record)


def samples_after(reader: Reader, run: RunRecord, *, judged_again: bool = False) -> list[str]:
    """Return the samples whose reportable results a result of a run may change.

    A verification or a control changes those of all results that it puts in doubt.  With `judged_again` it was
    corrected, and these are all that it could put in doubt.
    """
    found = checks(reader, run.instrument)
    own = next((e for e in found if e.run == run.id), None)
    if own is None:
        return [run.sample, *samples_left(reader, run.id)]
    doubt = doubt_by(reader, found, own, however=judged_again)
    runs = (reader.run(other) for _, other in doubt.results)
    return list(dict.fromkeys(r.sample for r in runs if r is not None))


@dataclass(frozen=True, slots=True)
class Keeping:
    """The way to the store for reportable results.

    Attributes:
        topics: topics of the messages; None: nothing is published.
        who: the person or program, for the audit trail.
    """

    store: "Writing"
    topics: Topics | None
    utc_ns: int
    who: str

    def store_of_samples(self, samples: Iterable[str]) -> list[str]:
        """Store the reportable results of samples that have changed; return their ids.

        Certificates of what they replace, and signatures, are withdrawn in the same transaction.

        Raises:
            DamagedResultError: a result of a sample cannot be read; all other samples are stored.
            StoreError: the database cannot be read or written.
        """
        stored, damages = self.store_of_readable(samples)
        if damages:
            raise damages[0]
        return stored

    def store_of_readable(self, samples: Iterable[str]) -> tuple[list[str], list[DamagedResultError]]:
        """Store as `store_of_samples`; return the ids, and the error of each sample with a result that is damaged.

        The stored record of such a sample stays while its runs have the same results, and is blocked where they are in
        doubt; otherwise it is open, without a value.
        """
        stored: list[str] = []
        damages: list[DamagedResultError] = []
        for sample in dict.fromkeys(samples):
            if not sample:
                continue
            try:
                stored += self._of_sample(sample)
            except DamagedResultError as error:
                damages.append(error)
                stored += self._of_sample(sample, str(error.values["run"]))
        return stored, damages

    def _of_sample(self, sample: str, damaged: str = "") -> list[str]:
        for tries_left in reversed(range(TRIES)):
            try:
                return self._try(sample, damaged)
            except ChangedMeanwhileError:
                if not tries_left:
                    raise
        return []

    def _try(self, sample: str, damaged: str) -> list[str]:
        with self.store.reader() as reader:
            releases = Releases(reader)
            found = _with_damage(releases, sample, damaged) if damaged else computed(releases, sample)
            steps = [(test, self._transaction(reader, sample, test, data)) for test, data in found.items()]
        done = []
        for test, step in steps:
            if step is not None:
                self.store.submit(step).result()
                done.append(reportable_id(sample, test))
        return done

    def _transaction(self, reader: Reader, sample: str, test: str, data: ReportableData) -> PublishRecords | None:
        """Return the transaction that stores a reportable result; None where nothing has changed."""
        ident = reportable_id(sample, test)
        kept = find(reader, ReportableRecord, ident)
        record = reportable_record(data)
        if kept is not None:
            if contents(kept.record) == contents(record):
                return None
            record = reportable_record(data.model_copy(update={"revision": kept.revision + 1}))
        anchor = _anchor(reader, record, kept.record if kept else None)
        change = new(record, STORED) if kept is None else changed(kept, record, STORED)
        because = BECAUSE if kept is None or _differ_in_value(kept.record, record) else BLOCKED
        stream = "" if anchor is None else anchor.stream
        gone = withdrawn_by_value(reader, record, instrument=stream, who=self.who, because=because, utc_ns=self.utc_ns)
        messages: list[tuple[str, Outgoing]] = []
        if anchor is not None and self.topics is not None:
            at = Numbered(source_uri(self.store.uuid, anchor.epoch), anchor.stream, anchor.sequence)
            time = utc_text(self.utc_ns)
            own = [
                reportable_message(self.topics, record.data, at, time),
                *gone.signatures.messages(self.topics, at, time),
            ]
            messages = [(anchor.id, message) for message in own]
        results = tuple((a.run, a.result) for a in record.data.attempts if a.result is not None)
        seen = AsSeen(results=results).and_seen(gone.seen)
        return PublishRecords((change, *gone.changes), tuple(messages), seen, self.utc_ns, self.who, because)


def _differ_in_value(before: ReportableRecord, now: ReportableRecord) -> bool:
    """Return whether two revisions differ in more than what blocks their release."""
    a, b = contents(before), contents(now)
    return any(a[name] != b[name] for name in a if name not in ("state", "blocked"))


def _anchor(reader: Reader, record: ReportableRecord, before: ReportableRecord | None) -> ResultRecord | None:
    """Return the newest result of its last run, now or before: its messages have that stream and number."""
    runs = (*(() if before is None else before.runs), *record.runs)
    found = [r for run in dict.fromkeys(runs) if (r := reader.newest_result(run)) is not None]
    return max(found, key=lambda r: r.audit_seq, default=None)
