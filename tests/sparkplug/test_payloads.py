"""The bytes of payloads, against two independent libraries and the specification's tables.

Sources: Sparkplug specification 3.0, chapters 4 and 6 (cases SPB-TOP-01 and SPB-TYPE-01 of the reference tables, which quote
them).  `vectors.json` was made once with pysparkplug 0.6.1, a library of its own that needs a paho-mqtt older than
ours, so that it cannot be installed beside.  The decoder of the second way is blackboxprotobuf (bbpb 1.4.2).
"""

import json
import math
from pathlib import Path

import blackboxprotobuf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from daq.adapters.sparkplug.encode import command, payload
from daq.adapters.sparkplug.metrics import DataType, Metric, Property
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.wire import Payload
from daq.core.errors import SettingError
from tests.support.sparkplug.decoder import decode

VECTORS = json.loads(Path(__file__).with_name("vectors.json").read_text("utf-8"))

#: SPB-TYPE-01: data types.
CODES = {
    "Int8": 1, "Int16": 2, "Int32": 3, "Int64": 4, "UInt8": 5, "UInt16": 6, "UInt32": 7, "UInt64": 8, "Float": 9,
    "Double": 10, "Boolean": 11, "String": 12, "DateTime": 13, "Text": 14, "UUID": 15, "DataSet": 16, "Bytes": 17,
    "File": 18, "Template": 19,
}  # fmt: skip
#: SPB-TYPE-01: field numbers.
NUMBERS = {
    "Payload": {"timestamp": 1, "metrics": 2, "seq": 3, "uuid": 4, "body": 5},
    "Metric": {
        "name": 1, "alias": 2, "timestamp": 3, "datatype": 4, "is_historical": 5, "is_transient": 6, "is_null": 7,
        "int_value": 10, "long_value": 11, "float_value": 12, "double_value": 13, "boolean_value": 14,
        "string_value": 15,
    },
}  # fmt: skip


def test_type_codes_are_those_of_the_specification():
    assert {t.name: t.value for t in DataType} == {name.upper(): code for name, code in CODES.items()}


@pytest.mark.parametrize("message", NUMBERS)
def test_field_numbers_are_those_of_the_specification(message):
    described = (
        Payload.DESCRIPTOR if message == "Payload" else Payload.DESCRIPTOR.fields_by_name["metrics"].message_type
    )
    found = {f.name: f.number for f in described.fields}
    assert {name: found[name] for name in NUMBERS[message]} == NUMBERS[message]


def test_topics_are_those_of_the_specification():
    """SPB-TOP-01."""
    names = Names("lab", "bench1", "host1")
    assert names.node_topic("NBIRTH") == "spBv1.0/lab/NBIRTH/bench1"
    assert names.node_topic("NDATA") == "spBv1.0/lab/NDATA/bench1"
    assert names.node_topic("NDEATH") == "spBv1.0/lab/NDEATH/bench1"
    assert names.node_topic("NCMD") == "spBv1.0/lab/NCMD/bench1"
    assert names.device_topic("DBIRTH", "rot1") == "spBv1.0/lab/DBIRTH/bench1/rot1"
    assert names.device_topic("DDATA", "rot1") == "spBv1.0/lab/DDATA/bench1/rot1"
    assert names.device_topic("DDEATH", "rot1") == "spBv1.0/lab/DDEATH/bench1/rot1"
    assert names.state_topic == "spBv1.0/STATE/host1"


def test_filters_of_hosts_catch_them():
    """MQT-TOP-01: filters as OASIS MQTT 3.1.1, section 4.7 has them, by paho's own matcher."""
    names = Names("lab", "bench1", "host1")
    for wanted in ("spBv1.0/#", "spBv1.0/lab/#", "spBv1.0/+/NBIRTH/#", "spBv1.0/lab/+/bench1"):
        assert topic_matches_sub(wanted, names.node_topic("NBIRTH"))
    assert topic_matches_sub("spBv1.0/lab/DDATA/+/+", names.device_topic("DDATA", "rot1"))
    assert not topic_matches_sub("spBv1.0/lab/#", names.state_topic)


@pytest.mark.parametrize("sign", "+/#")
@pytest.mark.parametrize("where", ["group", "node", "host", "device"])
def test_identifiers_refuse_reserved_characters(sign, where):
    bad = f"a{sign}b"
    with pytest.raises(SettingError, match="reserved in topics"):
        if where == "device":
            Names("lab", "bench1").device_topic("DDATA", bad)
        else:
            Names(**{"group": "lab", "node": "bench1", "host": "host1", where: bad})


def built(vector):
    metrics = [
        Metric(
            m["name"],
            DataType[m["type"]],
            m["value"],
            m["time"],
            tuple(Property(k, DataType[t], v) for k, t, v in m.get("properties", ())),
        )
        for m in vector["metrics"]
    ]
    options = {k: vector[k] for k in ("aliases", "birth", "historical") if k in vector}
    return payload(metrics, vector["time"], vector["seq"], **options)


@pytest.mark.parametrize("vector", VECTORS["payloads"], ids=lambda v: v["name"])
def test_bytes_are_those_of_another_library(vector):
    assert built(vector).hex() == vector["hex"]


TYPEDEF = {
    "1": {"type": "uint", "name": "timestamp"},
    "2": {
        "type": "message", "name": "metrics", "seen_repeated": True,
        "message_typedef": {
            "1": {"type": "string", "name": "name"}, "2": {"type": "uint", "name": "alias"},
            "3": {"type": "uint", "name": "timestamp"}, "4": {"type": "uint", "name": "datatype"},
            "5": {"type": "uint", "name": "is_historical"}, "7": {"type": "uint", "name": "is_null"},
            "10": {"type": "uint", "name": "int_value"}, "11": {"type": "uint", "name": "long_value"},
            "13": {"type": "double", "name": "double_value"}, "14": {"type": "uint", "name": "boolean_value"},
            "15": {"type": "string", "name": "string_value"},
            "9": {
                "type": "message", "name": "properties",
                "message_typedef": {
                    "1": {"type": "string", "name": "keys", "seen_repeated": True},
                    "2": {
                        "type": "message", "name": "values", "seen_repeated": True,
                        "message_typedef": {
                            "1": {"type": "uint", "name": "type"}, "3": {"type": "uint", "name": "int_value"},
                            "6": {"type": "double", "name": "double_value"},
                            "8": {"type": "string", "name": "string_value"},
                        },
                    },
                },
            },
        },
    },
    "3": {"type": "uint", "name": "seq"},
}  # fmt: skip


def test_a_library_without_our_description_reads_the_same():
    metrics = (
        Metric("result/value", DataType.DOUBLE, 0.3415, 1000, (Property("Quality", DataType.INT32, 192), Property("unit", DataType.STRING, "mPa.s"))),
        Metric("result/sample", DataType.STRING, "Schlicker η", 1000),
        Metric("result/simulated", DataType.BOOLEAN, True, 1000),
        Metric("result/n", DataType.INT64, 300, 1000),
        Metric("result/lot", DataType.STRING, None, 1000),
    )  # fmt: skip
    data = payload(metrics, 2000, 7, birth=True, aliases={m.name: n for n, m in enumerate(metrics)}, historical=True)
    message, _ = blackboxprotobuf.decode_message(data, TYPEDEF)
    assert message["timestamp"] == 2000
    assert message["seq"] == 7
    value, sample, simulated, readings, lot = message["metrics"]
    assert value == {
        "name": "result/value", "alias": 0, "timestamp": 1000, "datatype": 10, "is_historical": 1,
        "double_value": 0.3415,
        "properties": {
            "keys": ["Quality", "unit"],
            "values": [{"type": 3, "int_value": 192}, {"type": 12, "string_value": "mPa.s"}],
        },
    }  # fmt: skip
    assert (sample["string_value"], sample["alias"]) == ("Schlicker η", 1)
    assert simulated["boolean_value"] == 1
    assert readings["long_value"] == 300
    assert lot["is_null"] == 1
    assert not {"string_value", "double_value"} & set(lot)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None])
def test_numbers_that_are_not_finite_are_null(value):
    (metric,) = decode(payload([Metric("a", DataType.DOUBLE, value, 1)], 1, 0, birth=True)).metrics
    assert metric.null
    assert metric.value is None


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [(DataType.INT32, -(2**31), 2**31 - 1), (DataType.UINT32, 0, 2**32 - 1), (DataType.INT64, -(2**63), 2**63 - 1)],
)
def test_whole_numbers_keep_their_sign_and_refuse_what_does_not_fit(kind, low, high):
    for value in (low, -1 if low else 1, 0, high):
        (metric,) = decode(payload([Metric("a", kind, value, 1)], 1, 0, birth=True)).metrics
        assert metric.value == value
    for value in (low - 1, high + 1):
        with pytest.raises(ValueError, match="does not fit"):
            payload([Metric("a", kind, value, 1)], 1, 0)


def test_half_a_character_from_outside_breaks_nothing():
    (metric,) = decode(payload([Metric("a", DataType.STRING, "lot \ud800 7", 1)], 1, 0, birth=True)).metrics
    assert metric.value == "lot ? 7"


@pytest.mark.parametrize("given", VECTORS["commands"], ids=lambda c: c["name"])
def test_commands_of_another_library_are_read(given):
    values = command(bytes.fromhex(given["hex"])).values
    expected = {
        "rebirth": {"Node Control/Rebirth": True},
        "rebirth by alias 1": {1: True},
        "something else": {"Node Control/Rebirth": False, "speed": 60.0},
    }
    assert values == expected[given["name"]]


@given(st.binary(max_size=200))
def test_no_bytes_break_the_reading_of_commands(data):
    command(data)


@given(st.integers(0, 255), st.binary(max_size=8))
def test_broken_commands_break_nothing(at, put):
    good = bytes.fromhex(VECTORS["commands"][2]["hex"])
    at %= len(good)
    command(good[:at] + put + good[at + len(put) :])
