"""Model of a description file: the keys of the TOML file of an instrument that sends lines of text.

Nothing in a file is evaluated.  Faults of one key or one table are found here, contradictions between tables in
`daq.descriptions.checks`.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from daq.descriptions import template
from daq.descriptions.codec.checktable import ChecksumTable, OwnChecksum
from daq.descriptions.entries import (
    ActionName,
    ChannelName,
    Interval,
    OptionName,
    RequestFrameText,
    RequestText,
    Scale,
    Strings,
    Time,
    Unit,
)
from daq.descriptions.linemodel import AnyLine
from daq.methods.files.fields import KeyedError, LineBytes, Listed, Model, Name


def _below(low: float | None, high: float | None) -> None:
    if low is not None and high is not None and low >= high:
        raise KeyedError("low", f"must be below high ({high:g})")


def _one_or_more(value: Any) -> Any:
    """Return one name or a list of names as a tuple."""
    return (value,) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value


OneOrMore = Annotated[
    tuple[Name, ...],
    BeforeValidator(_one_or_more),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


class PortTable(Model):
    """Settings and timing of the serial line."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "xon/xoff", "rts/cts"] = "none"
    dtr: bool | None = Field(default=None, description="level of DTR after opening; left out: as the system sets it")
    rts: bool | None = Field(default=None, description="level of RTS after opening; left out: as the system sets it")
    settle: Time = Field(default=0, description="wait after opening, before the first byte is sent")
    byte_pause: Time = Field(default=0, description="pause between two bytes that are sent")
    pause: Time = Field(default=0, description="least time between an answer and the next request")
    wake: str = Field(default="", description="text that wakes a sleeping instrument before a request")
    wake_after: Time = Field(default=0, description="the instrument sleeps after this time without an answer")
    wake_wait: Time = Field(default=0, description="time between the wake text and the request")
    echo: bool = Field(default=False, description="the instrument sends every request back before it answers")
    shared: bool = Field(
        default=False, description="requests and answers contain an address, so several instruments share the line"
    )


class FramingTable(Model):
    """Begin and end of lines."""

    ends: Annotated[tuple[LineBytes, ...], Listed, Field(min_length=1)] = Field(
        default=("\r\n",), description="text that ends a line; a list where there is more than one"
    )
    begin: str = Field(default="", description="text before every line, not part of it")
    length: Annotated[int, Field(ge=0, le=4096)] = Field(
        default=0, description="number of bytes of every line; 0: it ends with one of `ends`"
    )
    lines: Annotated[int, Field(ge=1, le=64)] = Field(
        default=1,
        description="number of lines of a block that begins with `begin` and is one line of the description; its "
        "pattern contains their ends",
    )
    silence: Time = Field(default=0, description="time without a byte that ends a line; 0: silence ends no line")
    longest: Annotated[int, Field(ge=1, le=4096)] = Field(default=256, description="greatest number of bytes of a line")
    idle: Time = Field(
        default=0,
        description="an unfinished line is discarded where no byte follows for this time; its rest, if it comes, is "
        "read as a line: only for blocks and other lines whose beginning is recognised; 0: never",
    )
    longest_pause: Time = Field(
        default=0,
        description="a line with a longer pause inside it was cut off and is discarded, with what follows up to and "
        "with the next end; 0: any pause is allowed",
    )
    drop_first: bool = Field(
        default=False, description="discard the first line after opening, because it may be incomplete"
    )
    encoding: Literal["latin-1", "utf-8"] = Field(default="latin-1", description="encoding of text beyond ASCII")
    sends_begin: str | None = Field(default=None, description="text that begins a request; left out: as `begin`")
    sends_end: str | None = Field(default=None, description="text that ends a request; left out: the first of `ends`")


class FrameTable(Model):
    """The length in a frame of bytes."""

    length: Literal["u8", "u16be", "u16le", "u32be", "u32le"] = Field(
        description="type of the length, whose place is {:length} in `bytes`"
    )
    adds: Annotated[int, Field(ge=-64, le=64)] = Field(
        default=0, description="number of bytes of the whole frame that the length does not count"
    )


class ChannelTable(Model):
    """One measured quantity."""

    name: ChannelName = Field(description="the quantity's name, for example 'mass'")
    unit: Unit = Field(description="UCUM code of its unit, for example 'g' or 'Cel'")
    low: float = Field(description="lowest value the instrument can measure")
    high: float = Field(description="highest value the instrument can measure")
    turns: bool = Field(default=False, description="the sign changes with the option `direction`")

    @model_validator(mode="after")
    def _range(self) -> Self:
        _below(self.low, self.high)
        return self


class PollTable(Model):
    """Requests and timing of an instrument that is polled for its readings."""

    requests: Annotated[Strings, Field(min_length=1)] = Field(
        description="names of the requests for one reading, in order"
    )
    interval: Interval = Field(default=1_000_000_000, description="time between two readings")
    refresh: Time = Field(default=0, description="time in which the instrument renews its values; 0: at each request")
    stale_after: Time = Field(default=5_000_000_000, description="time without a reading that counts as silence")


class StreamTable(Model):
    """Timing of an instrument that sends readings without a request."""

    interval: Interval = Field(default=1_000_000_000, description="time between two readings")
    start: Name | None = Field(
        default=None, description="name of the request that starts the stream, where one is needed"
    )
    stale_after: Time = Field(
        default=5_000_000_000,
        description="time without a reading that counts as silence; 0: never (it sends only when its key is pressed)",
    )


class RequestTable(Model):
    """One request and the lines that answer it."""

    send: RequestText | None = Field(
        default=None,
        description="text of the request, without begin, checksum and end; {name} is an option, {name as whole 4} one "
        "with leading zeros (types: whole, +whole, number, +number, hex)",
    )
    bytes: RequestFrameText | None = Field(
        default=None, description="or the bytes of the request, as in 'AA 55 {address as u8}', without its checksum"
    )
    checksum: OwnChecksum = Field(
        default=None, description="checksum of this request, or 'none'; left out: as checksum.requests says"
    )
    answers: Strings = Field(
        default=(),
        description="lines that are accepted only as the answer to this; left out: lines accepted at any time",
    )
    timeout: Interval = Field(default=500_000_000, description="greatest wait for the answer")
    tries: Annotated[int, Field(ge=1, le=20)] = Field(default=3, description="greatest number of times it is sent")

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.send is None) == (self.bytes is None):
            raise KeyedError(
                "send",
                "is missing: give the text to send, or `bytes`"
                if self.send is None
                else "has `bytes` beside it; leave one out",
            )
        return self

    @property
    def key(self) -> str:
        """Key of the template."""
        return "bytes" if self.send is None else "send"

    def parts(self) -> tuple[template.Part, ...]:
        """Return the template."""
        if self.bytes is not None:
            return template.parse_bytes(self.bytes, line=False)
        return template.parse(self.send or "", line=False)

    @property
    def settings(self) -> list[template.Setting]:
        """Options and values in it."""
        return [part for part in template.walk(self.parts()) if isinstance(part, template.Setting)]


class CommandTable(RequestTable):
    """One action of the instrument."""

    send: RequestText | None = Field(
        default=None,
        description="text of the command; {value} is the number, {value as +whole 5} one with sign and leading zeros",
    )
    unit: Unit | None = Field(
        default=None, description="unit of the value as it is sent; left out: /min for speed, Cel for bath"
    )
    decimals: Annotated[int, Field(ge=0, le=9)] = Field(default=3, description="decimals of the value as it is sent")
    scale: Scale = Field(default=1.0, description="the value divided by this is sent: 0.1 for tenths")
    low: float | None = Field(default=None, description="lowest value allowed, in its unit")
    high: float | None = Field(default=None, description="highest value allowed, in its unit")
    turns: bool = Field(default=False, description="the sign of the value changes with the option `direction`")

    @model_validator(mode="after")
    def _range(self) -> Self:
        _below(self.low, self.high)
        return self


class OptionTable(Model):
    """An option that an instrument's file may set under [options]."""

    default: str | int = Field(description="the value where the file gives none")
    about: str = Field(default="", description="purpose of the option")
    choices: Annotated[tuple[str | int, ...], Listed] = Field(default=(), description="the only values allowed")
    low: int | None = Field(default=None, description="smallest whole number")
    high: int | None = Field(default=None, description="greatest whole number")
    digits: Annotated[int, Field(ge=1, le=9)] | None = Field(
        default=None, description="number of digits with which a number is written"
    )

    @model_validator(mode="after")
    def _default_is_allowed(self) -> Self:
        if not isinstance(self.default, int) and (self.low is not None or self.high is not None):
            raise KeyedError("", "low and high are for whole numbers; use choices")
        wrong = self.fault_of(self.default)
        if wrong:
            raise KeyedError("default", f"{wrong}; here {self.default!r}")
        return self

    def fault_of(self, value: Any, what: str = "") -> str:
        """Return the reason why a value is not allowed, or ""; `what` follows "a whole number" in the sentence."""
        if self.choices:
            if value in self.choices and type(value) in map(type, self.choices):
                return ""
            *most, last = (repr(choice) for choice in self.choices)
            return f"must be {', '.join(most)} or {last}" if most else f"must be {last}"
        if isinstance(self.default, int):
            return self._fault_of_number(value, what)
        if not isinstance(value, str):
            return "must be text in quotes"
        return "" if value.isprintable() else "must have printable characters only"

    def _fault_of_number(self, value: Any, what: str) -> str:
        low, high = self.low, self.high
        fits = isinstance(value, int) and not isinstance(value, bool)
        if fits and (low is None or low <= value) and (high is None or value <= high):
            return ""
        span = f" from {low} to {high}" if low is not None and high is not None else ""
        span = span or (f" of at least {low}" if low is not None else f" of at most {high}" if high is not None else "")
        return f"must be a whole number{what}{span}"

    def written(self, value: str | int) -> str:
        """Return the text of a value as it is written in requests and lines."""
        return f"{value:0{self.digits}d}" if isinstance(value, int) and self.digits else str(value)


class DescriptionTables(Model):
    """A whole description file."""

    format: Literal[1] = Field(description="version of this format: 1")
    kind: Name = Field(description="the kind of instrument, for example 'balance'")
    title: str = ""
    about: str = Field(default="", description="notes for the next reader of the file")
    on_link_loss: Literal["keeps_turning", "stops", "unknown", "no_motor"] | None = Field(
        default=None, description="behaviour of the motor when the cable is pulled"
    )
    zero_condition: str = Field(default="", description="condition for zeroing, as a text for a person")
    lag: Time = Field(default=0, description="time constant of the instrument's own filter")
    decimal: Literal["point", "comma"] = Field(default="point", description="decimal mark of all numbers")
    identify: OneOrMore = Field(
        default=(),
        description="name of the request for the identity, or a list: the answer to the first has the serial number, "
        "the others add facts; left out: the instrument cannot be asked",
    )
    ignore: Strings = Field(default=(), description="lines that begin with one of these texts are left out")
    port: PortTable = PortTable()
    framing: FramingTable = FramingTable()
    checksum: ChecksumTable | None = None
    frame: FrameTable | None = None
    channel: Annotated[tuple[ChannelTable, ...], Listed, Field(min_length=1)] = Field(
        description="the measured quantities: at least one [[channel]]"
    )
    poll: PollTable | None = None
    stream: StreamTable | None = None
    request: dict[Name, RequestTable] = Field(default_factory=dict)
    line: Annotated[dict[Name, AnyLine], Field(min_length=1)] = Field(
        description="the lines that the instrument sends: [line.NAME]"
    )
    command: dict[ActionName, CommandTable] = Field(default_factory=dict)
    options: dict[OptionName, OptionTable] = Field(default_factory=dict)

    @property
    def by_bytes(self) -> bool:
        """True where the instrument sends frames of bytes."""
        return any(line.bytes is not None for line in self.line.values())

    @property
    def measured(self) -> bool:
        """True where frames are not found by their end or a fixed length alone."""
        framing = self.framing
        if framing.silence or framing.length:
            return False
        tables = [self.checksum, *(line.checksum for line in self.line.values())]
        in_bytes = any(isinstance(table, ChecksumTable) and not table.is_digits for table in tables)
        return self.by_bytes or in_bytes or framing.lines > 1
