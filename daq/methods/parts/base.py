"""The base of all parts, and numbers that carry their unit.

A number's unit is a part of its type: the key ``unit`` (a UCUM code) in its JSON Schema, or ``unit_at``, the path of
the code where it depends on what was measured.  Tables for other formats take it from there.
"""

import math
from typing import Annotated, Any, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.config import JsonDict
from pydantic.fields import FieldInfo

DATE_TIME: Final = Field(json_schema_extra={"format": "date-time"})
"""For a text: a moment in ISO 8601 with its offset from UTC."""
IDENTITY: Final = Field(json_schema_extra={"format": "uuid"})
"""For a text: a UUID."""


class Part(BaseModel):
    """Base of all parts: unknown keys are refused, values are frozen, numbers are finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


def finite(value: Any) -> Any:
    """Return a float with -0.0 as 0.0 and None for one that is not finite; anything else as it is."""
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    return value


def unit(code: str) -> FieldInfo:
    """Return the field that states the UCUM code of a number, for `Annotated`."""
    found: FieldInfo = Field(json_schema_extra={"unit": code})
    return found


def unit_at(path: str, per: str = "") -> FieldInfo:
    """Return the field that states where in a result the UCUM code of a number is; `per` divides it, as in ``min``."""
    extra: JsonDict = {"unit_at": path}
    if per:
        extra["per"] = per
    found: FieldInfo = Field(json_schema_extra=extra)
    return found


Number = Annotated[float | None, BeforeValidator(finite)]
"""A number or null; null for what is not finite."""
Ratio = Annotated[Number, unit("1")]
Percent = Annotated[Number, unit("%")]
Seconds = Annotated[Number, unit("s")]
Speed = Annotated[Number, unit("/min")]
Torque = Annotated[Number, unit("uN.m")]
ShearRate = Annotated[Number, unit("/s")]
Stress = Annotated[Number, unit("Pa")]
Celsius = Annotated[Number, unit("Cel")]
Measured = Annotated[Number, unit_at("unit")]
"""In the unit of the result's value."""
StatusCode = Annotated[int, Field(ge=0, le=2**32 - 1)]
"""Number of a quality in OPC UA (Part 4, StatusCode; the numbers are those of its published list)."""
Moment = Annotated[str | None, DATE_TIME]
