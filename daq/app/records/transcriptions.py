"""Transcribed values for lists and sheets.  A value is shown only when it is confirmed, so that its check is blind."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, count_of_key, found_by, revisions
from daq.app.screens.text import local_time, utc_iso
from daq.core.units import symbol
from daq.laboratory.kinds import LAST, OF_SAMPLE, OPEN, READ, TRANSCRIBED, read_key
from daq.quality.digits import NOTHING

if TYPE_CHECKING:
    from daq.laboratory.transcribed import Transcribed

NOT_MEASURED = "transcribed: read by eye and entered by hand, not measured by an instrument"
"""The mark of every transcribed value."""


@dataclass(frozen=True, slots=True)
class Transcription:
    """A transcribed value as it is shown."""

    record: "Transcribed"
    revision: int
    is_damaged: bool = False
    """The stored record cannot be read; `daq verify` names what was changed."""

    @property
    def value(self) -> str:
        """The confirmed value with its unit as it was typed; a dash before it is confirmed."""
        return self.record.as_typed if self.record.state == "confirmed" else NOTHING

    @property
    def state(self) -> str:
        """The state in words."""
        r = self.record
        if self.is_damaged:
            return "the record is damaged: `daq verify`"
        if r.state == "confirmed":
            return f"entered by {r.first}, confirmed by {r.second}"
        if r.state == "mismatch":
            return f"the values of {r.first} and {r.second} differ: read it again"
        return f"entered by {r.first}, waits for a second person"

    @property
    def words(self) -> str:
        """The value in one line."""
        r = self.record
        number = f" {r.replicate}" if r.replicate > 1 else ""
        remark = f"; {r.remark}" if r.remark else ""
        return f"{r.sample}, {r.test}{number}: {self.value} ({self.state}; read {local_time(r.read_utc_ns)}{remark})"

    def as_json(self) -> dict[str, Any]:
        """Return the value as JSON values; None for what is not confirmed."""
        r = self.record
        confirmed = r.state == "confirmed"
        return {
            "origin": "transcribed",
            "sample": r.sample,
            "test": r.test,
            "replicate": r.replicate,
            "state": "damaged" if self.is_damaged else r.state,
            "value": r.value if confirmed else None,
            "unit": r.unit,
            "shown": f"{r.value:.15g} {symbol(r.unit)}".removesuffix(" 1").rstrip() if confirmed else None,
            "typed": r.as_typed if confirmed else None,
            "read": utc_iso(r.read_utc_ns),
            "first": r.first,
            "second": r.second or None,
            "remark": r.remark,
            "revision": self.revision,
        }


def of_sample(reader: Reader, sample: str) -> list[Transcription]:
    """Return the transcribed values of a sample, by test and number."""
    found = [_shown(r) for r in found_by(reader, TRANSCRIBED, OF_SAMPLE, sample, limit=-1)]
    return sorted(found, key=lambda t: (t.record.test, t.record.replicate))


def read_between(reader: Reader, first_utc_ns: int, last_utc_ns: int, *, limit: int = -1) -> list[Transcription]:
    """Return at most `limit` (-1: all) values that were read in a span of time: the newest ones, oldest first."""
    first, last = read_key(max(first_utc_ns, 0)), read_key(last_utc_ns)
    return [_shown(r) for r in reversed(found_by(reader, TRANSCRIBED, READ, first, last, limit=limit, newest=True))]


def count_read(reader: Reader, first_utc_ns: int, last_utc_ns: int) -> int:
    """Return the number of values that were read in a span of time."""
    return count_of_key(reader, TRANSCRIBED, READ, read_key(max(first_utc_ns, 0)), read_key(last_utc_ns))


def not_confirmed(reader: Reader, *, limit: int = 100) -> list[Transcription]:
    """Return at most `limit` values that no second person has confirmed, by sample."""
    return [_shown(r) for r in found_by(reader, TRANSCRIBED, OPEN, "", LAST, limit=limit)]


def named(reader: Reader, sample: str, test: str, replicate: int) -> Transcription | None:
    """Return the value of a test of a sample, or None."""
    found = (t for t in of_sample(reader, sample) if (t.record.test, t.record.replicate) == (test, replicate))
    return next(found, None)


def entries_of(reader: Reader, ident: str) -> list[StoredRecord]:
    """Return all revisions of a transcribed value, oldest first."""
    return revisions(reader, TRANSCRIBED, ident)


def _shown(stored: StoredRecord) -> Transcription:
    from daq.laboratory.transcribed import Transcribed  # few runs of a list have such a value

    try:
        return Transcription(Transcribed.model_validate(stored.data, strict=False), stored.revision)
    except ValueError:
        # One damaged record must not hold up a whole sheet.
        sample, test, first = (str(stored.data.get(name) or NOTHING) for name in ("sample", "test", "first"))
        record = Transcribed.model_construct(
            id=stored.id, sample=sample, test=test, value=0.0, unit="1", as_typed=NOTHING, read_utc_ns=0, first=first
        )
        return Transcription(record, stored.revision, is_damaged=True)
