"""The order to send messages again, as command line and control socket check it."""

from typing import Annotated, Final

from pydantic import Field

from daq.methods.files.fields import Label, Model

LARGEST: Final = 2**63 - 1
"""Largest integer that the database can compare with."""
StoredInt = Annotated[int, Field(ge=-LARGEST, le=LARGEST)]


class ResendOrder(Model):
    """Order to send again either the refused messages, or the results between two numbers or times.

    Attributes:
        instrument: instrument of the messages; "" means all.  Sequence numbers need it, they count per instrument.
        first, last: sequence numbers, both included.
        begin_utc_ns, end_utc_ns: times of commit, both included.
        epoch: epoch of the sequence numbers; None means the present one.
    """

    instrument: Label = ""
    refused: bool = False
    first: StoredInt | None = None
    last: StoredInt | None = None
    begin_utc_ns: StoredInt | None = None
    end_utc_ns: StoredInt | None = None
    epoch: StoredInt | None = None
