"""The product: its limits and how its number is reported."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from daq.core.units import UNITS, entered
from daq.methods.fields import (
    Celsius,
    Duration,
    Kelvins,
    KeyedError,
    Listed,
    Model,
    Name,
    PerMinute,
    Quantity,
    Text,
    UnitText,
)

DecisionRule = Literal["unrounded", "rounded"]
SECOND = 1_000_000_000


class Limit(Model):
    """Limits of one quantity, and what they bind to: elsewhere the number cannot be compared with them."""

    quantity: Text = "viscosity"
    low: float | None = None
    high: float | None = None
    unit: UnitText = Field(description="the unit of low and high, for example 'mPa.s'")
    geometry: Name | None = None
    vessel: Text | None = None
    speed: PerMinute | None = None
    time: Duration | None = None
    time_band: Duration = SECOND
    temperature: Celsius | None = None
    temperature_band: Kelvins = 0.2

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low is None and self.high is None:
            raise KeyedError("low", "give low, high or both: a limit without numbers limits nothing")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise KeyedError("low", f"low ({self.low:g}) must be below high ({self.high:g})")
        return self

    @property
    def unit_code(self) -> str:
        """The UCUM code of the unit as written."""
        return entered(self.unit)[0]

    def in_code(self, value: float) -> float:
        """A limit as written, in the UCUM unit `unit_code`."""
        return value * entered(self.unit)[1]


class Product(Model):
    """One product."""

    id: Name = Field(description="the product's name in results, for example 'clear-glaze'")
    name: Text = Field(description="what a person calls the product")
    unit: UnitText = "mPa.s"
    reported_digits: Annotated[int, Field(ge=1, le=9)] = 3
    """Significant digits of the reported number."""
    reported_decimals: Annotated[int, Field(ge=-6, le=9)] | None = None
    """Decimals of the reported number instead (-1: whole tens)."""
    decision_rule: DecisionRule = "unrounded"
    limits: Annotated[tuple[Limit, ...], Listed] = ()
    flow_index: Annotated[float, Field(gt=0, le=2)] | None = None
    temperature_coefficient: Annotated[float, Field(ge=-50, le=50)] | None = None
    """Change of the viscosity in % per K, negative where it falls with temperature."""
    expected_viscosity: Quantity | None = None
    density: Annotated[float, Field(ge=300, le=20_000)] | None = None
    """kg/m3; used to warn of Taylor vortices.  Water's is taken where it is left out."""
    safety: str = ""

    @model_validator(mode="after")
    def _unit(self) -> Self:
        code, factor = entered(self.unit)
        if factor != 1.0:
            raise KeyedError("unit", f"results are stored in UCUM units; write {code!r} instead of {self.unit!r}")
        expected = self.expected_viscosity
        if expected is not None and (not expected.unit or UNITS[expected.unit].dimension != "viscosity"):
            raise KeyedError("expected_viscosity", "needs a viscosity unit, for example '800 mPa.s'")
        return self

    @property
    def unit_code(self) -> str:
        """The UCUM code of the display unit."""
        return entered(self.unit)[0]
