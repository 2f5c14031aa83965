"""The metrics that this daemon publishes to Sparkplug hosts.

A device is an instrument.  One message holds all metrics of its last result, with the time at which the run ended, so
that they belong together.  The result's id and source are among them; with these a consumer finds the same result in
the JSON messages.
"""

import json
import platform
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import daq
from daq.adapters.sparkplug.metrics import QUALITY, DataType, Metric, Property, QualityCode, Value
from daq.adapters.store.audit import source_uri
from daq.adapters.store.rows import ResultRecord
from daq.core.driver import Channel
from daq.core.faults import STATUS_CODES, Quality, publishable, worst
from daq.methods.messages.leaves import Kind, steps_of, value_at
from daq.methods.messages.named import RESULT_NAMES, In, Named
from daq.methods.messages.result import SCHEMA_VERSION

_TYPES: Final[dict[Kind, DataType]] = {
    "text": DataType.STRING,
    "identity": DataType.STRING,
    "moment": DataType.STRING,
    "number": DataType.DOUBLE,
    "whole": DataType.INT64,
    "flag": DataType.BOOLEAN,
}
RESULT_METRICS: Final = tuple(n for n in RESULT_NAMES if In.SPARKPLUG in n.used)
"""The values that become metrics ``result/...``, in addition to the result's identity."""
_BESIDE: Final = {"expanded": ("k", "coverage"), "dry_content_mass_fraction": ("expanded", "k")}
"""By metric: keys next to its value in the data that become its properties."""


def node_metrics(source: str, time_ms: int) -> tuple[Metric, ...]:
    """Return the metrics of the edge node; `source` is the identity under which new results are published."""
    given: tuple[tuple[str, DataType, Value], ...] = (
        ("source", DataType.STRING, source),
        ("versions/daq", DataType.STRING, daq.__version__),
        ("versions/python", DataType.STRING, platform.python_version()),
        ("versions/result", DataType.INT32, SCHEMA_VERSION),
    )
    return tuple(Metric(name, kind, value, time_ms) for name, kind, value in given)


def instrument_metrics(state: str, driver: str, serial: str | None, time_ms: int) -> tuple[Metric, ...]:
    """Return the metrics of a device's state and identity."""
    return (
        Metric("instrument/state", DataType.STRING, state, time_ms),
        Metric("instrument/driver", DataType.STRING, driver, time_ms),
        Metric("instrument/serial", DataType.STRING, serial, time_ms),
    )


def channel_metrics(
    channels: Sequence[Channel],
    values: Mapping[str, float | None],
    faults: Sequence[tuple[str, str]],
    time_ms: int,
) -> Iterator[Metric]:
    """Yield the metrics of a device's current readings; null for a channel without a value.

    `faults` are pairs of channel ("" for the whole instrument) and a key of the table of faults.
    """
    for channel in channels:
        own = [fault for where, fault in faults if where in ("", channel.name)]
        value, quality = publishable(values.get(channel.name), own), worst(own)
        if value is None and quality.severity < Quality.BAD.severity:
            quality = Quality.BAD_NO_COMMUNICATION
        properties = (*quality_properties(quality), unit_property(channel.unit))
        yield Metric(f"channel/{channel.name}", DataType.DOUBLE, value, time_ms, properties)


def result_metrics(record: ResultRecord, database: str) -> tuple[Metric, ...]:
    """Return the metrics of a result; `database` is the UUID of its database."""
    data = json.loads(record.data)
    identity: tuple[tuple[str, DataType, Value], ...] = (
        ("result/id", DataType.STRING, record.id),
        ("result/source", DataType.STRING, source_uri(database, record.epoch)),
        ("result/sequence", DataType.INT64, record.sequence),
    )
    return _metrics(identity, data, record.created_utc_ns // 1_000_000)


def no_result(time_ms: int) -> tuple[Metric, ...]:
    """Return the same metrics, all null, for a device that has no result yet."""
    identity: tuple[tuple[str, DataType, Value], ...] = (
        ("result/id", DataType.STRING, None),
        ("result/source", DataType.STRING, None),
        ("result/sequence", DataType.INT64, None),
    )
    return _metrics(identity, {}, time_ms)


def _metrics(
    identity: tuple[tuple[str, DataType, Value], ...], data: Mapping[str, Any], time_ms: int
) -> tuple[Metric, ...]:
    return (
        *(Metric(name, kind, value, time_ms) for name, kind, value in identity),
        *(_metric(named, data, time_ms) for named in RESULT_METRICS),
    )


def _metric(named: Named, data: Mapping[str, Any], time_ms: int) -> Metric:
    leaf = named.leaf
    value: Value = value_at(data, leaf.path)
    code = value_at(data, steps_of(leaf.unit_at)) if leaf.unit_at else leaf.unit
    properties = [unit_property(code)] if code else []
    if named.name == "value":
        # A newer version can have written a quality that this one does not know: it counts as bad.
        known = data.get("quality") in set(Quality)
        properties[:0] = quality_properties(Quality(data["quality"]) if known else Quality.BAD)
    beside = {key: value_at(data, (*leaf.path[:-1], key)) for key in _BESIDE.get(named.name, ())}
    properties += [Property(key, DataType.DOUBLE, number) for key, number in beside.items() if number is not None]
    return Metric(f"result/{named.name}", _TYPES[leaf.kind], value, time_ms, tuple(properties))


def unit_property(code: str) -> Property:
    """Return the property with the UCUM code of a value's unit."""
    return Property("unit", DataType.STRING, code)


def quality_properties(quality: Quality) -> tuple[Property, ...]:
    """Return the properties with the quality of a value in Sparkplug and in OPC UA.

    Sparkplug has only good, bad and stale.  A quality that is uncertain in OPC UA becomes bad in Sparkplug, so that a
    consumer of that code alone does not take a doubtful number for a good one.  The OPC UA properties keep the
    difference.
    """
    code = QualityCode.GOOD if quality is Quality.GOOD else QualityCode.BAD
    return (
        Property(QUALITY, DataType.INT32, int(code)),
        Property("opc_ua_status", DataType.UINT32, STATUS_CODES[quality]),
        Property("opc_ua_quality", DataType.STRING, quality.value),
    )
