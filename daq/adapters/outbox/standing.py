"""The publisher's state, for those who look at it."""

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class PublisherState:
    """How the publisher stands, for `status`, screens, metrics and the watchdog.  Counts are since the start."""

    connected: bool = False
    protocol: str = ""
    trouble: str = ""
    """Why there is no connection, or what is amiss with it; "" where all is well."""
    turns: int = 0
    """Grows at least every second while the publisher lives."""
    delivered: int = 0
    refusals: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    """Reason by topic, of topics whose messages were refused and are tried again."""
    quarantined: int = 0
    """Messages put into quarantine."""
    repeated: int = 0
    """Messages put into the outbox again, of the daemon's own accord or on a consumer's request."""
    requests: int = 0
    """Requests of consumers that came."""
    requests_dropped: int = 0
    """Of these, dropped unread because too many waited."""
    in_flight: int = 0
    most_in_flight: int = 0

    @property
    def standing(self) -> "BrokerStanding":
        """The part that a screen shows, as it is now."""
        return BrokerStanding(
            connected=self.connected,
            protocol=self.protocol,
            trouble=self.trouble,
            delivered=self.delivered,
            in_flight=self.in_flight,
            refused=dict(self.refused),
            quarantined=self.quarantined,
            repeated=self.repeated,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerStanding:
    """The part of the publisher's state that a screen shows."""

    connected: bool = False
    protocol: str = ""
    trouble: str = ""
    delivered: int = 0
    in_flight: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    """Reason by topic."""
    quarantined: int = 0
    repeated: int = 0


class Troubles:
    """What is amiss, one sentence of each kind, in the state and once in the log."""

    def __init__(self, state: PublisherState, log: Any) -> None:
        self._state, self._log = state, log
        self._found: dict[str, str] = {}

    def note(self, kind: str, text: str) -> None:
        """Note one kind of trouble, or with "" that it is over."""
        if text == self._found.get(kind, ""):
            return
        self._found[kind] = text
        self._state.trouble = "; ".join(t for t in self._found.values() if t)
        if text:
            self._log.warning("messages wait in the outbox", reason=text)
