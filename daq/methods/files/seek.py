"""The `seek` of a step, which searches for a speed, for developing a method."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.core.extent import Extent
from daq.methods.files.fields import KeyedError, Length, Model, Percent, PerMinute

NARROWEST = 1.2
"""Least ratio of the band's ends: the band must be wider than ripple, noise and the change of the sample."""


class Seek(Model):
    """Search for a speed at which the torque is in a band; the step's `speed` is the first one that is tried.

    Each try waits for the step's `settle` (one revolution if none is given) and takes the mean over `span`.
    """

    low: Percent = 40.0
    high: Percent = 80.0
    """Ends of the target band, % of full scale."""
    slowest: PerMinute | None = None
    """Left out: the first speed."""
    fastest: PerMinute | None = None
    """Left out: the instrument's limit."""
    tries: Annotated[int, Field(ge=1, le=12)] = 6
    span: Length = Extent(revolutions=1.0)

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if not 0 < self.low <= self.high / NARROWEST:
            raise KeyedError(
                "low",
                f"the target band must be 0 < low and low times {NARROWEST:g} <= high; "
                f"here {self.low:g} to {self.high:g} %",
            )
        if self.slowest is not None and self.fastest is not None and self.slowest >= self.fastest:
            raise KeyedError("slowest", f"must be below fastest ({self.fastest:g} /min)")
        if self.span == Extent():
            raise KeyedError("span", "must be longer than zero: a torque is the mean over a span of readings")
        return self
