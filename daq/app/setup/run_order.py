"""The order of a run, as command line and control socket check it."""

from typing import Final, Literal

from pydantic import Field

from daq.methods.files.fields import Choices, Hidden, Label, Model, NeededLabel
from daq.process.moments import past_moment

MOST_REPLICATES: Final = 9_999
"""Greatest number of a replicate."""


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
    """Number of the run among those of the sample by the method; 1 means the next one, counted as the run starts."""
    sampled_at: Label = ""
    """Time at which the sample was taken: ``14:20`` is the latest one, local time; see `past_moment`."""
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


def with_past_moment(order: RunOrder, utc_ns: int) -> RunOrder:
    """Return an order with its sampling time as ISO 8601 with its offset; `SettingError` if it lies in the future."""
    if not order.sampled_at:
        return order
    return order.model_copy(update={"sampled_at": past_moment(order.sampled_at, utc_ns, "sampled_at")})
