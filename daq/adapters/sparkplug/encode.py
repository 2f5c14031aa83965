"""Encoding of metrics to payloads, and decoding of commands (Sparkplug 3.0, chapter 6)."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from google.protobuf.message import DecodeError

from daq.adapters.sparkplug.metrics import DataType, Metric, Value
from daq.adapters.sparkplug.wire import Payload

#: Payload field for the value of each type that this node sends.
_FIELD: Final = {
    DataType.INT32: "int_value",
    DataType.UINT32: "int_value",
    DataType.INT64: "long_value",
    DataType.UINT64: "long_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.STRING: "string_value",
}
#: Number of bits, smallest and largest value of each integer type.
_INTEGERS: Final = {
    DataType.INT32: (32, -(1 << 31), (1 << 31) - 1),
    DataType.UINT32: (32, 0, (1 << 32) - 1),
    DataType.INT64: (64, -(1 << 63), (1 << 63) - 1),
    DataType.UINT64: (64, 0, (1 << 64) - 1),
}


@dataclass(frozen=True, slots=True)
class Command:
    """Content of a command: values by metric name, or by alias where a metric has no name."""

    values: Mapping[str | int, Value]


def payload(
    metrics: Iterable[Metric],
    time_ms: int,
    seq: int | None,
    *,
    aliases: Mapping[str, int] | None = None,
    birth: bool = False,
    historical: bool = False,
) -> bytes:
    """Return the bytes of a payload.

    Args:
        metrics: the metrics, in the order of the payload.
        time_ms: time of sending, ms since 1970, UTC.
        seq: message number, 0 to 255; None for a node's death, which has none.
        aliases: alias by metric name; a birth then has name and alias, a data message only the alias.  A metric that
            is not in it has only its name.
        birth: the payload is a birth, which also has the data types.
        historical: the values are not the current ones.

    Raises:
        ValueError: an integer does not fit its type, or this node does not send the type.
    """
    message = Payload(timestamp=time_ms)
    for metric in metrics:
        built = message.metrics.add()
        alias = None if aliases is None else aliases.get(metric.name)
        if alias is None or birth:
            built.name = _text(metric.name)
        if alias is not None:
            built.alias = alias
        built.timestamp = metric.time_ms
        if birth:
            built.datatype = metric.type
        if historical:
            built.is_historical = True
        _set(built, metric.type, metric.value)
        for item in metric.properties:
            built.properties.keys.append(_text(item.key))
            value = built.properties.values.add(type=item.type)
            _set(value, item.type, item.value)
    if seq is not None:
        message.seq = seq
    encoded: bytes = message.SerializeToString(deterministic=True)
    return encoded


def _set(target: Any, kind: DataType, value: Value) -> None:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        target.is_null = True
    elif kind in _INTEGERS:
        setattr(target, _FIELD[kind], _bits(kind, int(value)))
    elif kind is DataType.DOUBLE:
        target.double_value = float(value)
    elif kind is DataType.BOOLEAN:
        target.boolean_value = bool(value)
    elif kind is DataType.STRING:
        target.string_value = _text(str(value))
    else:
        raise ValueError(f"values of type {kind.name} are not sent by this node")


def _bits(kind: DataType, value: int) -> int:
    """Return an integer as unsigned bits, a negative one as its two's complement."""
    bits, low, high = _INTEGERS[kind]
    if not low <= value <= high:
        raise ValueError(f"{value} does not fit a {kind.name} ({low} to {high})")
    return value % (1 << bits)


def _text(value: str) -> str:
    # JSON text can hold half a surrogate pair, which UTF-8 cannot encode.
    return value.encode("utf-8", "replace").decode()


def command(data: bytes) -> Command | None:
    """Return the content of a command; None where the bytes are not a payload."""
    message = Payload()
    found: dict[str | int, Value] = {}
    try:
        message.ParseFromString(data)
        for metric in message.metrics:
            which = metric.WhichOneof("value")
            key = metric.name if metric.HasField("name") else metric.alias
            found[key] = None if which is None else getattr(metric, which)
    except (DecodeError, ValueError):  # not a payload, or it holds text that is not UTF-8
        return None
    return Command(found)
