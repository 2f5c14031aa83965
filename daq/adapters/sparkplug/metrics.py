"""Metrics before their encoding: name, type, value, time and properties."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

Value = bool | int | float | str | None

NUMBERS: Final = 256
"""Message numbers and birth/death numbers run from 0 to 255 and start again at 0."""


class DataType(IntEnum):
    """Codes of the data types of a metric (Sparkplug 3.0, chapter 6)."""

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
    """The three values of the property ``Quality``."""

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
        value: None and numbers that are not finite are sent as null.
        time_ms: time of the value's capture, ms since 1970, UTC.
    """

    name: str
    type: DataType
    value: Value
    time_ms: int
    properties: tuple[Property, ...] = ()
