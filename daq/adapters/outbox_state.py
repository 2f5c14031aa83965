"""How the publisher stands, for whoever looks at it."""

from dataclasses import dataclass, field


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
