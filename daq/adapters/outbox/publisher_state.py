"""State of the publisher, for status, screens, metrics and the watchdog."""

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class PublisherState:
    """State of the publisher; counts are since the start of the daemon."""

    connected: bool = False
    protocol: str = ""
    fallback: str = ""
    """Why MQTT 3.1.1 is used although MQTT 5 was preferred; "" otherwise."""
    others: dict[str, str] = field(default_factory=dict)
    """Other daemons that publish under the same prefix: source by instance."""
    trouble: str = ""
    """Reason why there is no connection, or the faults of the present one; "" without faults."""
    turns: int = 0
    """Number of turns; it grows at least once a second while the publisher works."""
    delivered: int = 0
    refusals: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    """Reason of the refusal by topic, for topics that are tried again."""
    quarantined: int = 0
    """Number of messages put into quarantine."""
    changed: int = 0
    """Number of messages that were not sent because they do not agree with the audit trail."""
    repeated: int = 0
    """Number of messages put into the outbox again, by the daemon itself or on a consumer's request."""
    requests: int = 0
    """Number of consumers' requests received."""
    requests_dropped: int = 0
    """Number of these dropped unread because too many waited."""
    in_flight: int = 0
    most_in_flight: int = 0

    @property
    def broker_state(self) -> "BrokerState":
        """The present values of the part that a screen shows."""
        return BrokerState(
            connected=self.connected,
            protocol=self.protocol,
            fallback=self.fallback,
            others=tuple(sorted(self.others.values())),
            trouble=self.trouble,
            delivered=self.delivered,
            in_flight=self.in_flight,
            refused=dict(self.refused),
            quarantined=self.quarantined,
            changed=self.changed,
            repeated=self.repeated,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerState:
    """The part of the publisher's state that a screen shows."""

    connected: bool = False
    protocol: str = ""
    fallback: str = ""
    """Why MQTT 3.1.1 is used although MQTT 5 was preferred; "" otherwise."""
    others: tuple[str, ...] = ()
    """Sources of other daemons that publish under the same prefix."""
    trouble: str = ""
    delivered: int = 0
    in_flight: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    """Reason of the refusal by topic."""
    quarantined: int = 0
    changed: int = 0
    repeated: int = 0


class Troubles:
    """Present faults, one sentence of each kind, in the state and once in the log."""

    def __init__(self, state: PublisherState, log: Any) -> None:
        self._state, self._log = state, log
        self._found: dict[str, str] = {}

    def note(self, kind: str, text: str) -> None:
        """Set the sentence of one kind of fault; "" clears it."""
        if text == self._found.get(kind, ""):
            return
        self._found[kind] = text
        self._state.trouble = "; ".join(t for t in self._found.values() if t)
        if text:
            self._log.warning("messages wait in the outbox", reason=text)
