"""The record of a damaged measuring geometry."""

from typing import ClassVar

from daq.laboratory.record import Record
from daq.methods.files.fields import Label


class Damage(Record):
    """A measuring geometry that is out of service; the id is its serial number, or bench and name without one.

    Attributes:
        because: what is damaged; "" where it is back in service.
    """

    kind: ClassVar[str] = "damage"
    because: Label = ""
