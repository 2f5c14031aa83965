"""What enters the pipeline: everything that is not deterministic, with its time.

Times are integer nanoseconds of the monotonic clock.  Every event that belongs to a
connection names its link.  Chunks of bytes are stamped where they are read.
"""

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class Received:
    """Bytes that came in on a link, as they were read (any number of lines or parts of lines)."""

    t: int
    link: str
    data: bytes


@dataclass(slots=True)
class Sent:
    """Bytes that were handed to the port; time-outs count from here."""

    t: int
    link: str
    data: bytes


@dataclass(slots=True)
class Tick:
    """The time the pipeline asked to be woken for has come."""

    t: int


@dataclass(slots=True)
class LinkUp:
    """A link is open and its instrument was identified."""

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
    """Where monotonic time `t` stands in UTC, in which boot of the machine."""

    t: int
    utc_ns: int
    boot_id: str


@dataclass(slots=True)
class OperatorCommand:
    """A person asked for something: ``begin`` or ``stop``."""

    t: int
    what: str
    who: str
    detail: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class StoreFault:
    """The store can no longer take what is measured."""

    t: int
    reason: str


Event = Received | Sent | Tick | LinkUp | LinkDown | ClockAnchor | OperatorCommand | StoreFault
