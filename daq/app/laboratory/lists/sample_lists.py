"""Questions about samples: one by its id, worklists, parts to discard, and rows for export."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by
from daq.app.laboratory.laboratory import Kept, find, kept, listed
from daq.laboratory.kinds import LAST, worklist_key
from daq.laboratory.samples import DISCARD_KEY, Sample

if TYPE_CHECKING:
    from daq.app.records.sheets.exporting import Row

NEVER: Final = datetime.max.replace(tzinfo=UTC)
"""Due time of a sample that has none."""
COLUMNS: Final = (
    "id", "product", "lot", "sampled_at", "due", "condition", "received_by", "retain", "discard_on", "rework_of",
    "added", "bench", "priority", "remark", "state",
)  # fmt: skip
"""Columns of a CSV file of samples, for import and export."""
PLACES: Final = {
    "retain": ("retained", "place"),
    "discard_on": ("retained", "discard_on"),
    "rework_of": ("rework", "of"),
    "added": ("rework", "added"),
}
"""Table and key of the sample for each column that has another name in it."""


def sample(reader: Reader, ident: str) -> Kept[Sample] | None:
    """Return a sample by its id, or None."""
    return find(reader, Sample, ident)


def worklist(
    reader: Reader, bench: str = "", *, limit: int = 100, suits: Callable[[Sample], bool] | None = None
) -> list[Kept[Sample]]:
    """Return the open samples that a bench can take, by priority and due time.

    Args:
        reader: the database.
        bench: name of the bench; "" means the samples that are on the list of no bench.
        limit: greatest number of samples.
        suits: tells whether the bench can measure a sample that is on the list of no bench; None: every sample.
    """
    stored = found_by(reader, Sample.kind, worklist_key(""), "", LAST, limit=-1)
    if bench:
        stored += found_by(reader, Sample.kind, worklist_key(bench), "", LAST, limit=-1)
    out: list[Kept[Sample]] = []
    # All places are compared, but only the listed samples are decoded.
    for one in sorted(stored, key=_place):
        if len(out) == limit:
            break
        found = kept(Sample, one)
        if not bench or found.record.bench or suits is None or suits(found.record):
            out.append(found)
    return out


def _place(stored: StoredRecord) -> tuple[int, datetime, str]:
    """Return the place on the worklist.  Due times have different offsets, so they are compared as moments."""
    return stored.data["priority"], _moment(stored.data["due"]) or NEVER, stored.id


def due_moment(sample: Sample) -> datetime | None:
    """Return the due time of a sample; None where it has none."""
    return _moment(sample.due)


def _moment(text: str) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def discard_due(reader: Reader, day: str, *, limit: int = 100) -> list[Kept[Sample]]:
    """Return the samples whose retained part may be discarded on a day (YYYY-MM-DD), the longest due first."""
    return listed(reader, Sample, DISCARD_KEY, "", day, limit=limit)


def all_samples(reader: Reader, *, limit: int = -1) -> list[Kept[Sample]]:
    """Return samples in any state, by id."""
    return listed(reader, Sample, "id", "", LAST, limit=limit)


def reworked_as(reader: Reader, ident: str) -> list[Kept[Sample]]:
    """Return the samples of the same batch after it was corrected."""
    return listed(reader, Sample, "rework_of", ident)


def rows(samples: Iterable[Sample]) -> "list[Row]":
    """Return a row with the cells of `COLUMNS` for each sample."""
    return [{column: _cell(s, column) for column in COLUMNS} for s in samples]


def _cell(sample: Sample, column: str) -> Any:
    table, key = PLACES.get(column, ("", column))
    inside = getattr(sample, table) if table else sample
    return None if inside is None else getattr(inside, key)
