"""The parts of a flow curve, as pydantic models.  Rates in 1/s, stresses in Pa.

A number has its unit in the table `units` of the message, or in a key `unit` beside it.
"""

from typing import Annotated, Any, Final, Literal

from pydantic import Field

from daq.methods.messages.leaves import UNITS, fixed_units
from daq.methods.messages.named import In, names
from daq.methods.parts.base import IDENTITY, Part, Ratio, ShearRate, unit
from daq.methods.parts.origin import MethodUsed, Sample
from daq.methods.parts.statement import Statement

CURVE_SCHEMA: Final = "curve"
CURVE_VERSION: Literal[1] = 1
Branch = Literal["up", "down"]
Rate = Annotated[float, unit("/s")]
Speed = Annotated[float, unit("/min")]
Stress = Annotated[float, unit("Pa")]
Plain = Annotated[float, unit("1")]
"""Numbers that are never null, with their units."""


class CurvePoint(Part):
    """One step of the run as a point, and whether the fit used it."""

    step: int
    name: str
    branches: list[Branch]
    speed: Speed = Field(description="confirmed, /min")
    shear_rate: Rate = Field(description="/s, representative, as for a Newtonian fluid")
    stress: Stress = Field(description="Pa, representative")
    wall_stress: Stress = Field(description="Pa, at the turning wall; what is fitted")
    wall_rate: ShearRate = Field(default=None, description="/s, at that wall, under the chosen model")
    used: bool
    reasons: list[Statement] = Field(default_factory=list, description="why it was not used")


class FittedParameter(Part):
    """A parameter of a model."""

    name: str
    value: float
    unit: str | None = Field(description="UCUM; null for a consistency K, whose unit depends on the parameter n")
    unit_text: str = Field(default="", description="the unit as text, where 'unit' is null: 'Pa·sⁿ'")
    standard_error: float = Field(description="from the scatter about the curve alone")
    expanded: float = Field(description="expanded uncertainty, the instrument's share included")
    k: Plain = Field(description="coverage factor of 'expanded'")


class YieldStress(FittedParameter):
    """The yield stress by the chosen model, and those by the other models that describe the points as well."""

    model_dependent: bool = Field(
        description="true where another model, or a fluid without a yield stress whose plateau lies below the measured "
        "rates, gives a value outside the interval, or a model with a yield stress was refused for the span of the "
        "rates, or these are fewer than six; the value alone must then not be used"
    )
    low: Stress = Field(description="Pa, lowest end of the intervals of all these models")
    high: Stress = Field(description="Pa, highest end of the intervals of all these models")
    models: list[str] = Field(description="these models, the chosen one first")
    reasons: list[Statement] = Field(default_factory=list, description="why it depends on the model; the speed to add")


class FittedModel(Part):
    """One model, fitted."""

    model: str
    equation: str
    parameters: list[FittedParameter]
    n: int = Field(description="points fitted")
    rate_low: Rate = Field(description="/s; the model is not valid below it")
    rate_high: Rate = Field(description="/s; the model is not valid above it")
    scatter: Plain = Field(description="residual standard deviation over the standard deviation each point was given")
    r_squared: Plain
    aicc: Ratio = None
    behind: Ratio = Field(default=None, description="AICc less that of the best")
    unresolved: Statement | None = Field(default=None, description="why a simpler model is as good")


class RefusedModel(Part):
    """A model that is not supported by the data."""

    model: str
    reason: Statement


class CurveBand(Part):
    """The chosen model and its confidence band at one rate."""

    rate: Rate
    stress: Stress
    low: Stress
    high: Stress


class ThinningIndex(Part):
    """Apparent viscosity at a speed over that at ten times this speed."""

    slow: Speed = Field(description="/min")
    fast: Speed = Field(description="/min")
    branch: Branch
    index: Plain


class Loop(Part):
    """The area between the curves up and down; it depends on the programme of speeds."""

    area: Annotated[float, unit("Pa/s")] = Field(
        description="Pa/s; positive where the curve up lies above: structure was lost"
    )
    relative: Plain = Field(description="area over the area below the curve up, 1")
    rate_low: Rate
    rate_high: Rate


class Recovery(Part):
    """The recovery of the viscosity at one slow speed after a faster one."""

    speed: Speed = Field(description="/min")
    before: float = Field(description="apparent viscosity before the shearing")
    broken: float = Field(description="first value after it")
    after: float = Field(description="last value after it")
    fraction: Plain = Field(description="(after - broken)/(before - broken)")
    seconds: Annotated[float, unit("s")] = Field(description="between the first and the last value, s")
    # The last one: the name hides the function `unit` in the lines after it.
    unit: str = Field(description="UCUM code of before, broken and after")


class FlowCurveData(Part):
    """A flow curve: points, fitted models with the one chosen, thinning, loop and recovery."""

    branch: Literal["up", "down", "both"] = Field(description="the branch that was fitted")
    rates: Statement = Field(description="how stresses and rates at the wall were found")
    points: list[CurvePoint]
    chosen: str | None = Field(default=None, description="the model to use; null where none can be")
    fits: list[FittedModel] = Field(default_factory=list, description="best AICc first")
    refused: list[RefusedModel] = Field(default_factory=list)
    band: list[CurveBand] = Field(default_factory=list)
    coverage: Plain = 0.95
    yield_stress: YieldStress | None = Field(default=None, description="extrapolated, by the chosen model")
    thinning: list[ThinningIndex] = Field(default_factory=list)
    loop: Loop | None = None
    recovery: Recovery | None = None
    left_out: list[Statement] = Field(default_factory=list, description="what was not computed, and why")
    libraries: dict[str, str] = Field(default_factory=dict, description="versions the fit was computed with")


class FlowCurveMessage(Part):
    """The `data` of a flow curve's message: it follows its result, and is computed from it."""

    schema_version: Literal[1] = CURVE_VERSION
    result: Annotated[str, IDENTITY] = Field(description="id of the result's message")
    run: str
    instrument: str
    simulated: bool
    units: dict[str, str] = Field(description=UNITS)
    sample: Sample
    method: MethodUsed
    curve: FlowCurveData


CURVE_UNITS: Final = fixed_units(FlowCurveMessage)
"""UCUM codes of the numbers with a fixed unit, by path."""
CURVE_NAMES: Final = names(
    FlowCurveMessage,
    (
        ("simulated", "simulated", In.COLLECTOR),
        ("sample", "sample.id", In.COLLECTOR),
        ("product", "sample.product", In.COLLECTOR),
        ("lot", "sample.lot", In.COLLECTOR),
        ("run", "run", In.COLLECTOR),
        ("instrument", "instrument", In.COLLECTOR),
        ("result", "result", In.COLLECTOR),
        ("chosen", "curve.chosen", In.COLLECTOR),
    ),
)
"""The collector's columns of a flow curve; all else is in the event."""


def curve_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of `FlowCurveMessage`."""
    out = FlowCurveMessage.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **out}
