"""Metrics as a person thinks of them: name, type, value, time and properties."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

Value = bool | int | float | str | None

NUMBERS: Final = 256
"""Message numbers and birth/death numbers run from 0 to 255 and begin again."""


class DataType(IntEnum):
    """Codes of the types of a metric, as the specification numbers them."""

    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13
    TEXT = 14
    UUID = 15
    DATASET = 16
    BYTES = 17
    FILE = 18
    TEMPLATE = 19


class QualityCode(IntEnum):
    """The three codes the property ``Quality`` may have."""

    BAD = 0
    GOOD = 192
    STALE = 500


QUALITY: Final = "Quality"
"""The one property key the specification defines; its type is Int32."""


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a metric."""

    key: str
    type: DataType
    value: Value


@dataclass(frozen=True, slots=True)
class Metric:
    """One value with its time.

    Attributes:
        name: levels separated by ``/``.
        value: None is null, and so is a number that is not finite.
        time_ms: when the value was captured, ms since 1970, UTC.
    """

    name: str
    type: DataType
    value: Value
    time_ms: int
    properties: tuple[Property, ...] = ()
