"""The sheet of a day: all runs that started on it, by instrument, their counts, and what is open."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, newest_revision
from daq.app.records.run_rows import Entry, entry, marks_of, value_of, verdict_of
from daq.app.records.searching import RunSearch, search
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import Transcription, read_between
from daq.app.screens.text import ended, spaced
from daq.core.encoding import encode
from daq.laboratory.samples import Sample
from daq.quality.digits import NOTHING

COLUMNS: Final = ["time", "sample", "product", "lot", "value", "validity", "verdict", "operator", "remark"]
"""Heads of the table of runs, on the screen and on the page."""
MOST_OPEN: Final = 50
"""Greatest number of open samples that a sheet names."""


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One run with the remarks on it: of its sample, on its end, and on the kind of its result."""

    run: Entry
    remark: str

    @property
    def cells(self) -> list[str]:
        """The texts below `COLUMNS` but the first, which is the time in the form of the screen or page."""
        return [
            self.run.sample,
            self.run.product or NOTHING,
            self.run.lot or NOTHING,
            value_of(self.run, interval=True),
            spaced(self.run.validity or NOTHING),
            verdict_of(self.run),
            self.run.operator,
            self.remark,
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Numbers of runs.  `runs` is the sum of `valid`, `doubtful`, `not_valid` and `without_result`."""

    runs: int
    valid: int
    doubtful: int
    not_valid: int
    without_result: int
    outside: int
    undecided: int
    repeats: int
    """Runs that are not the first of their sample."""
    without_product: int


@dataclass(frozen=True, slots=True)
class OpenSample:
    """A sample that waits for its measurement."""

    id: str
    product: str
    lot: str
    bench: str
    due: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWork:
    """Work that is not finished at the present time, of any day."""

    running: tuple[str, ...]
    """Ids of the runs without an end."""
    motors_in_doubt: tuple[str, ...]
    """Instruments whose motor may still be turning."""
    samples: tuple[OpenSample, ...]
    """The first `MOST_OPEN` of them."""
    more_samples: bool
    messages_waiting: int
    messages_refused: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySheet:
    """The sheet of the runs that started in a span of time (UTC ns, both ends included)."""

    begin_utc_ns: int
    end_utc_ns: int
    instruments: dict[str, list[SheetRow]]
    """Runs by instrument, in the order of time."""
    counts: Counts
    open: OpenWork
    transcribed: tuple[Transcription, ...]
    """Values that were read by eye on that day and entered by hand; they are no runs."""
    examined_from_utc_ns: int | None
    """Start of the first run that was examined, where the day has too many for one search; otherwise None."""

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values."""
        out: dict[str, Any] = encode(replace(self, transcribed=()))
        return out | {"transcribed": [t.as_json() for t in self.transcribed]}


def day_sheet(reader: Reader, begin_utc_ns: int, end_utc_ns: int, instrument: str = "") -> DaySheet:
    """Return the sheet of a day, or with `instrument` of the runs on it.

    Raises:
        StoreError: the database cannot be read.
    """
    asked = RunSearch(instrument=instrument, since_utc_ns=begin_utc_ns, until_utc_ns=end_utc_ns)
    found = search(reader, asked)
    releases = Releases(reader)
    rows = [_row(reader, entry(reader, record, releases)) for record in reversed(found.runs)]
    names = sorted({r.run.instrument for r in rows})
    return DaySheet(
        begin_utc_ns=begin_utc_ns,
        end_utc_ns=end_utc_ns,
        instruments={name: [r for r in rows if r.run.instrument == name] for name in names},
        counts=counted([r.run for r in rows]),
        open=_open(reader),
        # They name no instrument, so that the sheet of one instrument has none.
        transcribed=() if instrument else tuple(read_between(reader, begin_utc_ns, end_utc_ns)),
        examined_from_utc_ns=found.reached_utc_ns,
    )


def counted(runs: Sequence[Entry]) -> Counts:
    """Return the numbers of runs of each kind.  Pure."""
    validities = [r.validity for r in runs]
    verdicts = [r.verdict for r in runs]
    return Counts(
        runs=len(runs),
        valid=validities.count("valid"),
        doubtful=validities.count("doubtful"),
        not_valid=validities.count("not_valid"),
        without_result=validities.count(None),
        outside=verdicts.count("outside"),
        undecided=verdicts.count("undecided"),
        repeats=sum(r.replicate > 1 for r in runs),
        without_product=sum(r.product is None for r in runs),
    )


def _row(reader: Reader, e: Entry) -> SheetRow:
    # A result is not complete where its run was ended early; a reader of the value must see that.
    how = ended(e.outcome, e.reason or "") if e.outcome not in (None, "complete") else ""
    sample = newest_revision(reader, Sample.kind, e.sample)
    remark = "" if sample is None else str(sample.data.get("remark") or "")
    person = "operator not authorised" if e.attribution == "not_authorised" else ""
    return SheetRow(e, "; ".join(part for part in (*marks_of(e), person, how, remark) if part))


def _open(reader: Reader) -> OpenWork:
    rows = reader.query(
        "SELECT id FROM record_keys WHERE kind = 'sample' AND name >= 'open ' AND name < 'open!' "
        "ORDER BY name, value, id LIMIT ?",
        [MOST_OPEN + 1],
    )
    stored = [newest_revision(reader, Sample.kind, row["id"]) for row in rows[:MOST_OPEN]]
    depth = reader.outbox_depth()
    return OpenWork(
        running=tuple(r.id for r in reader.unfinished_runs()),
        motors_in_doubt=tuple(sorted(reader.motors_in_doubt())),
        samples=tuple(_sample(s) for s in stored if s is not None),
        more_samples=len(rows) > MOST_OPEN,
        messages_waiting=depth.waiting,
        messages_refused=depth.refused + depth.quarantined + depth.changed,
    )


def _sample(stored: StoredRecord) -> OpenSample:
    # Not the model, whose checks would let one damaged record hold up the whole sheet.
    texts = (str(stored.data.get(name) or "") for name in ("product", "lot", "bench", "due"))
    return OpenSample(stored.id, *texts)
