"""The uncertainty of the value, and the value at the product's reference temperature."""

from typing import Annotated

from pydantic import Field

from daq.methods.parts.base import Celsius, Measured, Part, Ratio, unit, unit_at
from daq.methods.parts.statement import Statement


class BudgetLine(Part):
    """One component of an uncertainty budget."""

    name: str
    standard_uncertainty: float = Field(description="in the component's own unit")
    distribution: str
    degrees_of_freedom: Ratio = Field(description="null where unlimited")
    sensitivity: float = Field(description="unit of the value over the component's own")
    contribution: Annotated[float, unit_at("unit")]
    share: Annotated[float, unit("1")] = Field(description="of the combined variance, 0 to 1")


class Uncertainty(Part):
    """Expanded uncertainty by JCGM 100, and the coverage interval."""

    expanded: Annotated[float, unit_at("unit")] = Field(description="U = k u_c by JCGM 100")
    k: Annotated[float, unit("1")] = Field(description="coverage factor of U")
    coverage: Annotated[float, unit("1")] = Field(description="coverage probability of U and of the interval, 0 to 1")
    low: Measured = Field(
        default=None,
        description="lower end of the coverage interval: value ∓ U, or that of the propagated distributions",
    )
    high: Measured = Field(default=None, description="upper end")
    method: str = Field(default="", description="how the interval was found: by JCGM 100 or JCGM 101")
    trials: int | None = Field(default=None, description="of the Monte Carlo propagation (JCGM 101); null without")
    seed: int | None = Field(default=None, description="of its random numbers")
    effective_degrees_of_freedom: Ratio = Field(default=None, description="null where unlimited")
    components: tuple[BudgetLine, ...] = ()
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
