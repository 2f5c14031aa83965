"""Effects of a connection, and the instrument that it expects."""

import math
from dataclasses import dataclass
from typing import Final

from daq.core.driver import FULL_SCALE_FACT, Identity, Request
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


AGREE: Final = 1e-3
"""Relative difference up to which two full scales are equal: that of a rounded number."""


@dataclass(frozen=True, slots=True)
class ExpectedInstrument:
    """Instrument that must answer; an empty text is not compared, nor a full scale of 0."""

    serial: str = ""
    kind: str = ""
    full_scale: float = 0.0
    """Full-scale torque, µN·m."""

    @classmethod
    def like(cls, identity: Identity | None) -> "ExpectedInstrument":
        """Return the instrument with this identity; any instrument for None."""
        if identity is None:
            return ANY_INSTRUMENT
        return cls(identity.serial, identity.kind, full_scale_of(identity) or 0.0)

    def difference(self, found: Identity) -> str:
        """Return the difference of `found` as a sentence; "" where it is the expected instrument.

        An instrument that states another full scale than before, or none any more, is another one too: all its
        torques are others.
        """
        if self.serial and found.serial != self.serial:
            return f"instrument {found.serial} answers where {self.serial} is expected"
        if self.kind and found.kind != self.kind:
            return f"an instrument of kind {found.kind} answers where {self.kind} is expected"
        stated = full_scale_of(found)
        if self.full_scale and stated is None:
            return f"it states no full-scale torque where {self.full_scale:g} uN.m is expected"
        if self.full_scale and stated is not None and abs(stated - self.full_scale) > AGREE * self.full_scale:
            return f"it states a full-scale torque of {stated:g} uN.m where {self.full_scale:g} uN.m is expected"
        return ""

    def known_from(self, found: Identity) -> "ExpectedInstrument":
        """Return the same with what was not known before taken from `found`."""
        full_scale = self.full_scale or full_scale_of(found) or 0.0
        return ExpectedInstrument(self.serial or found.serial, self.kind or found.kind, full_scale)


ANY_INSTRUMENT: Final = ExpectedInstrument()


def full_scale_of(identity: Identity) -> float | None:
    """Return the full-scale torque (µN·m) that an instrument states, as a number or as its text; None without one."""
    stated = identity.facts.get(FULL_SCALE_FACT)
    try:
        value = float(stated) if isinstance(stated, (int, float, str)) else 0.0
    except ValueError:
        return None
    return value if 0.0 < value < math.inf else None
