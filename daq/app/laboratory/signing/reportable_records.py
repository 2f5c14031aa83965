"""Reportable results as records: computed in one place, stored when they change, and published."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from daq.adapters.clock import utc_text
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.audit import digest_of, source_uri
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangedMeanwhileError, found_by
from daq.adapters.store.rows import Outgoing, ResultRecord, RunRecord
from daq.app.delivery.record_messages import Numbered, reportable_message
from daq.app.laboratory.laboratory import changed, find, new
from daq.app.laboratory.signing.withdrawing import withdrawn_by_value
from daq.app.records.attempts import AttemptWithData, attempt_of, runs_of_sample
from daq.app.records.checks.audited_checks import checks
from daq.app.records.checks.doubts import doubt_by
from daq.app.records.signatures import Releases
from daq.laboratory.reportables import ReportableRecord, contents, reportable_id, reportable_record
from daq.methods.concluding.reportable import Reportable, reportable
from daq.methods.files.product import Product
from daq.methods.messages.reportabledata import ReportableData
from daq.methods.parts.statement import Statement, distinct, state

if TYPE_CHECKING:
    from daq.adapters.store.store import Store
    from daq.app.setup.catalogue import Catalogue

TRIES: Final = 5
"""Number of times that storing is tried where results of the sample change at the same moment."""
STORED: Final = "reportable_stored"
"""Name of the change in the audit trail."""
BECAUSE: Final = "a newer reportable result of the sample replaces it"
"""Reason of the withdrawals that go with it."""
BLOCKED: Final = "its release is blocked, or is not blocked any more"
"""The same where value and attempts stay as they are."""


@dataclass(frozen=True, slots=True)
class _Tested:
    """A run of a test, as an attempt, with its newest result."""

    run: RunRecord
    attempt: AttemptWithData
    newest: ResultRecord | None


def computed(releases: Releases, catalogue: "Catalogue", sample: str) -> dict[str, ReportableData]:
    """Return the reportable result of each test of a sample by the method's id, computed from its runs as they are now.

    A test of which all runs are verifications has none.  A record of an earlier time stays, without any attempt.
    """
    reader = releases.reader
    tested: dict[str, list[_Tested]] = {}
    for run in runs_of_sample(reader, sample):
        tested.setdefault(run.method_id, []).append(_Tested(run, attempt_of(reader, run), reader.newest_result(run.id)))
    products = {t.run.product for runs in tested.values() for t in runs if t.run.product}
    names = [test for test, runs in tested.items() if not all(_is_verification(t) for t in runs)]
    names += [s.data["test"] for s in found_by(reader, ReportableRecord.kind, "sample", sample, limit=-1)]
    return {
        test: _computed(releases, catalogue, sample, test, tested.get(test, []), products)
        for test in dict.fromkeys(names)
    }


def _is_verification(t: _Tested) -> bool:
    data = t.attempt[1]
    return data is not None and bool(data.get("verification"))


def _computed(
    releases: Releases, catalogue: "Catalogue", sample: str, test: str, runs: list[_Tested], products: set[str]
) -> ReportableData:
    undecided, product = _product(catalogue, products)
    found = reportable(sample, [t.attempt for t in runs], product, test)
    if undecided is not None:
        found = _without_value(sample, runs, undecided)
    counted = {a.run for a in found.attempts if a.counted}
    own = [t for t in runs if t.run.id in counted]
    return ReportableData.of(
        found,
        {t.run.id: (t.newest.id, digest_of(t.newest.data)) for t in runs if t.newest is not None},
        test=test,
        simulated=any(t.run.simulated or bool((t.attempt[1] or {}).get("simulated")) for t in own),
        blocked=distinct(s for t in own for s in releases.doubts(t.run)),
    )


def _product(catalogue: "Catalogue", names: set[str]) -> tuple[Statement | None, Product | None]:
    """Return the product of the runs, or the statement why nothing is decided.

    Without its rule for replicates the first result of an unknown product would be reported.
    """
    if len(names) > 1:
        return state("products_differ", products=tuple(sorted(names))), None
    name = next(iter(names), "")
    product = catalogue.products.get(name)
    if name and product is None:
        return state("product_unknown", product=name), None
    return None, product


def _without_value(sample: str, runs: list[_Tested], why: Statement) -> Reportable:
    found = reportable(sample, [], None)
    attempts = tuple(replace(t.attempt[0], counted=False, why=(why,)) for t in runs)
    return replace(found, decided="none", how=why, attempts=attempts)


def is_current(releases: Releases, catalogue: "Catalogue", record: ReportableRecord) -> bool:
    """Return whether a stored reportable result is that of its runs and its product as they are now."""
    now = computed(releases, catalogue, record.sample).get(record.test)
    return now is not None and contents(reportable_record(now)) == contents(record)


def samples_after(reader: Reader, run: RunRecord, *, judged_again: bool = False) -> list[str]:
    """Return the samples whose reportable results a result of a run may change.

    A verification or a control changes those of all results that it puts in doubt.  With `judged_again` it was
    corrected, and these are all that it could put in doubt.
    """
    found = checks(reader, run.instrument)
    own = next((e for e in found if e.run == run.id), None)
    if own is None:
        return [run.sample]
    doubt = doubt_by(reader, run.instrument, found, own, however=judged_again)
    runs = (reader.run(other) for _, other in doubt.results)
    return list(dict.fromkeys(r.sample for r in runs if r is not None))


@dataclass(frozen=True, slots=True)
class Keeping:
    """The way to the store for reportable results.

    Attributes:
        topics: topics of the messages; None: nothing is published.
        who: the person or program, for the audit trail.
    """

    store: "Store"
    catalogue: "Catalogue"
    topics: Topics | None
    utc_ns: int
    who: str

    def store_of_samples(self, samples: Iterable[str]) -> list[str]:
        """Store the reportable results of samples that have changed; return their ids.

        Certificates of what they replace, and signatures, are withdrawn in the same transaction.

        Raises:
            StoreError: the database cannot be read or written.
        """
        return [ident for sample in dict.fromkeys(samples) if sample for ident in self._of_sample(sample)]

    def _of_sample(self, sample: str) -> list[str]:
        for tries_left in reversed(range(TRIES)):
            try:
                return self._try(sample)
            except ChangedMeanwhileError:
                if not tries_left:
                    raise
        return []

    def _try(self, sample: str) -> list[str]:
        with self.store.reader() as reader:
            found = computed(Releases(reader), self.catalogue, sample)
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
