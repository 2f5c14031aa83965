"""The instruments of one run: their identity at the start and at the end, and the stop of the motor."""

from collections.abc import Mapping
from typing import Final

from daq.core.effects import Identified
from daq.core.link import Link
from daq.core.linkstates import IdentityCheck, LinkState, Motor

IDENTIFY_NS: Final = 2_000_000_000
"""Longest time that the result of a run waits for the identities of the instruments."""


class Instruments:
    """The connections of a run, including the lead.

    Attributes:
        lead: connection of the instrument whose readings give the result.
        moved: whether the run requested motion.
    """

    def __init__(self, links: Mapping[str, Link], lead: str) -> None:
        self._links = tuple(links.values())
        self.lead = links[lead]
        self.moved = False

    @property
    def connected_and_asked(self) -> list[Link] | None:
        """Connected instruments, once each has answered the identity request or its time is over; None before."""
        up = [link for link in self._links if link.up]
        return None if any(link.identification.check is IdentityCheck.PENDING for link in up) else up

    def stop(self, t: int) -> None:
        """Stop the motor at `t` (ns), before any other request, and ask every instrument for its identity."""
        halted = self.moved and self.lead.up
        if halted:
            self.lead.stop_motor(t, IDENTIFY_NS)  # the identity request of the lead follows its stop
        for link in self._links:
            if link.up and not (halted and link is self.lead):
                link.identify(t, IDENTIFY_NS)

    @property
    def all_have_answered(self) -> bool:
        """True if every instrument has answered the identity request, or its time is over."""
        return all(link.identification.check is not IdentityCheck.PENDING for link in self._parts)

    @property
    def _parts(self) -> list[Link]:
        """Connections that took part in the run."""
        return [link for link in self._links if link.state is not LinkState.CLOSED]

    def identities(self) -> list[Identified]:
        """Return the identity check of each instrument at the end of the run.

        A request that is still open counts as not answered, because the daemon may have been killed.
        """
        found = []
        for link in self._parts:
            if link.identification.check is IdentityCheck.PENDING:
                found.append(Identified(link.name, IdentityCheck.NO_ANSWER, "the run ended before it answered"))
            else:
                found.append(Identified(link.name, link.identification.check, link.identification.detail))
        return found

    def motor_at_end(self) -> Motor:
        """Return the state of the motor after `stop`; `TURNING` as long as the stop is not confirmed."""
        if not self.moved:
            return Motor.NOT_MOVED
        if self.lead.state is LinkState.HALTING:
            return Motor.TURNING
        return Motor.STILL if self.lead.motor is Motor.STILL else Motor.IN_DOUBT

    def stop_polling(self) -> None:
        """Stop polling all instruments."""
        for link in self._links:
            link.exchange.stop_polling()
