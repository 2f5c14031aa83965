"""The sheet of a day: all runs that started on it, by instrument, their counts, and what is open."""

from dataclasses import dataclass, replace
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, newest_revision
from daq.app.records.run_rows import Entry, entry, marks_of, value_of, verdict_of
from daq.app.records.searching import ALL, RunSearch, search
from daq.app.records.sheets.day_counts import Counts, day_counts
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import Transcription, count_read, read_between
from daq.app.screens.text import ended, spaced
from daq.core.encoding import encode
from daq.laboratory.kinds import SAMPLE
from daq.quality.digits import NOTHING

COLUMNS: Final = ["time", "sample", "product", "lot", "value", "validity", "verdict", "operator", "remark"]
"""Heads of the table of runs, on the screen and on the page."""
LISTED: Final = 50
"""Number of runs that a sheet lists where no other number is asked for: the newest ones."""
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
    """Runs by instrument, in the order of time: the newest ones, where the sheet has a bound."""
    counts: Counts
    """Numbers of all runs of the span, however many are listed."""
    open: OpenWork
    transcribed: tuple[Transcription, ...]
    """Values that were read by eye on that day and entered by hand, the newest ones; they are no runs."""
    transcribed_count: int
    """Number of all values that were read by eye on that day."""
    listed_from_utc_ns: int | None
    """Start of the first run that is listed, where the span has runs before it; otherwise None."""

    def as_json(self) -> dict[str, Any]:
        """Return all of it as JSON values."""
        out: dict[str, Any] = encode(replace(self, transcribed=()))
        return out | {"transcribed": [t.as_json() for t in self.transcribed]}


def day_sheet(
    reader: Reader,
    begin_utc_ns: int,
    end_utc_ns: int,
    instrument: str = "",
    *,
    limit: int = LISTED,
    until_utc_ns: int | None = None,
) -> DaySheet:
    """Return the sheet of a day, or with `instrument` of the runs on it.

    Args:
        reader: the database.
        begin_utc_ns: begin of the day.
        end_utc_ns: end of the day.
        instrument: only runs on it; "" means all.
        limit: greatest number of runs, and of values that were read by eye, that are listed: the newest ones; -1: all.
            The counts are of all.
        until_utc_ns: only runs that started until then are listed; None: all.

    Raises:
        StoreError: the database cannot be read.
    """
    until = end_utc_ns if until_utc_ns is None else min(until_utc_ns, end_utc_ns)
    asked = RunSearch(instrument=instrument, since_utc_ns=begin_utc_ns, until_utc_ns=until)
    found = search(reader, asked, limit=-1 if limit < 0 else limit + 1, most=ALL)
    listed = found.runs if limit < 0 else found.runs[:limit]
    releases = Releases(reader)
    rows = [_row(reader, entry(reader, record, releases)) for record in reversed(listed)]
    names = sorted({r.run.instrument for r in rows})
    return DaySheet(
        begin_utc_ns=begin_utc_ns,
        end_utc_ns=end_utc_ns,
        instruments={name: [r for r in rows if r.run.instrument == name] for name in names},
        counts=day_counts(reader, begin_utc_ns, end_utc_ns, instrument),
        open=_open(reader),
        # They name no instrument, so that the sheet of one instrument has none.
        transcribed=() if instrument else tuple(read_between(reader, begin_utc_ns, end_utc_ns, limit=limit)),
        transcribed_count=0 if instrument else count_read(reader, begin_utc_ns, end_utc_ns),
        listed_from_utc_ns=listed[-1].began_utc_ns if len(found.runs) > len(listed) else None,
    )


def _row(reader: Reader, e: Entry) -> SheetRow:
    # A result is not complete where its run was ended early; a reader of the value must see that.
    how = ended(e.outcome, e.reason or "") if e.outcome not in (None, "complete") else ""
    sample = newest_revision(reader, SAMPLE, e.sample)
    remark = "" if sample is None else str(sample.data.get("remark") or "")
    person = "operator not authorised" if e.attribution == "not_authorised" else ""
    return SheetRow(e, "; ".join(part for part in (*marks_of(e), person, how, remark) if part))


def _open(reader: Reader) -> OpenWork:
    rows = reader.query(
        "SELECT id FROM record_keys WHERE kind = 'sample' AND name >= 'open ' AND name < 'open!' "
        "ORDER BY name, value, id LIMIT ?",
        [MOST_OPEN + 1],
    )
    stored = [newest_revision(reader, SAMPLE, row["id"]) for row in rows[:MOST_OPEN]]
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
