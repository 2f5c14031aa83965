"""The description of an instrument that speaks lines: what its TOML file may hold.

Nothing in it is evaluated.  Everything that is wrong with one key is found here; what does not fit together is found
in `daq.descriptions.checks`.
"""

import re
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from daq.core.checksums import CHECKSUMS
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.descriptions import template
from daq.descriptions.types import TYPES
from daq.methods.files.fields import Listed, Model, Name, Text, duration

FORMAT: Final = 1
RESERVED: Final = ("interval_ms", "mode", "direction")
"""Options with a meaning of their own."""
_CHANNEL: Final = "[a-z][a-z0-9_]*"
_PLAIN: Final = "[a-z][A-Za-z0-9_]*"


def _channel_name(value: str) -> str:
    if not re.fullmatch(_CHANNEL, value):
        raise ValueError(f"{value!r}: begin with a small letter, go on with small letters, digits and _")
    return value


def _plain_name(value: str) -> str:
    if not re.fullmatch(_PLAIN, value):
        raise ValueError(f"{value!r}: begin with a small letter, go on with letters, digits and _")
    return value


def _unit(value: str) -> str:
    if value not in UNITS:
        raise ValueError(f"unknown unit {value!r}; known UCUM codes: {', '.join(sorted(UNITS))}")
    return value


def _of_line(value: str) -> str:
    template.parse(value, line=True)
    return value


def _of_request(value: str) -> str:
    template.parse(value, line=False)
    return value


def _faults(value: Any) -> Any:
    """One fault or several, each ``fault`` or ``channel: fault``; "" for none."""
    listed = value if isinstance(value, list) else [value] if value != "" else []
    for one in listed:
        if not isinstance(one, str):
            raise ValueError(f"{one!r} is not the name of a fault; write it in quotes")  # noqa: TRY004 - pydantic takes ValueError
        fault = one.rpartition(":")[2].strip()
        if fault not in FAULTS:
            raise ValueError(f"unknown fault {fault!r}; faults: {', '.join(INSTRUMENT_FAULTS)}")
    return tuple(listed)


INSTRUMENT_FAULTS: Final = (
    "saturated", "over_range", "under_range", "not_a_number", "probe", "sensor", "blocked", "beyond_range",
    "undefined", "unsteady", "keys_used", "calibration_overdue", "instrument_error",
)  # fmt: skip
"""Those of `daq.core.faults.FAULTS` that an instrument can report."""

TIME_SCHEMA: Final = {
    "anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": r"^\s*[0-9.]+\s*(ms|s|min|h|d)?\s*$"}],
    "description": "a number of seconds, or text such as '200 ms', '5 s'",
}
_FAULT_SCHEMA: Final = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
    "description": "a fault, 'channel: fault', a list of such, or '' for none; faults: " + ", ".join(INSTRUMENT_FAULTS),
}

Time = Annotated[int, BeforeValidator(duration), WithJsonSchema(TIME_SCHEMA)]
ChannelName = Annotated[
    str, AfterValidator(_channel_name), WithJsonSchema({"type": "string", "pattern": f"^{_CHANNEL}$"})
]
PlainName = Annotated[str, AfterValidator(_plain_name), WithJsonSchema({"type": "string", "pattern": f"^{_PLAIN}$"})]
Unit = Annotated[Text, AfterValidator(_unit), WithJsonSchema({"type": "string", "enum": sorted(UNITS)})]
Strings = Annotated[tuple[Text, ...], Listed]
LineText = Annotated[str, AfterValidator(_of_line)]
RequestText = Annotated[Text, AfterValidator(_of_request)]
Faults = Annotated[tuple[str, ...], BeforeValidator(_faults), WithJsonSchema(_FAULT_SCHEMA)]
ActionName = Literal["speed", "turn", "halt", "zero", "bath"]


class PortTable(Model):
    """The serial line, and how it wants to be treated."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "xon/xoff", "rts/cts"] = "none"
    dtr: bool | None = Field(default=None, description="level of DTR after opening; left out: as the system sets it")
    rts: bool | None = Field(default=None, description="level of RTS after opening; left out: as the system sets it")
    settle: Time = Field(default=0, description="quiet time after opening, before anything is sent")
    byte_pause: Time = Field(default=0, description="pause between two bytes that are sent")
    pause: Time = Field(default=0, description="least time between an answer and the next request")
    wake: str = Field(default="", description="text that wakes the instrument before a request")
    wake_after: Time = Field(default=0, description="it sleeps when nothing was sent for so long")
    wake_wait: Time = Field(default=0, description="time between waking it and the request")
    echo: bool = Field(default=False, description="the instrument sends every request back before it answers")
    shared: bool = Field(
        default=False, description="requests and answers name an address, so that several can be on one line"
    )


class FramingTable(Model):
    """How lines are marked."""

    ends: Annotated[tuple[Text, ...], Listed, Field(min_length=1)] = Field(
        default=("\r\n",), description="text that ends a line; several where it may be one or the other"
    )
    begin: str = Field(default="", description="text that begins a line and is no part of it")
    length: Annotated[int, Field(ge=0, le=4096)] = Field(
        default=0, description="number of bytes of every line; 0: it ends with one of `ends`"
    )
    gap: Time = Field(default=0, description="a line ends when nothing came for so long; 0: it ends otherwise")
    longest: Annotated[int, Field(ge=1, le=4096)] = Field(default=256, description="most bytes a line can have")
    idle: Time = Field(default=0, description="a part of a line older than this is thrown away; 0: never")
    drop_first: bool = Field(
        default=False, description="the first line after opening is dropped; it may be a part of one"
    )
    encoding: Literal["latin-1", "utf-8"] = Field(default="latin-1", description="which bytes text beyond ASCII has")
    sends_begin: str | None = Field(default=None, description="text that begins a request; left out: as `begin`")
    sends_end: str | None = Field(default=None, description="text that ends a request; left out: the first of `ends`")


class ChecksumTable(Model):
    """The checksum at the end of every line."""

    name: str = Field(description="one of " + ", ".join(CHECKSUMS), json_schema_extra={"enum": list(CHECKSUMS)})
    written: Literal["hex", "decimal", "big endian", "little endian"] = Field(
        default="hex", description="as digits, or as bytes with the highest or the lowest first"
    )
    letters: Literal["upper", "lower", "either"] = Field(default="upper", description="case of hexadecimal digits")
    digits: Annotated[int, Field(ge=1, le=10)] | None = Field(
        default=None, description="number of digits; left out: all that the checksum needs"
    )
    mark: str = Field(default="", description="text between the line and its checksum, for example '*'")
    covers_mark: bool = Field(default=False, description="the mark is covered by the checksum too")
    covers_begin: bool = Field(default=False, description="the text that begins a line is covered by the checksum too")
    skip: Annotated[int, Field(ge=0, le=64)] = Field(
        default=0, description="bytes at the beginning that are not covered"
    )
    requests: bool = Field(default=False, description="requests carry the checksum too")


class ChannelTable(Model):
    """One measured quantity."""

    name: ChannelName = Field(description="the quantity's name, for example 'mass'")
    unit: Unit = Field(description="UCUM code of its unit, for example 'g' or 'Cel'")
    low: float = Field(description="lowest value the instrument can measure")
    high: float = Field(description="highest value the instrument can measure")
    turns: bool = Field(default=False, description="changes its sign with the option `direction`")


class PollTable(Model):
    """For an instrument that is asked for its readings."""

    requests: Annotated[Strings, Field(min_length=1)] = Field(
        description="names of the requests for one reading, in order"
    )
    interval: Time = Field(default=1_000_000_000, description="time between two readings")
    refresh: Time = Field(default=0, description="how often the instrument renews its values; 0: with every request")
    stale_after: Time = Field(default=5_000_000_000, description="without a reading for so long it is silent")


class StreamTable(Model):
    """For an instrument that sends readings unasked."""

    interval: Time = Field(default=1_000_000_000, description="time between two readings")
    start: Name | None = Field(
        default=None, description="name of the request that makes it begin, where it must be told"
    )
    stale_after: Time = Field(
        default=5_000_000_000,
        description="without a reading for so long it is silent; 0: it speaks only when its key is pressed",
    )


class RequestTable(Model):
    """One request, and which lines answer it."""

    send: RequestText = Field(description="what is sent, without its begin, checksum and end; {name} is an option")
    answers: Strings = Field(
        default=(),
        description="lines that are believed only as the answer to this; left out: lines that speak for themselves",
    )
    timeout: Time = Field(default=500_000_000, description="how long to wait for the answer")
    tries: Annotated[int, Field(ge=1, le=20)] = Field(default=3, description="how often to send it at most")


class CommandTable(RequestTable):
    """One action of the instrument."""

    send: RequestText = Field(description="what is sent; {value} is the number, {name} an option")
    unit: Unit | None = Field(
        default=None, description="unit in which it takes the value (speed: /min, bath: Cel otherwise)"
    )
    decimals: Annotated[int, Field(ge=0, le=9)] = Field(default=3, description="decimals of the value as it is sent")
    low: float | None = Field(default=None, description="lowest value it takes, in its unit")
    high: float | None = Field(default=None, description="highest value it takes, in its unit")
    turns: bool = Field(default=False, description="the value changes its sign with the option `direction`")


class FieldTable(Model):
    """What a field of a line means."""

    channel: ChannelName | None = Field(
        default=None, description="the channel it gives; left out: the one of its own name"
    )
    unit: Unit | None = Field(default=None, description="unit of the number in the line; left out: the channel's")
    scale: float = Field(default=1.0, description="the number is multiplied with this")
    offset: float = Field(default=0.0, description="then this is added")
    divide_by: PlainName | None = Field(
        default=None, description="an option (a whole number of at least 1) by which the result is divided"
    )
    decimals: Annotated[int, Field(ge=0, le=9)] | None = Field(
        default=None, description="it has exactly so many decimals"
    )
    digits: Annotated[int, Field(ge=1, le=15)] | None = Field(
        default=None, description="most digits before its decimal mark"
    )
    decimal: Literal["point", "comma"] | None = Field(default=None, description="its decimal mark")
    special: dict[str, Annotated[str, AfterValidator(lambda v: (_faults(v), v)[1])]] = Field(
        default_factory=dict,
        description="what stands for a number ('---', '9.9E37', ''), and its fault; '' where another field says it",
    )
    means: dict[str, Faults] = Field(
        default_factory=dict,
        description="what its text or number means: a fault, 'channel: fault', a list, or '' for none",
    )
    each_letter: bool = Field(default=False, description="every letter of the text is looked up in `means` by itself")
    bits: dict[str, Faults] = Field(
        default_factory=dict, description="the number is a sum of such ('1', '2', '4', ...); what each means"
    )
    others: str = Field(
        default="refused", description="what `means` and `bits` do not know: 'refused', 'ignored', or a fault"
    )
    names: dict[str, Name] = Field(
        default_factory=dict, description="for the field `command` of a confirmation: the action each text stands for"
    )
    fact: Text | None = Field(default=None, description="for an identity: the name of the fact; left out: its own name")


class LineTable(Model):
    """One kind of line the instrument sends."""

    says: Literal["reading", "status", "identity", "confirmation", "refusal", "ignored"] = Field(
        description="what it is: a reading, faults only, who it is, yes, no, or nothing of interest"
    )
    pattern: LineText | None = Field(
        default=None,
        description="the whole line, as in 'T {temperature:number} Cel'; {name:type} is a field, {name:type 8} one of "
        "8 characters, {:type} one that is not kept, {name} the value of an option, [...] may be absent; types: "
        + "; ".join(f"{name} ({kind.about})" for name, kind in TYPES.items()),
    )
    columns: Annotated[tuple[LineText, ...], Listed] | None = Field(
        default=None, description="or its columns, in order, blanks around them not counting"
    )
    separator: Text = Field(default=",", description="what stands between two columns; ' ' is any number of blanks")
    more: bool = Field(default=False, description="further columns may follow")
    fields: dict[PlainName, FieldTable] = Field(default_factory=dict)
    confirms: Name | None = Field(
        default=None, description="for a confirmation: the action; left out: what was asked, or the field `command`"
    )
    reason: str = Field(default="", description="for a refusal without field `reason`, and for an ignored line")


class OptionTable(Model):
    """What an instrument's file may change under [options]."""

    default: str | int = Field(description="the value where the file gives none")
    about: str = Field(default="", description="what it is for")
    choices: Annotated[tuple[str | int, ...], Listed] = Field(default=(), description="the only values allowed")
    low: int | None = Field(default=None, description="smallest whole number")
    high: int | None = Field(default=None, description="greatest whole number")
    digits: Annotated[int, Field(ge=1, le=9)] | None = Field(
        default=None, description="a number is written with so many digits"
    )


class DescriptionTables(Model):
    """Everything in a description file."""

    format: Literal[1] = Field(description="version of this format: 1")
    kind: Name = Field(description="the kind of instrument, for example 'balance'")
    title: str = ""
    about: str = Field(default="", description="what the next reader should know")
    on_link_loss: Literal["keeps turning", "stops", "unknown", "has no motor"] | None = Field(
        default=None, description="what the motor does when the cable is pulled"
    )
    zero_condition: str = Field(default="", description="what must hold when it is zeroed, for a person")
    lag: Time = Field(default=0, description="time constant of the instrument's own filter")
    decimal: Literal["point", "comma"] = Field(default="point", description="decimal mark of all numbers")
    identify: Name | None = Field(
        default=None, description="name of the request for its identity, where it can be asked"
    )
    port: PortTable = PortTable()
    framing: FramingTable = FramingTable()
    checksum: ChecksumTable | None = None
    channel: Annotated[tuple[ChannelTable, ...], Listed, Field(min_length=1)] = Field(
        description="what it measures: at least one [[channel]]"
    )
    poll: PollTable | None = None
    stream: StreamTable | None = None
    request: dict[Name, RequestTable] = Field(default_factory=dict)
    line: Annotated[dict[Name, LineTable], Field(min_length=1)] = Field(description="the lines it sends: [line.NAME]")
    command: dict[ActionName, CommandTable] = Field(default_factory=dict)
    options: dict[PlainName, OptionTable] = Field(default_factory=dict)
