"""Types of single keys of a description; the message of each validator says what to write instead."""

import difflib
import re
from collections.abc import Iterable
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from daq.core.checksums import CHECKSUMS
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.descriptions import template
from daq.descriptions.types import HEX_BYTES
from daq.descriptions.unitwords import written_unit
from daq.methods.files.fields import LineBytes, Listed, duration

MOST_SCALE: Final = 1e30
"""Greatest scale; with it and its inverse as the least one, no number of a line becomes infinite."""
OTHERS: Final = ("refused", "ignored")
_CHANNEL: Final = "[a-z][a-z0-9_]*"
_PLAIN: Final = "[a-z][A-Za-z0-9_]*"

INSTRUMENT_FAULTS: Final = (
    "saturated", "over_range", "under_range", "not_a_number", "probe", "sensor", "blocked", "beyond_range",
    "undefined", "unsteady", "keys_used", "calibration_overdue", "instrument_error",
)  # fmt: skip
"""Faults of `daq.core.faults.FAULTS` that an instrument can report."""


def near(name: str, choices: Iterable[str]) -> str:
    """Return the most similar of the choices, or all of them, as the end of a sentence."""
    choices = list(choices)
    found = difflib.get_close_matches(name, choices, 1)
    return f"did you mean {found[0]!r}?" if found else f"there are: {', '.join(choices) or 'none'}"


def _channel_name(value: str) -> str:
    if not re.fullmatch(_CHANNEL, value):
        raise ValueError(f"{value!r}: begin with a small letter, go on with small letters, digits and _")
    return value


def _plain_name(value: str) -> str:
    if not re.fullmatch(_PLAIN, value):
        raise ValueError(f"{value!r}: begin with a small letter, go on with letters, digits and _")
    return value


def _option_name(value: str) -> str:
    if value in ("value", "description", "probes"):
        raise ValueError("is a reserved name; choose another")
    return _plain_name(value)


def _unit(value: str) -> str:
    if value not in UNITS:
        raise ValueError(f"unknown unit {value!r}; known UCUM codes: {', '.join(sorted(UNITS))}")
    return value


def _unit_of_text(value: str) -> str:
    written_unit(value)
    return value


def _checksum(value: str) -> str:
    if value not in CHECKSUMS:
        raise ValueError(f"unknown checksum {value!r}; {near(value, CHECKSUMS)}")
    return value


def _interval(value: int) -> int:
    if value < 1_000_000:
        raise ValueError("must be at least '1 ms'")
    return value


def _of_line(value: str) -> str:
    template.parse(value, line=True)
    return value


def _of_request(value: str) -> str:
    template.parse(value, line=False)
    return value


def _of_bytes_in_line(value: str) -> str:
    template.parse_bytes(value, line=True)
    return value


def _of_bytes_in_request(value: str) -> str:
    template.parse_bytes(value, line=False)
    return value


def _signed_bits(value: int) -> int:
    if value % 4:
        raise ValueError("must be a multiple of 4: a hexadecimal digit has 4 bits")
    return value


def _hex_bytes(value: str) -> str:
    if value not in HEX_BYTES:
        raise ValueError(f"{value!r} is no type of a number in a frame of bytes; {near(value, HEX_BYTES)}")
    return value


def _fault(one: Any) -> str:
    """Return the fault in ``fault`` or ``channel: fault``."""
    if not isinstance(one, str):
        raise ValueError(f"{one!r} is not the name of a fault; write it in quotes")  # noqa: TRY004 - pydantic takes ValueError
    fault = one.rpartition(":")[2].strip()
    if fault not in FAULTS:
        raise ValueError(f"unknown fault {fault!r}; faults: {', '.join(INSTRUMENT_FAULTS)}")
    return fault


def _faults(value: Any) -> Any:
    """Check one fault or several, each ``fault`` or ``channel: fault``; "" for none."""
    listed = value if isinstance(value, list) else [value] if value != "" else []
    for one in listed:
        _fault(one)
    return tuple(listed)


def _fault_instead(value: str) -> str:
    """Check the fault of a text in place of a number; "" where another field gives the fault."""
    if not value:
        return value
    fault = _fault(value)
    if ":" in value:
        raise ValueError("belongs to this channel: give the fault without a channel")
    if FAULTS[fault].keeps_value:
        raise ValueError(f"{fault} is a fault of a number, but this text is in place of one")
    return value


def _others(value: str) -> str:
    if value not in OTHERS and value not in FAULTS:
        raise ValueError(f"must be 'refused', 'ignored' or a fault; {near(value, FAULTS)}")
    return value


def _weight(value: str) -> str:
    if not value.isdecimal() or int(value).bit_count() != 1:
        raise ValueError("a bit is written as its weight: '1', '2', '4', '8', ...")
    return value


def _scale(value: float) -> float:
    if value == 0:
        raise ValueError("must not be 0")
    if not 1 / MOST_SCALE <= abs(value) <= MOST_SCALE:
        raise ValueError(f"must be between {1 / MOST_SCALE:g} and {MOST_SCALE:g}")
    return value


def _offset(value: float) -> float:
    if abs(value) > MOST_SCALE:
        raise ValueError(f"must be at most {MOST_SCALE:g}")
    return value


TIME_SCHEMA: Final = {
    "anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": r"^\s*[0-9.]+\s*(ms|s|min|h|d)?\s*$"}],
    "description": "a number of seconds, or text such as '200 ms', '5 s'",
}
_FAULT_SCHEMA: Final = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
    "description": "a fault, 'channel: fault', a list of such, or '' for none; faults: " + ", ".join(INSTRUMENT_FAULTS),
}

ActionName = Literal["speed", "turn", "halt", "zero", "bath"]
ChannelName = Annotated[
    str, AfterValidator(_channel_name), WithJsonSchema({"type": "string", "pattern": f"^{_CHANNEL}$"})
]
PlainName = Annotated[str, AfterValidator(_plain_name), WithJsonSchema({"type": "string", "pattern": f"^{_PLAIN}$"})]
OptionName = Annotated[str, AfterValidator(_option_name), WithJsonSchema({"type": "string", "pattern": f"^{_PLAIN}$"})]
ChecksumName = Annotated[str, AfterValidator(_checksum), WithJsonSchema({"type": "string", "enum": list(CHECKSUMS)})]
Unit = Annotated[LineBytes, AfterValidator(_unit), WithJsonSchema({"type": "string", "enum": sorted(UNITS)})]
UnitOfText = Annotated[LineBytes, AfterValidator(_unit_of_text)]
Strings = Annotated[tuple[LineBytes, ...], Listed]
Time = Annotated[int, BeforeValidator(duration), WithJsonSchema(TIME_SCHEMA)]
Interval = Annotated[int, BeforeValidator(duration), AfterValidator(_interval), WithJsonSchema(TIME_SCHEMA)]
LineText = Annotated[str, AfterValidator(_of_line)]
RequestText = Annotated[LineBytes, AfterValidator(_of_request)]
FrameText = Annotated[LineBytes, AfterValidator(_of_bytes_in_line)]
RequestFrameText = Annotated[LineBytes, AfterValidator(_of_bytes_in_request)]
SignedBits = Annotated[int, Field(ge=4, le=48), AfterValidator(_signed_bits)]
HexBytes = Annotated[str, AfterValidator(_hex_bytes), WithJsonSchema({"type": "string", "enum": list(HEX_BYTES)})]
Faults = Annotated[tuple[str, ...], BeforeValidator(_faults), WithJsonSchema(_FAULT_SCHEMA)]
FaultInstead = Annotated[str, AfterValidator(_fault_instead)]
Others = Annotated[str, AfterValidator(_others)]
Weight = Annotated[str, AfterValidator(_weight), WithJsonSchema({"type": "string", "pattern": "^[1-9][0-9]*$"})]
Scale = Annotated[float, AfterValidator(_scale)]
Offset = Annotated[float, AfterValidator(_offset)]
