"""The review of a month: repeats, corrections and left-out checks by bench and person."""

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision, revisions
from daq.app.laboratory.moments import read_moment
from daq.app.records.searching import RunSearch, search
from daq.app.records.transcriptions import Transcription, entries_of, read_between
from daq.app.screens.text import local_time
from daq.core.errors import SettingError
from daq.laboratory.bench.benchstate import Checklist
from daq.laboratory.declarations import Declaration
from daq.laboratory.transcribed import Transcribed

_MONTH: Final = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")
SKIPPED: Final = "skipped"
"""The word by which an item of a checklist states that it was left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewCounts:
    """Numbers of the runs that one person started on one bench in a month.

    Attributes:
        instrument: the bench.
        person: the operator of the runs, as declared now.
        runs: all runs.
        repeats: runs that are not the first of their sample.
        corrected, annulled: runs that were corrected, or annulled, until now.
        anyway: runs that were started although their result could not be comparable (`--anyway`).
        skipped_checks: items of checklists that were left out.
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
    not_authorised: int = 0


COUNTED: Final = ("runs", "repeats", "corrected", "annulled", "anyway", "skipped_checks", "not_authorised")


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """The review of a month.

    Attributes:
        month: ``2026-11``.
        rows: counts by bench and person.
        total: their sums.
        transcribed: values that were read by eye in the month.
        mismatches: entries of a second person in them that differed from the first.
        examined_from_utc_ns: set where the month has too many runs for one search; the counts begin there.
    """

    month: str
    rows: tuple[ReviewCounts, ...]
    total: ReviewCounts
    transcribed: tuple[Transcription, ...]
    mismatches: int
    examined_from_utc_ns: int | None

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values."""
        return {
            "month": self.month,
            "rows": [asdict(r) for r in self.rows],
            "total": asdict(self.total),
            "transcribed": [t.as_json() for t in self.transcribed],
            "mismatches": self.mismatches,
            "examined_from_utc_ns": self.examined_from_utc_ns,
        }


@dataclass(frozen=True, slots=True)
class _Run:
    """The numbers of one run."""

    instrument: str
    person: str
    counts: dict[str, int]


def span_of_month(month: str) -> tuple[int, int]:
    """Return first and last moment (UTC ns) of a month in local time.

    Raises:
        SettingError: the text is no month.
    """
    found = _MONTH.fullmatch(month)
    if found is None or found[1] in ("0000", "9999"):
        raise SettingError(f"{month!r} is no month; write 2026-11", key="MONTH")
    year, number = int(found[1]), int(found[2])
    after = f"{year + number // 12:04d}-{number % 12 + 1:02d}-01"
    try:
        return read_moment(f"{month}-01", end=False), read_moment(after, end=False) - 1
    except (ValueError, OverflowError):
        raise SettingError(f"{month!r} is no month; write 2026-11", key="MONTH") from None


def review(reader: Reader, month: str) -> Review:
    """Return the review of a month; errors as in `span_of_month`."""
    first, last = span_of_month(month)
    found = search(reader, RunSearch(since_utc_ns=first, until_utc_ns=last))
    openings: set[tuple[str, ...]] = set()
    runs = [
        _Run(
            r.instrument,
            r.operator,
            {
                "runs": 1,
                "repeats": int(r.replicate > 1),
                **_corrected(reader, r.id),
                "anyway": _anyway(reader, r.id),
                "skipped_checks": _skipped(reader, r.id, r.instrument, r.began_utc_ns, openings),
                "not_authorised": int(r.attribution == "not_authorised"),
            },
        )
        for r in found.runs
    ]
    transcribed = tuple(read_between(reader, first, last))
    return Review(
        month=month,
        rows=tuple(counts(runs)),
        total=_sum("", "", runs),
        transcribed=transcribed,
        mismatches=sum(_mismatches(reader, t.record) for t in transcribed),
        examined_from_utc_ns=found.reached_utc_ns,
    )


def counts(runs: Sequence[_Run]) -> Iterable[ReviewCounts]:
    """Yield the counts by bench and person, in alphabetical order.  Pure."""
    for instrument, person in sorted({(r.instrument, r.person) for r in runs}):
        yield _sum(instrument, person, [r for r in runs if (r.instrument, r.person) == (instrument, person)])


def _sum(instrument: str, person: str, runs: Sequence[_Run]) -> ReviewCounts:
    sums = {name: sum(r.counts.get(name, 0) for r in runs) for name in COUNTED}
    return ReviewCounts(instrument=instrument, person=person, **sums)


def _corrected(reader: Reader, run: str) -> dict[str, int]:
    states = {d.data.get("state", "corrected") for d in revisions(reader, Declaration.kind, run)}
    return {state: int(state in states) for state in ("corrected", "annulled")}


def _anyway(reader: Reader, run: str) -> int:
    rows = reader.query(
        "SELECT detail FROM audit WHERE subject = ? AND what = 'run_started' ORDER BY seq LIMIT 1", [run]
    )
    return int(any(json.loads(row["detail"]).get("anyway") for row in rows))


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
