"""The review of a month: repeats, corrections and left-out checks by bench and person."""

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.signing.affected_runs import OutsideFound, outside_found
from daq.app.records.judged.repeated_runs import repeated_between
from daq.app.records.transcriptions import Transcription, entries_of, read_between
from daq.app.screens.text import local_time
from daq.core.errors import SettingError, coded
from daq.laboratory.bench.benchstate import Checklist
from daq.laboratory.declarations import Declaration
from daq.laboratory.transcribed import Transcribed
from daq.process.moments import read_moment

LISTED: Final = 50
"""Greatest number of transcribed values that a review lists; it counts all."""
_MONTH: Final = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")
NO_AUTHORISATION: Final = "not_authorised"
SKIPPED: Final = "skipped"
"""The word by which an item of a checklist states that it was left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewCounts:
    """Numbers of the runs that one person started on one bench in a month.

    Attributes:
        instrument: the bench.
        person: the operator of the runs, as declared now.
        runs: all runs.
        repeats: runs that are repeats, as `daq.app.records.judged.repeated_runs` decides.
        corrected, annulled: runs that were corrected, or annulled, until now.
        anyway: runs that were started although their result could not be comparable (`--anyway`).
        skipped_checks: items of checklists that were left out.
        without_checklist: runs that no checklist belongs to, as those by `daq run`: all of its items are left out.
        not_authorised: runs without an authorisation for their method.
    """

    instrument: str
    person: str
    runs: int = 0
    repeats: int = 0
    corrected: int = 0
    annulled: int = 0
    anyway: int = 0
    skipped_checks: int = 0
    without_checklist: int = 0
    not_authorised: int = 0


COUNTED: Final = (
    "runs",
    "repeats",
    "corrected",
    "annulled",
    "anyway",
    "skipped_checks",
    "without_checklist",
    "not_authorised",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """The review of a month.

    Attributes:
        month: ``2026-11``.
        rows: counts by bench and person.
        total: their sums.
        transcribed: values that were read by eye in the month, the newest `LISTED` ones.
        transcribed_count: number of all of them.
        mismatches: entries of a second person in them that differed from the first.
        outside: calibrations recorded in the month that found a piece outside of its tolerance.
    """

    month: str
    rows: tuple[ReviewCounts, ...]
    total: ReviewCounts
    transcribed: tuple[Transcription, ...]
    transcribed_count: int
    mismatches: int
    outside: tuple[OutsideFound, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values."""
        return {
            "month": self.month,
            "rows": [asdict(r) for r in self.rows],
            "total": asdict(self.total),
            "transcribed": [t.as_json() for t in self.transcribed],
            "transcribed_count": self.transcribed_count,
            "mismatches": self.mismatches,
            "outside": [o.as_json() for o in self.outside],
        }


@dataclass(frozen=True, slots=True)
class _Run:
    """The numbers of one run, or of several runs of one bench and person."""

    instrument: str
    person: str
    counts: dict[str, int]


def _no_month(text: str) -> SettingError:
    return coded(SettingError(f"{text!r} is no month; write 2026-11", key="MONTH"), "no_month", given=text)


def span_of_month(month: str) -> tuple[int, int]:
    """Return first and last moment (UTC ns) of a month in local time.

    Raises:
        SettingError: the text is no month.
    """
    found = _MONTH.fullmatch(month)
    if found is None or found[1] in ("0000", "9999"):
        raise _no_month(month)
    year, number = int(found[1]), int(found[2])
    after = f"{year + number // 12:04d}-{number % 12 + 1:02d}-01"
    try:
        return read_moment(f"{month}-01", end=False), read_moment(after, end=False) - 1
    except (ValueError, OverflowError):
        raise _no_month(month) from None


def review(reader: Reader, month: str) -> Review:
    """Return the review of a month; errors as in `span_of_month`."""
    first, last = span_of_month(month)
    runs = [*_as_started(reader, first, last), *_others(reader, first, last)]
    # All are read, because a mismatch is counted from the revisions of each.
    transcribed = tuple(read_between(reader, first, last))
    return Review(
        month=month,
        rows=tuple(counts(runs)),
        total=_sum("", "", runs),
        transcribed=transcribed[-LISTED:],
        transcribed_count=len(transcribed),
        mismatches=sum(_mismatches(reader, t.record) for t in transcribed),
        outside=tuple(outside_found(reader, first, last)),
    )


def counts(runs: Sequence[_Run]) -> Iterable[ReviewCounts]:
    """Yield the counts by bench and person, in alphabetical order.  Pure."""
    for instrument, person in sorted({(r.instrument, r.person) for r in runs}):
        row = _sum(instrument, person, [r for r in runs if (r.instrument, r.person) == (instrument, person)])
        if row.runs:  # otherwise all runs of this person were declared anew
            yield row


def _sum(instrument: str, person: str, runs: Sequence[_Run]) -> ReviewCounts:
    sums = {name: sum(r.counts.get(name, 0) for r in runs) for name in COUNTED}
    return ReviewCounts(instrument=instrument, person=person, **sums)


def _as_started(reader: Reader, first: int, last: int) -> list[_Run]:
    """Return the counts of the runs of a span of time (UTC ns) by bench and by the person at the start.

    One index has all of it, so that a month of many runs is counted without reading them.
    """
    rows = reader.rows(
        "SELECT instrument, operator, count(*), sum(attribution = 'not_authorised'), "
        "sum(NOT EXISTS (SELECT 1 FROM records WHERE kind = 'checklist' AND id = runs.id)) FROM runs "
        "WHERE began_utc_ns BETWEEN ? AND ? GROUP BY instrument, operator",
        [first, last],
    )
    names = ("runs", "not_authorised", "without_checklist")
    return [_Run(instrument, person, dict(zip(names, counts, strict=True))) for instrument, person, *counts in rows]


def _others(reader: Reader, first: int, last: int) -> Iterator[_Run]:
    """Yield the counts of the few repeats, and of runs with a correction, ``--anyway`` or items that were left out."""
    for repeated in repeated_between(reader, first, last):
        yield _Run(repeated.instrument, repeated.operator, {"repeats": 1})
    for run in _found(reader, _DECLARED, first, last):
        states = {d.data.get("state", "corrected") for d in revisions(reader, Declaration.kind, run.id)}
        yield _Run(run.instrument, run.operator, {state: int(state in states) for state in ("corrected", "annulled")})
        started = reader.run_as_started(run.id)
        if started is not None and started.operator != run.operator:
            # The run counts for the person who is declared now.
            own = {
                "runs": 1,
                "not_authorised": int(run.attribution == NO_AUTHORISATION),
                "without_checklist": int(newest_revision(reader, Checklist.kind, run.id) is None),
            }
            yield _Run(run.instrument, started.operator, {name: -n for name, n in own.items()})
            yield _Run(run.instrument, run.operator, own)
    for run in _found(reader, _ANYWAY, first, last):
        yield _Run(run.instrument, run.operator, {"anyway": 1})
    openings: set[tuple[str, ...]] = set()
    for run in reversed(_found(reader, _SKIPPED, first, last)):
        skipped = _skipped(reader, run.id, run.instrument, run.began_utc_ns, openings)
        yield _Run(run.instrument, run.operator, {"skipped_checks": skipped})


_DECLARED: Final = (
    "SELECT runs.id FROM runs WHERE began_utc_ns BETWEEN ? AND ? "
    "AND EXISTS (SELECT 1 FROM records WHERE kind = 'declaration' AND id = runs.id) ORDER BY began_utc_ns"
)
_ANYWAY: Final = (
    # The entry of a start has the time of the start.
    "SELECT DISTINCT subject FROM audit WHERE what = 'run_started' AND json_extract(detail, '$.anyway') IS NOT NULL "
    "AND utc_ns BETWEEN ? AND ?"
)
_SKIPPED: Final = (
    "SELECT runs.id FROM runs JOIN records AS c ON c.kind = 'checklist' AND c.id = runs.id "
    "WHERE began_utc_ns BETWEEN ? AND ? AND instr(c.data, '\"skipped\"') "
    "GROUP BY runs.id ORDER BY began_utc_ns"
)


def _found(reader: Reader, sql: str, first: int, last: int) -> list[RunRecord]:
    """Return the runs that a statement finds in a span of time (UTC ns), as they are declared now."""
    found = (reader.run(run) for (run,) in reader.rows(sql, [first, last]))
    return [run for run in found if run is not None]


def _skipped(reader: Reader, run: str, bench: str, utc_ns: int, openings: set[tuple[str, ...]]) -> int:
    """Return the number of skipped items of a run's checklist.

    The list of the start of a shift is in the checklist of each of its runs; it counts once a bench and local day.
    `openings` has those that are counted already.
    """
    stored = newest_revision(reader, Checklist.kind, run)
    lists = {} if stored is None else {name: v for name, v in stored.data.items() if isinstance(v, list)}
    opening = (bench, local_time(utc_ns)[: len("2026-11-29")], json.dumps(lists.get("opening")))
    if opening in openings:
        lists.pop("opening", None)
    openings.add(opening)
    return sum(isinstance(item, dict) and item.get("how") == SKIPPED for items in lists.values() for item in items)


def _mismatches(reader: Reader, record: Transcribed) -> int:
    return sum(e.data["state"] == "mismatch" for e in entries_of(reader, record.id))
