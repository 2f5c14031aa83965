"""What a connection tells its user, and what it is told of the instrument that must answer."""

from dataclasses import dataclass
from typing import Final

from daq.core.driver import Identity, Request
from daq.core.effects import Send
from daq.core.linkstates import IdentityCheck, LinkState


@dataclass(frozen=True, slots=True)
class LinkMoved:
    """A connection went from one state to another."""

    t: int
    link: str
    source: LinkState
    trigger: str
    target: LinkState
    detail: str = ""


@dataclass(frozen=True, slots=True)
class RequestFailed:
    """A request was given up."""

    link: str
    request: Request
    reason: str


@dataclass(frozen=True, slots=True)
class TorqueOffZero:
    """The motor stands still, but the torque does not go back to its zero.  In the unit of the torque's channel."""

    link: str
    torque: float | None
    """None where it has no value, e.g. at the sensor's stop."""
    zero: float


@dataclass(frozen=True, slots=True)
class Reopen:
    """Close the port and open it again."""

    link: str
    reason: str


@dataclass(frozen=True, slots=True)
class IdentityChecked:
    """The question who the instrument is has its answer, or will have none."""

    link: str
    check: IdentityCheck


LinkEffect = Send | LinkMoved | RequestFailed | TorqueOffZero | Reopen | IdentityChecked


@dataclass(frozen=True, slots=True)
class ExpectedInstrument:
    """The instrument that must answer; an empty text is not compared."""

    serial: str = ""
    kind: str = ""

    def difference(self, found: Identity) -> str:
        """Return how `found` differs, as a sentence; "" where it is the expected instrument."""
        if self.serial and found.serial != self.serial:
            return f"instrument {found.serial} answers where {self.serial} is expected"
        if self.kind and found.kind != self.kind:
            return f"an instrument of kind {found.kind} answers where {self.kind} is expected"
        return ""


ANY_INSTRUMENT: Final = ExpectedInstrument()
