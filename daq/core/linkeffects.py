"""Effects of a connection, and the instrument that it expects."""

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
    """A request was given up or refused."""

    link: str
    request: Request
    reason: str


@dataclass(frozen=True, slots=True)
class TorqueOffZero:
    """The motor is at rest, but the torque does not return to its zero; in the unit of the torque channel."""

    link: str
    torque: float | None
    """None where the torque has no value, for example at the stop of the sensor."""
    zero: float


@dataclass(frozen=True, slots=True)
class Reopen:
    """Request to close the port and open it again."""

    link: str
    reason: str


@dataclass(frozen=True, slots=True)
class IdentityChecked:
    """The identity check is done: the instrument has answered, or will not answer."""

    link: str
    check: IdentityCheck


LinkEffect = Send | LinkMoved | RequestFailed | TorqueOffZero | Reopen | IdentityChecked


@dataclass(frozen=True, slots=True)
class ExpectedInstrument:
    """Instrument that must answer; an empty text is not compared."""

    serial: str = ""
    kind: str = ""

    def difference(self, found: Identity) -> str:
        """Return the difference of `found` as a sentence; "" where it is the expected instrument."""
        if self.serial and found.serial != self.serial:
            return f"instrument {found.serial} answers where {self.serial} is expected"
        if self.kind and found.kind != self.kind:
            return f"an instrument of kind {found.kind} answers where {self.kind} is expected"
        return ""


ANY_INSTRUMENT: Final = ExpectedInstrument()
