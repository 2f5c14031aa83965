"""The order of a run, as command line and control socket check it."""

from datetime import datetime
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field

from daq.methods.files.fields import Choices, Hidden, Label, Model, NeededLabel

MOST_REPLICATES: Final = 9_999
"""Greatest number of a replicate."""


def _sampled_at(value: str) -> str:
    """Return the time at which a sample was taken; `ValueError` if it is no time with an offset from UTC."""
    if value:
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            moment = None
        if moment is None or moment.tzinfo is None:
            raise ValueError(f"{value!r} is no time with its offset from UTC; write for example 2026-11-26T08:15+01:00")
    return value


class RunOrder(Model):
    """Order of an operator: a method on an instrument, for one sample.

    Command line and control socket check an order by this one model.
    """

    sample: NeededLabel = Field(description="the sample's identifier")
    method_id: Label = ""
    """Id of the method; "" means that of the product's test."""
    instrument: Label = ""
    """Name of the instrument; "" means the only one that is allowed and served."""
    method_version: Label = ""
    product: Label = ""
    fluid: Label = ""
    lot: Label = ""
    fill: Label = ""
    filling: Literal["", "same", "fresh"] = ""
    """Instead of `fill`: the filling of the sample's run before, or a fresh one."""
    replicate: int = Field(default=1, ge=1, le=MOST_REPLICATES)
    sampled_at: Annotated[Label, AfterValidator(_sampled_at)] = ""
    operator: Label = ""
    """The person who measures; "" means the login from which the order came.

    Where people are switched on, the login or the badge decides, and another name is refused.
    """
    badge: Hidden = ""
    """Code of the badge of the person who measures; it is not stored."""
    ticket: Hidden = ""
    """Ticket of the log-in of the person who measures; it is not stored."""
    condition: Literal["", "as_found", "as_left"] = ""
    """Condition of the instrument at a verification; "" means as found."""
    choices: Choices = Field(default_factory=dict)
    anyway: bool = False
    """Measure although the result cannot be comparable with the limits of the product."""
