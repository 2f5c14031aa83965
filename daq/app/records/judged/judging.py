"""The one place that judges a sample: from which of its runs, by which version of its product, and whether it waits.

Reportable results, lists, charts, certificates and the repeat of a sample all ask here.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.declared import KIND as DECLARATION
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by, newest_revision
from daq.adapters.store.rows import RunRecord
from daq.app.records.attempts import MOVED, AttemptWithData, attempt_of, in_order_of_starts
from daq.app.records.judged.product_versions import ProductVersion, VersionOf, versions_of
from daq.core.errors import StoreError
from daq.laboratory.kinds import cause_id

if TYPE_CHECKING:
    from daq.methods.concluding.reportable import Attempt, Reportable
    from daq.methods.parts.statement import Statement

CAUSE: Final = "repeat_cause"
"""Kind of the record of an assigned cause (`daq.laboratory.bench.repeatcause`)."""
MOVED_FROM: Final = "moved_from"
"""Key of a declaration: a sample to which its run belonged before."""
VERSION_UNKNOWN: Final = "product_version_unknown"
"""Code of the statement about runs by an unknown version of their product."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One run of a sample, as an attempt with its newest result.

    Attributes:
        moved: None, or the statement about the correction that gave the run to another sample.
        outside: of a moved run: it was outside, or the sample waited for a cause, when it was moved.
        joined: a correction gave the run to this sample.
    """

    run: RunRecord
    attempt: AttemptWithData
    moved: "Statement | None" = None
    outside: bool = False
    joined: bool = False

    @property
    def data(self) -> dict[str, Any] | None:
        """The newest result (`ResultData` as JSON)."""
        return self.attempt[1]


def tried(reader: Reader, run: RunRecord) -> Tried:
    """Return a run that belongs to its sample."""
    return Tried(run, attempt_of(reader, run))


def tried_of_sample(reader: Reader, sample: str) -> list[Tried]:
    """Return the runs of a sample, and those that a correction gave to another one, oldest first."""
    runs = reader.runs(limit=-1, sample=sample)
    own = [replace(tried(reader, r), joined=bool(samples_left(reader, r.id))) for r in runs]
    return in_order_of_starts(reader, [*own, *moved_away(reader, sample)], lambda t: t.run)


def moved_away(reader: Reader, sample: str) -> list[Tried]:
    """Return the runs that corrections gave to other samples."""
    from daq.methods.parts.statement import state

    out = []
    for stored in found_by(reader, DECLARATION, MOVED_FROM, sample, limit=-1):
        run = reader.run(stored.id)
        left = next((m for m in stored.data.get("moved", ()) if m["sample"] == sample), None)
        if run is not None and left is not None:
            moved = state(MOVED, sample=left["to"], because=left["because"])
            out.append(Tried(run, attempt_of(reader, run), moved, bool(left["outside"])))
    return out


def samples_left(reader: Reader, run: str) -> list[str]:
    """Return the samples to which a run belonged before."""
    stored = newest_revision(reader, DECLARATION, run)
    return [] if stored is None else [str(m["sample"]) for m in stored.data.get("moved", ())]


def judged(
    sample: str, runs: Sequence[Tried], version_of: VersionOf, test: str = "", products: Iterable[str] = ()
) -> "Reportable":
    """Return the reportable result of a sample, by the product's version that is stored with the runs that count.

    Runs under two versions of the product give no result: neither version was set for both.

    Args:
        sample: id of the sample.
        runs: its runs, oldest first.
        version_of: finds the product's version of a run.
        test: id of the method; "" means that of the first valid result.
        products: products that runs of other tests of the sample name.
    """
    from daq.methods.concluding.reportable import counting, reportable
    from daq.methods.parts.statement import state

    own = [t for t in runs if t.moved is None]
    attempts = [t.attempt for t in own]
    names = {*products, *(t.run.product for t in own if t.run.product)}
    if len(names) > 1:
        return _with_moved(_undecided(sample, own, state("products_differ", products=tuple(sorted(names)))), runs)
    found = reportable(sample, attempts, None, test)
    by_run = {t.run.id: t for t in own}
    first = next((by_run[run] for run in counting(attempts, test) if by_run[run].run.product), None)
    first = first or next((t for t in own if t.run.product), None)
    if first is not None:
        version = _version(first.run, version_of)
        if not isinstance(version, ProductVersion):
            return _with_moved(_undecided(sample, own, version), runs)
        found = reportable(sample, attempts, version.product, test)
        why_not = _other_version(version, [by_run[a.run] for a in found.attempts if a.counted], version_of)
        if why_not is not None:
            found = _undecided(sample, own, why_not)
    return _with_moved(found, runs)


def _version(run: RunRecord, version_of: VersionOf) -> "ProductVersion | Statement":
    """Return the version of the product by which a run is judged, or why there is none.

    A damaged text is an objection to its own sample only, so that it ends no list of samples.
    """
    from daq.methods.parts.statement import state

    try:
        found = version_of(run)
    except StoreError:
        return state("product_text_damaged", product=run.product, run=run.id[:8])
    return found or state(VERSION_UNKNOWN, product=run.product, run=run.id[:8])


def _other_version(version: ProductVersion, counted: Iterable[Tried], version_of: VersionOf) -> "Statement | None":
    from daq.methods.parts.statement import state

    for t in counted:
        other = _version(t.run, version_of) if t.run.product else version
        if not isinstance(other, ProductVersion):
            return other
        if other.digest != version.digest:
            names = tuple(dict.fromkeys((version.version, other.version)))
            return state("product_versions_differ", product=version.product.id, versions=names)
    return None


def _undecided(sample: str, runs: Sequence[Tried], why: "Statement") -> "Reportable":
    from daq.methods.concluding.reportable import reportable

    attempts = tuple(replace(t.attempt[0], counted=False, why=(why,)) for t in runs)
    return replace(reportable(sample, [], None), decided="none", how=why, attempts=attempts)


def _with_moved(found: "Reportable", runs: Sequence[Tried]) -> "Reportable":
    """Return a reportable result that lists the runs that were moved to another sample, too."""
    known = {a.run: a for a in found.attempts}
    moved = {t.run.id: _left(t.attempt[0], t.moved) for t in runs if t.moved is not None}
    if not moved:
        return found
    return replace(found, attempts=tuple((known | moved)[t.run.id] for t in runs))


def _left(attempt: "Attempt", why: "Statement") -> "Attempt":
    """Return an attempt without its value, which belongs to another sample: later corrections change nothing here."""
    return replace(attempt, value=None, unit="", expanded=None, validity="", counted=False, why=(why,))


def judged_sample(reader: Reader, sample: str, test: str = "") -> "Reportable":
    """Return the reportable result of a sample as it is stored now; `test` as in `judged`."""
    return judged(sample, tried_of_sample(reader, sample), versions_of(reader), test)


def waits_after(
    sample: str, runs: Sequence[Tried], version_of: VersionOf, has_cause: Callable[[str, str], bool]
) -> str:
    """Return the run after which a further run of a test needs an assigned cause; "" where it needs none.

    It needs one where the reportable value is outside its limits and no cause is assigned to the newest valid run.  A
    result that the product's rule still asks for needs none.  A run that was outside when a correction gave it to
    another sample needs its cause, too.

    Args:
        sample: id of the sample.
        runs: its runs of the test, oldest first.
        version_of: finds the product's version of a run.
        has_cause: returns whether a run has an assigned cause as a run of a sample.
    """
    left = [t.run.id for t in runs if t.moved is not None and t.outside and not has_cause(t.run.id, sample)]
    if left:
        return left[-1]
    first = _outside_without_cause(sample, runs, version_of, has_cause)
    if first or not any(t.joined for t in runs):
        return first
    # A result that a correction brings does not end the wait of the sample's own results.
    return _outside_without_cause(sample, [t for t in runs if not t.joined], version_of, has_cause)


def _outside_without_cause(
    sample: str, runs: Sequence[Tried], version_of: VersionOf, has_cause: Callable[[str, str], bool]
) -> str:
    """Return the newest valid run, where the value of these runs is outside and it has no cause; otherwise ""."""
    found = judged(sample, runs, version_of)
    valid = [t for t in runs if t.moved is None and t.data is not None and t.data["validity"] == "valid"]
    outside = found.verdict == "outside"
    if found.value is None and found.decided == "none":
        # Without a decision each run has its own verdict.
        outside = any(t.data is not None and t.data["verdict"]["verdict"] == "outside" for t in valid)
    if not outside or not valid:
        return ""
    newest = valid[-1].run.id
    return "" if has_cause(newest, sample) else newest


def causes_of(reader: Reader) -> Callable[[str, str], bool]:
    """Return the function that finds whether a run has an assigned cause as a run of a sample."""

    def has_cause(run: str, sample: str) -> bool:
        found = (newest_revision(reader, CAUSE, ident) for ident in (run, cause_id(run, sample)))
        return any(stored is not None and stored.data["sample"] == sample for stored in found)

    return has_cause


def without_cause(reader: Reader, sample: str, test: str) -> str:
    """Return the run after which a further run of a test (id of its method) needs a cause; see `waits_after`."""
    runs = [t for t in tried_of_sample(reader, sample) if t.run.method_id == test]
    return waits_after(sample, runs, versions_of(reader), causes_of(reader))


def deciding_runs(reader: Reader, sample: str, test: str) -> list[RunRecord]:
    """Return the runs whose results decide that of a test (id of its method) of a sample, oldest first.

    They are the runs that count.  Where no decision is made they are all valid runs, because each has its own verdict.
    """
    runs = [t for t in tried_of_sample(reader, sample) if t.run.method_id == test]
    found = judged(sample, runs, versions_of(reader), test)
    counted = {a.run for a in found.attempts if a.counted}
    valid = {t.run.id for t in runs if t.moved is None and t.data is not None and t.data["validity"] == "valid"}
    return [t.run for t in runs if t.run.id in (counted or valid)]


def other_attempts(reader: Reader, run: RunRecord) -> list[RunRecord]:
    """Return the further runs of a run's sample and test that have a value and no assigned cause.

    A certificate of one run would hide them.  Runs that never count, such as verifications, and annulled runs have no
    value of the sample.
    """
    has_cause = causes_of(reader)
    return [
        t.run
        for t in tried_of_sample(reader, run.sample)
        if t.run.id != run.id
        and t.run.method_id == run.method_id
        and _is_value(t)
        and not has_cause(t.run.id, run.sample)
    ]


def _is_value(t: Tried) -> bool:
    if t.moved is not None:
        return t.outside
    from daq.methods.parts.nevercounting import never_counts

    data = t.data
    return data is not None and data["value"] is not None and data["validity"] == "valid" and not never_counts(data)
