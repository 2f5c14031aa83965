"""The contract between the core and one kind of instrument.

A driver is pure: bytes in, values out; what to send is data.  It owns no port and no
clock.  The exchange (`daq.core.exchange`) does the timing, the retries and the matching
of replies for every driver alike.
"""

import hashlib
import inspect
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final, Literal

from daq.core.errors import DriverError
from daq.core.framing import Framing

API_VERSION: Final = 2

Action = Literal["speed", "turn", "halt", "zero", "bath"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity.

    Attributes:
        name: short, lower case, unique in the driver.
        unit: UCUM code.
        low, high: range of the instrument; a value outside is kept and marked ``beyond_range``.
    """

    name: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Port:
    """Serial settings the instrument wants unless its configuration says otherwise.

    Attributes:
        baud, data_bits, parity, stop_bits, flow: of the line.
        dtr, rts: levels of the two lines after opening; None leaves them as the system sets them.
        settle_ns: quiet time after opening, before anything is sent; what arrives in it is thrown away.
        byte_pause_ns: pause between two bytes sent, for instruments that cannot take them faster.
    """

    baud: int = 9600
    data_bits: int = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: float = 1
    flow: Literal["none", "xon/xoff", "rts/cts"] = "none"
    dtr: bool | None = None
    rts: bool | None = None
    settle_ns: int = 0
    byte_pause_ns: int = 0


@dataclass(frozen=True, slots=True)
class Request:
    """Bytes to send, and the kind of reply that settles them.

    Attributes:
        data: what is written, terminator included.
        expects: kind of the reply: ``reading``, ``identity`` or the name of an action.
        timeout_ns: how long to wait for the reply after the bytes were sent.
        tries: how often to send at most.
    """

    data: bytes
    expects: str
    timeout_ns: int = 500_000_000
    tries: int = 3


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the instrument says it is."""

    kind: str
    serial: str
    firmware: str = ""
    facts: Mapping[str, float | str] = field(default_factory=dict)
    """What it says of itself beyond that, e.g. ``{"torque_full_scale_uN_m": 1000.0}``."""


@dataclass(frozen=True, slots=True)
class Values:
    """A reading of which something is amiss: numbers or None in channel order, and faults by channel."""

    values: tuple[float | None, ...]
    faults: tuple[tuple[str, str], ...]
    """Pairs of channel (or "" for the whole instrument) and a key of `daq.core.faults.FAULTS`."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a reading that comes in several lines: what one of them says of some channels.

    The exchange joins the parts of one round of polling to a reading, timed at the last of them; those of a stream as
    soon as every channel has a part that is no older than the stream's interval.
    """

    values: tuple[tuple[int, float | None], ...]
    """Pairs of a channel's number and its value."""
    faults: tuple[tuple[str, str], ...] = ()
    """As in `Values`."""


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a request other than a poll.

    Attributes:
        kind: what it answers: ``identity`` or the name of an action.
        value: the number it confirms, if any.
        identity: for ``identity``.
        refusal: the instrument's reason where it refused.
    """

    kind: str
    value: float | None = None
    identity: Identity | None = None
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Reject:
    """A line that is not believed.  It never becomes a value; it is counted under `reason`."""

    reason: str


#: What a line means.  A plain tuple of floats, in channel order, is a reading without fault: the usual case.
Decoded = tuple[float, ...] | Values | Part | Reply | Reject


class Driver(ABC):
    """One instrument's dialect.  Subclass it, set the class attributes, fill in the methods.

    Attributes:
        api_version: the version of this contract the driver was written for.
        kind: name of the kind of instrument, as its entry point.
        channels: what a reading holds, in order.
        framing: how lines are cut.
        port: serial settings.
        streams: True where readings come unasked.
        interval_ns: time between polls, or between the lines of a stream.
        refresh_ns: how often the instrument renews its values; repeats within it are no readings.  0: all are new.
        stale_after_ns: without a reading for this long the instrument is silent; 0: it speaks only when somebody
            presses its key, and its silence means nothing.
        pause_ns: least time between an answer and the next request.
        wake: bytes that wake the instrument, sent before a request when nothing was sent for `wake_after_ns`; the
            request follows `wake_wait_ns` later.
        echoes: whether the instrument sends every request back before it answers.
        shares_line: whether requests and answers name an address, so that several can be on one line.
        lag_ns: time constant of the instrument's own filter; 0 where it states none.
        capabilities: the actions the instrument understands.
        zero_condition: what must hold when it is zeroed, for a person.
        on_link_loss: what the motor does when the cable is pulled.
        has_checksum: whether corruption of a line is detectable.
    """

    api_version: ClassVar[int] = API_VERSION
    kind: ClassVar[str]
    has_checksum: ClassVar[bool] = False

    channels: tuple[Channel, ...] = ()
    framing: Framing = Framing()
    port: Port = Port()
    streams: bool = False
    interval_ns: int = 1_000_000_000
    refresh_ns: int = 0
    stale_after_ns: int = 5_000_000_000
    pause_ns: int = 0
    wake: bytes = b""
    wake_after_ns: int = 0
    wake_wait_ns: int = 0
    echoes: bool = False
    shares_line: bool = False
    lag_ns: int = 0
    capabilities: frozenset[Action] = frozenset()
    zero_condition: str = ""
    on_link_loss: Literal["keeps_turning", "stops", "unknown", "no_motor"] = "no_motor"

    def __init__(self, options: Mapping[str, Any]) -> None:
        """`options` is the ``[options]`` table of the instrument's file; raise `SettingError` for a wrong one."""
        self.options = dict(options)

    @abstractmethod
    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """What one line (without terminator) means.  Never raises for any bytes.

        `asked` is the request that waits for its answer, for dialects whose answers do not say what they answer.  In
        a stream a reading without fault means the same whatever was asked, and a line may be decoded twice in a row.
        """

    def identify(self) -> Request | None:
        """The request for the instrument's identity, or None where it cannot be asked."""
        return None

    def poll(self) -> Request | tuple[Request, ...] | None:
        """The request for one reading, or those for its parts in order; None for a stream."""
        return None

    def start_stream(self) -> Request | None:
        """What makes a streaming instrument begin, where it must be told."""
        return None

    def action(self, action: Action, value: float | None = None) -> Request:
        """The request for an action.

        Raises:
            DriverError: the instrument has no such capability.
        """
        raise DriverError(f"{self.kind} cannot {action}" + ("" if value is None else f" to {value}"))

    def state(self) -> dict[str, Any]:
        """What the driver remembers, as JSON values, so that a run can be computed again from its beginning."""
        return {}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up a state given by `state`; a driver that remembers nothing needs none."""
        del state

    def digest(self) -> str:
        """SHA-256 (hex) of the driver's source and options: which driver made a result."""
        try:
            source = inspect.getsource(inspect.getmodule(type(self)) or type(self))
        except OSError:
            source = type(self).__qualname__
        text = source + repr(sorted(self.options.items()))
        return hashlib.sha256(text.encode()).hexdigest()
