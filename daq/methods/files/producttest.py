"""The tests of a product: the methods that measure it, where, and how often."""

import math
from collections.abc import Sequence
from typing import Annotated, Self

from pydantic import Field, model_validator

from daq.methods.files.fields import KeyedError, Listed, MethodVersion, Model, Name, Quantity


class Replicates(Model):
    """Number of results, each on its own fill, that make the reportable one, and their largest difference."""

    count: Annotated[int, Field(ge=1, le=9)] = 2
    """Number of results in any case."""
    most: Annotated[int, Field(ge=1, le=9)] = 3
    """Largest number if the first results do not agree; then the median is reported."""
    repeatability_limit: Quantity = Field(
        description="the repeatability limit of two results, for example '15 mPa.s' or '3 %'"
    )

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        given = self.repeatability_limit
        if given.value <= 0 or not given.unit:
            raise KeyedError(
                "repeatability_limit", "is above 0 with its unit, for example '15 mPa.s', or '3 %' of the mean"
            )
        if self.most < self.count:
            raise KeyedError("most", f"must be at least count ({self.count})")
        return self

    def limit_for(self, values: Sequence[float], unit: str) -> float:
        """Return the limit for these values, in their unit (UCUM).

        Raises:
            SettingError: limit and values have different dimensions.
        """
        if self.repeatability_limit.unit == "%":
            return self.repeatability_limit.value / 100.0 * abs(math.fsum(values) / len(values))
        return self.repeatability_limit.in_unit(unit)


class ProductTest(Model):
    """One test of a product."""

    method: MethodVersion = Field(description="the method with its version, for example 'clear-glaze-qc 1'")
    choices: dict[Name, Quantity] = Field(default_factory=dict)
    """Values of the method's choices; left out: the default of each choice."""
    instruments: Annotated[tuple[Name, ...], Listed] = ()
    """Instruments that may be used; left out: any on which the method can be run."""
    replicates: Replicates | None = None
    """Left out: those of the product."""

    @property
    def method_id(self) -> str:
        """The id of the method."""
        return self.method.partition(" ")[0]

    @property
    def version(self) -> str:
        """The version of the method."""
        return self.method.partition(" ")[2]

    def allows(self, instrument: str) -> bool:
        """Return whether an instrument may be used."""
        return not self.instruments or instrument in self.instruments
