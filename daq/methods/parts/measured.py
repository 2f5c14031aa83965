"""Measured values, and the conditions they were measured under."""

from typing import Annotated

from pydantic import Field

from daq.core.faults import Quality
from daq.methods.parts.base import (
    Celsius,
    Measured,
    Part,
    Percent,
    Seconds,
    ShearRate,
    Speed,
    Stress,
    Torque,
    unit,
    unit_at,
)
from daq.methods.parts.statement import Statement


class Span(Part):
    """The readings of the value."""

    n: int = Field(description="number of readings")
    seconds: Annotated[float, unit("s")]
    completeness: Annotated[float, unit("1")] = Field(description="readings in the span over readings expected, 0 to 1")
    statistic: str
    taken_at_s: Seconds = Field(default=None, description="time since the step began")
    stop_reason: Statement | None = Field(
        default=None, description="the rule that ended the step, or why the run ended"
    )


class SignalMean(Part):
    """Mean of one more signal."""

    value: Annotated[float, unit_at("conditions.signals.*.unit")]
    unit: str = Field(description="UCUM code")


class Conditions(Part):
    """Means over the span; null where not measured or not defined."""

    set_speed: Speed = Field(default=None, description="the method's set-point")
    speed: Speed = Field(default=None, description="confirmed")
    torque_percent: Percent = Field(default=None, description="of full scale")
    torque: Torque = None
    torque_at_rest_percent: Percent = Field(
        default=None, description="of full scale, with the motor still before it first turned"
    )
    stress: Stress = None
    shear_rate: ShearRate = Field(default=None, description="null where the geometry defines none")
    temperature: Celsius = Field(default=None, description="of the method's probe")
    temperatures: Annotated[dict[str, float], unit("Cel")] = Field(default_factory=dict, description="all probes")
    signals: dict[str, SignalMean] = Field(
        default_factory=dict, description="the other signals measured in the span, companions included"
    )


class KeptValue(Part):
    """One kept value of the run, with the means of what was measured in its span."""

    step: int
    name: str
    at: str
    seconds: Seconds = Field(default=None, description="time since the step began")
    set_speed: Speed = None
    speed: Speed = Field(default=None, description="confirmed")
    torque_percent: Percent = Field(default=None, description="of full scale")
    torque: Torque = None
    shear_rate: ShearRate = None
    stress: Stress = None
    temperature: Celsius = None
    value: Measured = None
    n: int = Field(description="number of readings")
    span_seconds: Annotated[float, unit("s")]
    faults: tuple[str, ...] = ()
    quality: Quality


class Drift(Part):
    """The change of the value inside its span."""

    percent_per_min: Annotated[Percent, unit("%/min")] = Field(
        description="of the value; null where a percentage has no meaning, as of a temperature"
    )
    bound_percent_per_min: Annotated[Percent, unit("%/min")] = Field(
        default=None, description="upper bound (95 %) of its magnitude; null where the readings do not support one"
    )
    certain: bool = Field(description="zero lies outside the 95 % interval of the slope")
    per_min: Annotated[Measured, unit_at("unit", "min")] = None
    bound_per_min: Annotated[Measured, unit_at("unit", "min")] = Field(
        default=None, description="upper bound (95 %) of its magnitude"
    )
