"""What a Sparkplug host sees of this daemon: which metrics there are, and what they say.

A device is an instrument.  All metrics of its last result come in one message with the time of the run's end, so
that they belong together; the result's id and source are among them, by which a consumer knows it from the JSON.
"""

import json
import platform
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import daq
from daq.adapters.sparkplug.metrics import QUALITY, DataType, Metric, Property, QualityCode, Value
from daq.adapters.store.rows import ResultRecord
from daq.adapters.store.store import source_uri
from daq.core.driver import Channel
from daq.core.faults import Quality, publishable, worst
from daq.methods.messages.result import SCHEMA_VERSION

#: Status codes by their names in OPC UA (Part 4, section 7.39; the numbers are those of its published list).
STATUS_CODES: Final = {
    Quality.GOOD: 0x00000000,
    Quality.UNCERTAIN: 0x40000000,
    Quality.UNCERTAIN_NOT_ACCURATE: 0x40930000,
    Quality.UNCERTAIN_UNITS_EXCEEDED: 0x40940000,
    Quality.UNCERTAIN_SUBNORMAL: 0x40950000,
    Quality.BAD: 0x80000000,
    Quality.BAD_NO_COMMUNICATION: 0x80310000,
    Quality.BAD_NOT_CONNECTED: 0x808A0000,
    Quality.BAD_DEVICE_FAILURE: 0x808B0000,
    Quality.BAD_SENSOR_FAILURE: 0x808C0000,
}

#: Metrics of a result that are read off its data as they are: name, type, where, UCUM unit.
_FIELDS: Final[tuple[tuple[str, DataType, tuple[str, ...], str], ...]] = (
    ("result/run", DataType.STRING, ("origin", "run"), ""),
    ("result/sample", DataType.STRING, ("sample", "id"), ""),
    ("result/product", DataType.STRING, ("sample", "product"), ""),
    ("result/lot", DataType.STRING, ("sample", "lot"), ""),
    ("result/replicate", DataType.INT64, ("sample", "replicate"), ""),
    ("result/quantity", DataType.STRING, ("quantity",), ""),
    ("result/readings", DataType.INT64, ("span", "n"), ""),
    ("result/claim", DataType.STRING, ("claim",), ""),
    ("result/outcome", DataType.STRING, ("outcome",), ""),
    ("result/validity", DataType.STRING, ("validity",), ""),
    ("result/verdict", DataType.STRING, ("verdict", "verdict"), ""),
    ("result/speed", DataType.DOUBLE, ("conditions", "speed"), "/min"),
    ("result/shear_rate", DataType.DOUBLE, ("conditions", "shear_rate"), "/s"),
    ("result/torque_percent", DataType.DOUBLE, ("conditions", "torque_percent"), "%"),
    ("result/temperature", DataType.DOUBLE, ("conditions", "temperature"), "Cel"),
    ("result/method", DataType.STRING, ("method", "id"), ""),
    ("result/method_version", DataType.STRING, ("method", "version"), ""),
    ("result/simulated", DataType.BOOLEAN, ("simulated",), ""),
    ("result/supersedes", DataType.STRING, ("supersedes",), ""),
)


def node_metrics(source: str, time_ms: int) -> tuple[Metric, ...]:
    """The edge node's own metrics; `source` is the identity under which new results are published."""
    said: tuple[tuple[str, DataType, Value], ...] = (
        ("source", DataType.STRING, source),
        ("versions/daq", DataType.STRING, daq.__version__),
        ("versions/python", DataType.STRING, platform.python_version()),
        ("versions/result", DataType.INT32, SCHEMA_VERSION),
    )
    return tuple(Metric(name, kind, value, time_ms) for name, kind, value in said)


def instrument_metrics(state: str, driver: str, serial: str | None, time_ms: int) -> tuple[Metric, ...]:
    """What a device says of itself."""
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
    """The current readings of a device; null where there is none.

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
    """The metrics of a result; `database` is the UUID of the database it is in."""
    data = json.loads(record.data)
    identity: tuple[tuple[str, DataType, Value], ...] = (
        ("result/id", DataType.STRING, record.id),
        ("result/source", DataType.STRING, source_uri(database, record.epoch)),
        ("result/sequence", DataType.INT64, record.sequence),
    )
    return _metrics(identity, data, record.created_utc_ns // 1_000_000)


def no_result(time_ms: int) -> tuple[Metric, ...]:
    """The same metrics for a device without a result yet."""
    identity: tuple[tuple[str, DataType, Value], ...] = (
        ("result/id", DataType.STRING, None),
        ("result/source", DataType.STRING, None),
        ("result/sequence", DataType.INT64, None),
    )
    return _metrics(identity, {}, time_ms)


def _metrics(
    identity: tuple[tuple[str, DataType, Value], ...], data: Mapping[str, Any], time_ms: int
) -> tuple[Metric, ...]:
    # A quality that this version does not know, as a newer one may have written, is not good.
    quality = Quality(data["quality"]) if data.get("quality") in set(Quality) else Quality.BAD
    unit = (unit_property(data["unit"]),) if "unit" in data else ()
    uncertainty = data.get("uncertainty") or {}
    coverage = tuple(
        Property(key, DataType.DOUBLE, uncertainty[key]) for key in ("k", "coverage") if key in uncertainty
    )
    return (
        *(Metric(name, kind, value, time_ms) for name, kind, value in identity),
        Metric("result/value", DataType.DOUBLE, data.get("value"), time_ms, (*quality_properties(quality), *unit)),
        Metric("result/uncertainty", DataType.DOUBLE, uncertainty.get("expanded"), time_ms, (*unit, *coverage)),
        *(
            Metric(name, kind, _at(data, where), time_ms, (unit_property(code),) if code else ())
            for name, kind, where, code in _FIELDS
        ),
    )


def _at(data: Mapping[str, Any], where: tuple[str, ...]) -> Value:
    here: Any = data
    for key in where:
        if here is None:
            return None
        here = here.get(key)
    found: Value = here
    return found


def unit_property(code: str) -> Property:
    """The UCUM code of a value's unit."""
    return Property("unit", DataType.STRING, code)


def quality_properties(quality: Quality) -> tuple[Property, ...]:
    """Quality as Sparkplug has it, and as OPC UA has it.

    Sparkplug knows good, bad and stale only.  What OPC UA calls uncertain is bad there, so that nobody who looks at
    that code alone takes a doubtful number for a good one; the OPC UA properties keep the difference.
    """
    code = QualityCode.GOOD if quality is Quality.GOOD else QualityCode.BAD
    return (
        Property(QUALITY, DataType.INT32, int(code)),
        Property("opc_ua_status", DataType.UINT32, STATUS_CODES[quality]),
        Property("opc_ua_quality", DataType.STRING, quality.value),
    )
