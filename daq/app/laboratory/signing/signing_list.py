"""The set of runs or reportable results of a period that a person may sign, those with exceptions first."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final, get_args

from daq.adapters.store.forms.result_values import DamagedResultError, places_of
from daq.adapters.store.records import found_by, newest_revision
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.signing.report_subjects import report_named, report_subject
from daq.app.laboratory.signing.subjects import ExceptionName, Subject, refusals, reportable_subject, run_subject
from daq.app.records.searching import RunSearch, search
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import REPORTABLE
from daq.laboratory.people import Person
from daq.laboratory.signing import Meaning
from daq.methods.parts.statement import Statement

_RANK: Final = {name: number for number, name in enumerate(get_args(ExceptionName))}
EXAMINED: Final = 30
"""Number of runs of a period that are examined at once: what is signed is seen by a person before."""
ALREADY: Final = "signed_already"
"""Code of the reason of what is not listed, because it needs no signature."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A wish to sign: meaning and person (None: not known yet), and the period (UTC ns, both ends included)."""

    meaning: Meaning
    person: Person | None
    since_utc_ns: int | None = None
    until_utc_ns: int | None = None
    product: str = ""
    instrument: str = ""
    reportables: bool = False
    """Reportable results of samples with a run in the period, and not the runs."""
    limit: int = EXAMINED
    """Greatest number of runs of the period that are examined, the newest ones."""


@dataclass(frozen=True, slots=True)
class SigningList:
    """Records that can be signed, and those left out.

    Attributes:
        to_sign: those with exceptions first, then by time.
        left_out: what must not be signed, with the reasons.
        without_result: ids of runs that have no result yet.
        damaged: run and field of each result that cannot be read.
        signed: number of those that have the signature already.
        reached_utc_ns: start of the first run that was examined, where the period has runs before it; the list goes on
            with a period until then.
    """

    to_sign: list[Subject]
    left_out: list[tuple[Subject, tuple[Statement, ...]]]
    without_result: list[str]
    damaged: list[dict[str, str]]
    signed: int
    reached_utc_ns: int | None


def signing_list(releases: Releases, catalogue: Catalogue, asked: Asked) -> SigningList:
    """Return the set of a period.

    Raises:
        StoreError: the database cannot be read.
    """
    search_ = RunSearch(
        product=asked.product,
        instrument=asked.instrument,
        since_utc_ns=asked.since_utc_ns,
        until_utc_ns=asked.until_utc_ns,
    )
    found = search(releases.reader, search_, limit=asked.limit + 1)
    runs = found.runs[: asked.limit]
    reached = found.reached_utc_ns if len(found.runs) == len(runs) else runs[-1].began_utc_ns
    out = SigningList([], [], [], [], 0, reached)
    damages: list[DamagedResultError] = []
    with_result = []
    for run in reversed(runs):
        if releases.reader.newest_result(run.id) is None:
            out.without_result.append(run.id)
        else:
            with_result.append(run)
    signed = 0
    for subject in _subjects(releases, with_result, damages, reportables=asked.reportables):
        own = catalogue.daemon.people.review_own
        why = refusals(subject, asked.meaning, asked.person, review_own=own, alone=False)
        if any(s.code == ALREADY for s in why):
            signed += 1
        elif why:
            out.left_out.append((subject, why))
        else:
            out.to_sign.append(subject)
    ordered = sorted(out.to_sign, key=_place)
    return SigningList(ordered, out.left_out, out.without_result, places_of(damages), signed, reached)


def _place(subject: Subject) -> tuple[bool, int, int]:
    first = min((_RANK[name] for name in subject.exceptions), default=len(_RANK))
    return not subject.exceptions, first, subject.began_utc_ns


def _subjects(
    releases: Releases, runs: list[RunRecord], damages: list[DamagedResultError], *, reportables: bool
) -> Iterator[Subject]:
    """Yield the subjects of runs; those of results that cannot be read add their error to `damages`."""
    makers: Iterator[Callable[[], Subject]]
    if reportables:
        samples = dict.fromkeys(run.sample for run in runs)
        kept = (
            found for sample in samples for found in found_by(releases.reader, REPORTABLE, "sample", sample, limit=-1)
        )
        makers = (partial(reportable_subject, releases, found.id) for found in kept if found.data["runs"])
    else:
        makers = (partial(run_subject, releases, run) for run in runs)
    for make in makers:
        try:
            yield make()
        except DamagedResultError as error:  # all others can be signed
            damages.append(error)


def named_subject(releases: Releases, given: str) -> Subject:
    """Return what a person names: a reportable result (SAMPLE/TEST), a run as for `find_run`, or a report's number.

    Raises:
        SettingError: nothing, several runs, or a run and a report have this name.
    """
    if newest_revision(releases.reader, REPORTABLE, given) is not None:
        return reportable_subject(releases, given)
    report = _report(releases, given)
    try:
        run = find_run(releases.reader, given)
    except SettingError:
        if report is None:
            raise
        return report_subject(releases, report)
    if report is not None:
        raise coded(SettingError(f"{given} begins a run and a report; type more of it"), "run_or_report", name=given)
    return run_subject(releases, run)


def _report(releases: Releases, given: str) -> str | None:
    try:
        return report_named(releases.reader, given).record.id
    except SettingError:
        return None
