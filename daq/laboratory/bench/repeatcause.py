"""Records of repeats and handovers."""

from typing import Annotated, Any, ClassVar, Literal

from daq.laboratory.record import Record
from daq.methods.files.fields import Listed, NeededLabel

Cause = Literal["sampling", "preparation", "temperature", "bubbles", "geometry", "instrument", "transcription", "other"]
"""The assigned cause of a valid result outside its limits."""


class RepeatCause(Record):
    """The cause that a reviewer assigned to a valid result outside its limits; the id is that of its run.

    The reason and the reviewer are in the audit entry of the revision.
    """

    kind: ClassVar[str] = "repeat_cause"
    sample: NeededLabel
    cause: Cause

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key: the sample."""
        return (("sample", self.sample),)


class Handover(Record):
    """The end of a shift: what was open, as `daq handover` lists it."""

    kind: ClassVar[str] = "handover"
    listed: Annotated[tuple[dict[str, Any], ...], Listed] = ()
