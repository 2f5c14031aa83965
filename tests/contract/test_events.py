"""Envelope, units and quality names, checked against the open standards that define them."""

import re
from datetime import datetime

import pytest

from daq.core.faults import Quality
from daq.core.units import UNITS, convert
from daq.methods.messages.envelope import envelope

#: Rules of CloudEvents 1.0.2, sections "Context Attributes" and "Naming Conventions", from memory.
NAMES = re.compile(r"[a-z0-9]{1,20}")
#: RFC 3986 and RFC 8141: a URN with a fragment, as a URI reference.
URI_REFERENCE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s]+")


def made(**changes):
    attributes = {
        "id": "1f0c", "source": "urn:uuid:1b671a64-40d5-491e-99b0-da01ff1f3341#1", "sequence": 12,
        "time": "2026-11-26T04:00:00.000000Z", "type": "lab.result.v1", "subject": "bench-1",
        "dataschema": "mqtt:glaze-works/lab/v1/schema/result/1",
    }  # fmt: skip
    return envelope({"value": 1.0}, **(attributes | changes))


def test_the_envelope_follows_the_rules_of_cloudevents():
    event = made()
    assert event["specversion"] == "1.0"
    for name, value in event.items():
        assert NAMES.fullmatch(name), name
        if name != "data":
            assert isinstance(value, str), f"{name}: attributes of structured JSON are strings here"
            assert value
    assert URI_REFERENCE.fullmatch(event["source"])
    assert URI_REFERENCE.fullmatch(event["dataschema"])
    assert datetime.fromisoformat(event["time"]).utcoffset() is not None  # RFC 3339
    assert event["datacontenttype"] == "application/json"
    # The extension "sequence": compared as text it orders the events of a source.
    assert made(sequence=9)["sequence"] < made(sequence=10)["sequence"] < made(sequence=100_000)["sequence"]


@pytest.mark.parametrize("name", ["id", "source", "type", "time"])
def test_a_required_attribute_is_never_empty(name):
    with pytest.raises(ValueError, match=name):
        made(**{name: ""})


def test_quality_names_are_those_of_opc_ua():
    """Names of status codes in OPC UA Part 4, table "Common StatusCodes", and Part 8, section 6.3; from memory."""
    known = {
        "Good", "Uncertain", "Bad", "Bad_ConfigurationError", "Bad_NotConnected", "Bad_DeviceFailure", "Bad_SensorFailure",
        "Bad_NoCommunication", "Bad_OutOfService", "Bad_OutOfRange", "Bad_WaitingForInitialData", "Bad_NoData",
        "Uncertain_NoCommunicationLastUsableValue", "Uncertain_LastUsableValue", "Uncertain_SubstituteValue",
        "Uncertain_InitialValue", "Uncertain_SensorNotAccurate", "Uncertain_EngineeringUnitsExceeded",
        "Uncertain_SubNormal", "Good_LocalOverride",
    }  # fmt: skip
    assert {q.value for q in Quality} <= known


#: Atoms and prefixes of UCUM 2.1 (tables 1 to 3 and "customary" ones) that our units consist of; from memory.
PREFIXES = ("", "u", "m", "c", "k", "M", "h")
ATOMS = {
    "1",
    "%",
    "Pa",
    "bar",
    "A",
    "W",
    "Hz",
    "S",
    "s",
    "min",
    "h",
    "d",
    "rad",
    "Cel",
    "K",
    "[degF]",
    "N",
    "m",
    "St",
    "g",
    "L",
    "[pH]",
    "V",
    "Ohm",
    "{rev}",
}


@pytest.mark.parametrize("code", UNITS)
def test_units_are_made_of_atoms_of_ucum(code):
    for part in re.split(r"[./]", code):
        atom = re.sub(r"\d+$", "", part) or part
        if part:
            assert any(atom == prefix + known for prefix in PREFIXES for known in ATOMS), (code, part)


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (1.0, "bar", "kPa", 100.0),  # NIST SP 811, B.8: bar to pascal 1.0 E+05
        (1.0, "mbar", "hPa", 1.0),  # the same table: millibar to pascal 1.0 E+02
        (1.0, "m3/h", "L/min", 1000.0 / 60.0),  # from the definitions of litre, hour and minute (SI brochure, table 8)
        (60.0, "mL/min", "L/h", 3.6),
        (1.0, "kg/h", "g/min", 1000.0 / 60.0),
        (
            1.413,
            "mS/cm",
            "uS/cm",
            1413.0,
        ),  # the usual 0.01 mol/L potassium chloride standard: common practice, no source
        (250.0, "mA", "A", 0.25),
    ],
)
def test_units_of_flow_pressure_and_current_are_converted(value, source, target, expected):
    assert convert(value, source, target) == pytest.approx(expected, rel=1e-12)
