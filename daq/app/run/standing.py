"""The state of an instrument's session, for status messages and screens."""

from dataclasses import dataclass, field

from daq.core.driver import Identity, Values
from daq.core.link import Link
from daq.core.linkstates import LinkState, Motor


@dataclass(slots=True)
class Standing:
    """State of a session, for status messages and screens."""

    state: LinkState = LinkState.OPENING
    detail: str = ""
    identity: Identity | None = None
    values: dict[str, float | None] = field(default_factory=dict)
    faults: tuple[tuple[str, str], ...] = ()
    """Of the latest reading: channel ("" for the whole instrument) and fault."""
    motor: str = ""
    """State of the motor after a lost link or a crash, if it may still be turning; "" otherwise."""

    def change(self, state: LinkState, detail: str) -> bool:
        """Set state and detail; return whether one of them has changed."""
        changed = (state, detail) != (self.state, self.detail)
        self.state, self.detail = state, detail
        return changed

    def show(self, link: Link) -> None:
        """Take identity, motor and the latest reading from the link; a reading that is not trusted is left out."""
        self.identity = link.identification.identity
        self.motor = Motor.IN_DOUBT.value if link.motor is Motor.IN_DOUBT else ""
        last = link.intake.last if link.trusted else ()
        if not last:
            self.values, self.faults = {}, ()
            return
        values = last.values if isinstance(last, Values) else last
        self.values = {c.name: v for c, v in zip(link.driver.channels, values, strict=True)}
        self.faults = last.faults if isinstance(last, Values) else ()
