"""The uncertainty of the value, and the value at the product's reference temperature."""

from typing import Annotated

from pydantic import Field

from daq.methods.parts.base import Celsius, Measured, Part, Ratio, unit, unit_at
from daq.methods.parts.statement import Statement


class BudgetLine(Part):
    """One component of an uncertainty budget."""

    name: str = Field(description="English name")
    code: str = Field(default="", description="code of the name; the document `codes` lists all; empty in old results")
    standard_uncertainty: Annotated[float, unit_at("uncertainty.components[].unit")] = Field(
        description="in the component's own unit"
    )
    distribution: str
    degrees_of_freedom: Ratio = Field(description="null where unlimited")
    sensitivity: float = Field(description="unit of the value over the component's own")
    contribution: Annotated[float, unit_at("unit")]
    share: Annotated[float, unit("1")] = Field(description="of the combined variance, 0 to 1")
    # The last one: the name hides the function `unit` in the lines after it.
    unit: str = Field(description="UCUM code of the component's own unit; % is percent of full scale")


class ComparedInterval(Part):
    """The interval by the other method, for comparison in the budget."""

    method: str
    expanded: Measured
    k: Ratio


class Uncertainty(Part):
    """The coverage interval of the value: one interval, published everywhere, or the reasons why there is none."""

    expanded: Measured = Field(default=None, description="U: the interval is value ± U; null without an interval")
    k: Ratio = Field(default=None, description="U over the combined standard uncertainty")
    coverage: Annotated[float, unit("1")] = Field(description="coverage probability of the interval, 0 to 1")
    low: Measured = Field(default=None, description="value - U")
    high: Measured = Field(default=None, description="value + U")
    method: str = Field(default="", description="how U was found: by JCGM 100 or JCGM 101")
    trials: int | None = Field(default=None, description="of the Monte Carlo propagation (JCGM 101); null without")
    seed: int | None = Field(default=None, description="of its random numbers")
    effective_degrees_of_freedom: Ratio = Field(default=None, description="null where unlimited")
    reasons: tuple[Statement, ...] = Field(default=(), description="why there is no interval; empty where there is one")
    components: tuple[BudgetLine, ...] = ()
    compared: ComparedInterval | None = Field(
        default=None, description="U by the method that was not used, for the budget only; null where there is none"
    )
    left_out: tuple[Statement, ...] = Field(default=(), description="what the budget does not contain, and why")


class Corrected(Part):
    """The value at the product's reference temperature; the verdict is on the measured value."""

    value: Measured = Field(description="null where the curve does not reach")
    reference_celsius: Annotated[float, unit("Cel")]
    measured_celsius: Celsius = None
    factor: Ratio = Field(default=None, description="corrected over measured")
    expanded: Measured = Field(default=None, description="expanded uncertainty, 95 %")
    k: Ratio = None
    left_out: tuple[Statement, ...] = Field(default=(), description="what the uncertainty does not contain")
    reason: Statement | None = Field(default=None, description="why there is no corrected value")


class DryContent(Part):
    """Dry content of a slip: mass of the solid over the mass of the slip, from the density that is the value."""

    value: Ratio = Field(description="mass fraction, 0 to 1; null where none is possible")
    celsius: Annotated[float, unit("Cel")] = Field(description="temperature for the density of the water")
    solid_density: Annotated[float, unit("kg/m3")] = Field(description="of the dry solid, from the product's file")
    by_volume: Ratio = Field(default=None, description="volume of the solid over the volume of the slip, 0 to 1")
    expanded: Ratio = Field(default=None, description="expanded uncertainty of `value`, 95 %")
    k: Ratio = None
    left_out: tuple[Statement, ...] = Field(default=(), description="what the uncertainty does not contain")
    reason: Statement | None = Field(default=None, description="why there is no dry content")
