"""A sample: what is to be measured, where it came from, and where its retained part is."""

from typing import Annotated, ClassVar, Final, Literal

from pydantic import Field

from daq.laboratory.kinds import SAMPLE, worklist_key
from daq.laboratory.record import Record
from daq.methods.files.fields import Day, Label, Model, NeededLabel

SampleState = Literal["open", "done", "cancelled"]
URGENT, ROUTINE, LATEST = 1, 5, 9
Priority = Annotated[int, Field(ge=URGENT, le=LATEST)]
"""1 is measured first, 9 last."""
NO_TIME: Final = ""
DISCARD_KEY: Final = "discard_on"
"""Key of the samples with a retained part, by the day from which it may be discarded."""


class Retained(Model):
    """The part of a sample that is kept."""

    place: NeededLabel
    discard_on: Day | None = None
    """Day (YYYY-MM-DD) from which it may be discarded."""


class Rework(Model):
    """A sample of a batch that was corrected after another sample of it was measured."""

    of: NeededLabel
    """Id of the earlier sample; its result and verdict stay."""
    added: NeededLabel
    """The material that was added, with its amount."""


class Sample(Record):
    """A sample of a product.

    Attributes:
        product, lot: product and batch.
        sampled_at, due: times, ISO 8601 with offset; "" where not known.
        condition, received_by: condition on receipt, and the person who received it.
        retained: place of the retained part, until it is discarded.
        rework: the earlier sample of a batch that was corrected.
        bench: instrument on whose worklist it is; "" means any.
        priority: 1 (first) to 9 (last).
        remark: text of a person.
        state: ``open`` until it is measured (``done``) or not wanted any more (``cancelled``).
    """

    kind: ClassVar[str] = SAMPLE
    product: Label = ""
    lot: Label = ""
    sampled_at: Label = NO_TIME
    due: Label = NO_TIME
    condition: Label = ""
    received_by: Label = ""
    retained: Retained | None = None
    rework: Rework | None = None
    bench: Label = ""
    priority: Priority = ROUTINE
    remark: Label = ""
    state: SampleState = "open"

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: id, product, lot, earlier sample, day of discarding, and priority on the open worklist."""
        found = [("id", self.id)]
        found += [(name, value) for name in ("product", "lot") if (value := getattr(self, name))]
        if self.rework is not None:
            found.append(("rework_of", self.rework.of))
        if self.retained is not None and self.retained.discard_on is not None:
            found.append((DISCARD_KEY, self.retained.discard_on))
        if self.state == "open":
            found.append((worklist_key(self.bench), str(self.priority)))
        return tuple(found)
