"""A decoder of Sparkplug B payloads that shares no code with the program and no library.

Wire format: the protocol buffers' own description of their encoding (varint, 64-bit, length-delimited, 32-bit).
Field numbers and codes: Sparkplug specification 3.0, chapter 6.
"""

import struct
from dataclasses import dataclass, field

CODES = {3: "Int32", 4: "Int64", 7: "UInt32", 8: "UInt64", 10: "Double", 11: "Boolean", 12: "String"}


@dataclass
class Metric:
    name: str | None = None
    alias: int | None = None
    timestamp: int | None = None
    datatype: int | None = None
    historical: bool = False
    null: bool = False
    value: object = None
    properties: dict = field(default_factory=dict)
    """Type code and value by key."""


@dataclass
class Payload:
    timestamp: int | None = None
    seq: int | None = None
    metrics: list = field(default_factory=list)

    def by_name(self):
        return {m.name: m for m in self.metrics}

    def value(self, name):
        return self.by_name()[name].value


def fields(data: bytes):
    """Yield pairs of field number and raw value: int for varints, bytes for the other types."""
    at = 0
    while at < len(data):
        key, at = varint(data, at)
        kind = key & 7
        if kind == 0:
            value, at = varint(data, at)
        elif kind in (1, 5):
            size = 8 if kind == 1 else 4
            value, at = data[at : at + size], at + size
        elif kind == 2:
            size, at = varint(data, at)
            value, at = data[at : at + size], at + size
            assert len(value) == size, "cut short"
        else:
            raise AssertionError(f"wire type {kind}")
        yield key >> 3, value


def varint(data: bytes, at: int):
    shift = value = 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at += 1
        if byte < 0x80:
            return value, at
        shift += 7


def signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value >= 1 << bits - 1 else value


def scalar(kind: str, number: int, first: int, raw):
    """Return a value of the named type; `first` is the field number of the 32-bit form."""
    if kind in ("Int32", "UInt32"):
        assert number == first
        return signed(raw, 32) if kind == "Int32" else raw
    if kind in ("Int64", "UInt64"):
        assert number == first + 1
        return signed(raw, 64) if kind == "Int64" else raw
    if kind == "Double":
        assert number == first + 3
        return struct.unpack("<d", raw)[0]
    if kind == "Boolean":
        assert number == first + 4
        assert raw in (0, 1)
        return bool(raw)
    assert kind == "String"
    assert number == first + 5
    return raw.decode("utf-8")


def decode(data: bytes, types=None) -> Payload:
    """Decode a payload; `types` gives the type code of a metric by name or alias, for data messages without type codes."""
    payload = Payload()
    for number, raw in fields(data):
        if number == 1:
            payload.timestamp = raw
        elif number == 2:
            payload.metrics.append(metric(raw, types))
        elif number == 3:
            payload.seq = raw
        else:
            raise AssertionError(f"field {number} of a payload")
    return payload


def metric(data: bytes, types=None) -> Metric:
    found, value = Metric(), None
    for number, raw in fields(data):
        if number == 1:
            found.name = raw.decode("utf-8")
        elif number == 2:
            found.alias = raw
        elif number == 3:
            found.timestamp = raw
        elif number == 4:
            found.datatype = raw
        elif number == 5:
            found.historical = bool(raw)
        elif number == 7:
            found.null = bool(raw)
        elif number == 9:
            found.properties = property_set(raw)
        else:
            assert value is None, "two values in one metric"
            value = (number, raw)
    assert found.null == (value is None)
    if value is not None:
        code = found.datatype
        if code is None:
            code = (types or {})[found.name if found.name is not None else found.alias]
        found.value = scalar(CODES[code], value[0], 10, value[1])
    return found


def property_set(data: bytes) -> dict:
    keys, values = [], []
    for number, raw in fields(data):
        if number == 1:
            keys.append(raw.decode("utf-8"))
        else:
            assert number == 2
            code, null, value = None, False, None
            for n, r in fields(raw):
                if n == 1:
                    code = r
                elif n == 2:
                    null = bool(r)
                else:
                    value = (n, r)
            assert null == (value is None)
            values.append((code, None if value is None else scalar(CODES[code], value[0], 3, value[1])))
    assert len(keys) == len(values)
    assert len(set(keys)) == len(keys)
    return dict(zip(keys, values, strict=True))
