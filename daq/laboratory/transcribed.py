"""A result that a person read by eye and entered by hand.  No instrument of this program measured it."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from daq.laboratory.kinds import OF_SAMPLE, OPEN, READ, TRANSCRIBED, read_key
from daq.laboratory.record import Record
from daq.methods.files.fields import Label, NeededLabel

TranscribedState = Literal["waiting", "mismatch", "confirmed"]


class Transcribed(Record):
    """A value that was read by eye; it counts once a second person has entered the same value without seeing it.

    Person and time of each entry are in the audit entry of its revision.

    Attributes:
        sample: id of the sample.
        test: name of the test: ``flow cup``, ``sieve residue``.
        replicate: number of the reading of this test.
        value, unit: number and UCUM code ("1": without a unit).
        as_typed: the text of the first person.
        read_utc_ns: time of the reading (UTC, ns).
        remark: why it was written by hand, for example a power failure.
        state: ``waiting`` for the second person, ``mismatch`` where both values differ, or ``confirmed``.
        first, second: the two persons; `second` is "" until one has entered the value.
        second_typed: the text of the second person, where it differs.
    """

    kind: ClassVar[str] = TRANSCRIBED
    sample: NeededLabel
    test: NeededLabel
    replicate: Annotated[int, Field(ge=1, le=9_999)] = 1
    value: float
    unit: NeededLabel
    as_typed: NeededLabel
    read_utc_ns: int
    remark: Label = ""
    state: TranscribedState = "waiting"
    first: NeededLabel
    second: Label = ""
    second_typed: Label = ""

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: sample, time of the reading, and the sample among those that are not confirmed."""
        found = [(OF_SAMPLE, self.sample), (READ, read_key(self.read_utc_ns))]
        return (*found, (OPEN, self.sample)) if self.state != "confirmed" else tuple(found)
