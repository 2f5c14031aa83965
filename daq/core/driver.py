"""The contract between the core and one kind of instrument.

A driver is pure: it turns bytes into values, and describes the bytes to send as data.  It owns no port and no clock.
The exchange (`daq.core.exchange`) does the timing, the retries and the matching of replies for all drivers.
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
KEYED_NS: Final = 600_000_000_000
"""Longest time (ns) for which a value counts that a person read by pressing a key (common practice, no source)."""
INTERVALS_TO_SILENCE: Final = 3
"""An instrument is silent after this number of intervals at the earliest."""

Action = Literal["speed", "turn", "halt", "zero", "bath"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity.

    Attributes:
        name: short, lower case, unique in the driver.
        unit: UCUM code.
        low, high: range of the instrument in `unit`; a value outside is kept and marked ``beyond_range``.
    """

    name: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Port:
    """Default serial settings of the instrument; its configuration file can change them.

    Attributes:
        baud, data_bits, parity, stop_bits, flow: settings of the serial line.
        dtr, rts: levels of the two control lines after opening; None leaves them as the system sets them.
        settle_ns: waiting time after opening, before anything is sent; bytes that arrive in it are discarded.
        byte_pause_ns: pause between two bytes sent, for instruments that cannot receive them faster.
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
    """Bytes to send, and the kind of reply that answers them.

    Attributes:
        data: bytes to write, terminator included.
        expects: kind of the reply: ``reading``, ``identity`` or the name of an action.
        timeout_ns: longest time between the last byte sent and the reply.
        tries: greatest number of times the request is sent.
    """

    data: bytes
    expects: str
    timeout_ns: int = 500_000_000
    tries: int = 3


FULL_SCALE_FACT: Final = "full_scale_uN_m"
"""Fact of an identity: the full-scale torque (µN·m), which turns a torque in percent into a torque."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Identity that the instrument reports."""

    kind: str
    serial: str
    firmware: str = ""
    facts: Mapping[str, float | str] = field(default_factory=dict)
    """Further data that the instrument reports, for example ``{FULL_SCALE_FACT: 1000.0}``."""


@dataclass(frozen=True, slots=True)
class Values:
    """A reading with null values or faults: numbers or None in channel order, and faults by channel."""

    values: tuple[float | None, ...]
    faults: tuple[tuple[str, str], ...]
    """Pairs of channel (or "" for the whole instrument) and a key of `daq.core.faults.FAULTS`."""


@dataclass(frozen=True, slots=True)
class Part:
    """One line of a reading that arrives in several lines: the values of some channels.

    The exchange joins the parts of one round of polling to a reading, with the time of the last part.  It joins the
    parts of a stream as soon as every channel has a part that is not older than the interval of the stream.
    """

    values: tuple[tuple[int, float | None], ...]
    """Pairs of channel number and value."""
    faults: tuple[tuple[str, str], ...] = ()
    """Pairs of channel and fault, as in `Values`."""


#: One reading, or a part of one.
Reading = tuple[float, ...] | Values | Part


@dataclass(frozen=True, slots=True)
class Several:
    """Several readings in one line, the oldest first, each with all channels.  All have the time of the line.

    Where a round of polling has several requests, its readings come when the round is complete, each with its faults.
    """

    readings: tuple[tuple[float, ...] | Values, ...]

    @property
    def faults(self) -> tuple[tuple[str, str], ...]:
        """Faults of all readings, each once."""
        return tuple(dict.fromkeys(f for r in self.readings if isinstance(r, Values) for f in r.faults))


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a request other than a poll.

    Attributes:
        kind: ``identity`` or the name of the action that is answered; ``refused`` for a refusal.
        value: number that the reply confirms, if any.
        identity: identity of the instrument, for kind ``identity``.
        refusal: reason that the instrument gives for a refusal.
    """

    kind: str
    value: float | None = None
    identity: Identity | None = None
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Reject:
    """A rejected line.  It never becomes a value; it is counted under `reason`."""

    reason: str


#: Result of decoding a line.  A tuple of floats in channel order is a reading without fault: the usual case.
Decoded = tuple[float, ...] | Values | Part | Several | Reply | Reject


class Driver(ABC):
    """Protocol of one kind of instrument.  Subclass it, set the class attributes and override the methods.

    Attributes:
        api_version: version of this contract for which the driver was written.
        kind: name of the kind of instrument; the same as the name of the entry point.
        channels: channels of a reading, in order.
        framing: marks that separate the lines.
        port: default serial settings.
        streams: True where the instrument sends readings without a request.
        interval_ns: time between polls, or between the lines of a stream.
        readings_per_line: number of readings in a line (`Several`); fewer within an interval are readings missing.
        refresh_ns: interval at which the instrument renews its values; an equal reading within it is a repeat and is
            not counted.  0: every reading is new.
        stale_after_ns: without a reading for this time the instrument is silent.  0: it sends only when a person
            presses its key, so a silence has no meaning.
        pause_ns: shortest time between an answer and the next request.
        wake: bytes that wake the instrument, sent before a request when it gave no answer for `wake_after_ns` or to the
            latest request; the request follows `wake_wait_ns` later.
        wake_after_ns: time without an answer after which the instrument must be woken.
        wake_wait_ns: time between the wake-up bytes and the request.
        echoes: whether the instrument sends every request back before it answers.
        shares_line: whether requests and answers carry an address, so that several instruments can share one line.
        lag_ns: time constant of the filter inside the instrument; 0 where none is stated.
        capabilities: actions that the instrument supports.
        zero_condition: condition of the instrument for zeroing, as text for a person.
        on_link_loss: behaviour of the motor when the connection is lost.
        has_checksum: whether a damaged line is detectable.
    """

    api_version: ClassVar[int] = API_VERSION
    kind: ClassVar[str]
    has_checksum: ClassVar[bool] = False

    channels: tuple[Channel, ...] = ()
    framing: Framing = Framing()
    port: Port = Port()
    streams: bool = False
    interval_ns: int = 1_000_000_000
    readings_per_line: int = 1
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
        """Set the driver up from `options`, the ``[options]`` table of the instrument's file.

        Raises:
            SettingError: an option is wrong.
        """
        self.options = dict(options)

    @abstractmethod
    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode one line (without terminator).  Raise nothing, for any bytes.

        `asked` is the request that waits for its answer, for protocols whose answers do not name their request.  In
        a stream, a reading without fault must not depend on `asked`, and a line may be decoded twice in a row.
        """

    def identify(self) -> Request | None:
        """Return the request for the identity of the instrument, or None where it has none."""
        return None

    def identify_more(self) -> tuple[Request, ...]:
        """Return further requests for the identity; their answers add facts to that of `identify`."""
        return ()

    def poll(self) -> Request | tuple[Request, ...] | None:
        """Return the request for one reading, or the requests for its parts in order; None for a stream."""
        return None

    def start_stream(self) -> Request | None:
        """Return the request that starts the stream, or None where the instrument starts by itself."""
        return None

    def action(self, action: Action, value: float | None = None) -> Request:
        """Return the request for an action.

        Raises:
            DriverError: the instrument has no such capability.
        """
        raise DriverError(f"{self.kind} cannot {action}" + ("" if value is None else f" to {value}"))

    def state(self) -> dict[str, Any]:
        """Return the state of the driver as JSON values, so that a run can be computed again from its start."""
        return {}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Restore a state that `state` returned; a driver without state need not override it."""
        del state

    def digest(self) -> str:
        """Return the SHA-256 (hex) of the source and the options of the driver, which identifies it in a result."""
        try:
            source = inspect.getsource(inspect.getmodule(type(self)) or type(self))
        except OSError:
            source = type(self).__qualname__
        text = source + repr(sorted(self.options.items()))
        return hashlib.sha256(text.encode()).hexdigest()


def silent_after(driver: Driver, interval_ns: int = 0) -> int:
    """Return the time (ns) without a reading after which an instrument is silent; 0 where silence has no meaning.

    `interval_ns` is the time between polls, 0 for the interval of the driver.
    """
    if not driver.stale_after_ns:
        return 0
    return max(driver.stale_after_ns, INTERVALS_TO_SILENCE * (interval_ns or driver.interval_ns))


def interval_of(driver: Driver) -> int:
    """Return the expected interval of readings (ns); 0 where a person presses a key, so that none can be missing."""
    return max(driver.interval_ns, driver.refresh_ns) if driver.stale_after_ns else 0


def counts_for(driver: Driver) -> int:
    """Return the time (ns) for which a reading counts as one of now: the same in the checklist and in the run."""
    return silent_after(driver) or KEYED_NS
