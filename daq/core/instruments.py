"""The instruments of one run: who they are at its beginning and its end, and how their motor is stopped."""

from collections.abc import Mapping
from typing import Final

from daq.core.effects import Identified
from daq.core.link import Link
from daq.core.linkstates import IdentityCheck, LinkState, Motor

IDENTIFY_NS: Final = 2_000_000_000
"""At the end of a run the result waits this long for the instruments to say who they are."""


class Instruments:
    """The connections of a run, the lead among them.

    Attributes:
        lead: the instrument whose readings make the result.
        moved: whether motion was ever asked for.
    """

    def __init__(self, links: Mapping[str, Link], lead: str) -> None:
        self._links = tuple(links.values())
        self.lead = links[lead]
        self.moved = False

    @property
    def connected_and_asked(self) -> list[Link] | None:
        """Those that are connected, once each has said who it is or has had its time; None before."""
        up = [link for link in self._links if link.up]
        return None if any(link.identity_check is IdentityCheck.PENDING for link in up) else up

    def stop(self, t: int) -> None:
        """Stop the motor, before anything else, and ask every instrument who it is."""
        halted = self.moved and self.lead.up
        if halted:
            self.lead.stop_motor(t, IDENTIFY_NS)
        for link in self._links:
            if link.up and not (halted and link is self.lead):
                link.identify(t, IDENTIFY_NS)

    @property
    def all_have_answered(self) -> bool:
        """Whether every instrument has said who it is, or has had its time."""
        return all(link.identity_check is not IdentityCheck.PENDING for link in self._parts)

    @property
    def _parts(self) -> list[Link]:
        """Those that took part in the run."""
        return [link for link in self._links if link.state is not LinkState.CLOSED]

    def identities(self) -> list[Identified]:
        """Who answered at the end.  A question that is still open has no answer: the daemon may have been killed."""
        found = []
        for link in self._parts:
            if link.identity_check is IdentityCheck.PENDING:
                found.append(Identified(link.name, IdentityCheck.NO_ANSWER, "the run was cut off before it answered"))
            else:
                found.append(Identified(link.name, link.identity_check, link.identity_detail))
        return found

    def motor_at_end(self) -> Motor:
        """State of the motor after `stop`; `TURNING` as long as its stop is not confirmed."""
        if not self.moved:
            return Motor.NOT_MOVED
        if self.lead.state is LinkState.HALTING:
            return Motor.TURNING
        return Motor.STILL if self.lead.motor is Motor.STILL else Motor.IN_DOUBT

    def stop_polling(self) -> None:
        """Ask for no more readings."""
        for link in self._links:
            link.exchange.stop_polling()
