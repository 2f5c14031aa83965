"""Events: all input of the pipeline that is not deterministic, with its time.

Times are integer nanoseconds of the monotonic clock.  An event of a connection names its link.  A chunk of bytes gets
its time where it is read.
"""

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class Received:
    """Bytes that were received on a link, as they were read (any number of lines or parts of lines)."""

    t: int
    link: str
    data: bytes


@dataclass(slots=True)
class Sent:
    """Bytes that were written to the port; time-outs count from this event."""

    t: int
    link: str
    data: bytes


@dataclass(slots=True)
class Tick:
    """The time at which the pipeline asked to be woken is reached."""

    t: int


@dataclass(slots=True)
class LinkUp:
    """The port of a link is open."""

    t: int
    link: str


@dataclass(slots=True)
class LinkDown:
    """A link was lost."""

    t: int
    link: str
    reason: str


@dataclass(slots=True)
class ClockAnchor:
    """UTC that corresponds to the monotonic time `t`, in one boot of the machine."""

    t: int
    utc_ns: int
    boot_id: str
    synchronised: bool | None = None
    """True if a time source disciplined UTC at that time; None where that is unknown."""


@dataclass(slots=True)
class OperatorCommand:
    """Command of a person: ``begin`` or ``stop``."""

    t: int
    command: str
    who: str
    detail: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class StoreFault:
    """The store can no longer accept data."""

    t: int
    reason: str


Event = Received | Sent | Tick | LinkUp | LinkDown | ClockAnchor | OperatorCommand | StoreFault
