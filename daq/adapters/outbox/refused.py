"""Schedule of new attempts for messages that the broker refuses.

A topic whose message was refused is tried again with one message, at growing intervals.  So thousands of messages of
one forbidden topic cost one attempt in an hour.  When the broker accepts that message, all of the topic wait again.
"""

import random
from collections import Counter
from typing import Final

from daq.adapters.outbox.flight import Backoff
from daq.adapters.store.rows import Message

LOST_CONNECTIONS: Final = 3
"""Number of consecutive connections lost without any acknowledgement after which messages are sent one at a time."""
LOST_ALONE: Final = 2
"""Number of connections lost while one message alone was in flight after which that message counts as refused."""


class RefusedTopics:
    """Time of the next attempt with each refused topic.  Times are those of the event loop, s."""

    def __init__(self, first_s: float, most_s: float, rng: random.Random) -> None:
        self._first, self._most, self._rng = first_s, most_s, rng
        self._next: dict[str, tuple[float, Backoff]] = {}

    def __contains__(self, topic: str) -> bool:
        return topic in self._next

    def refused(self, topic: str, now: float) -> None:
        """Schedule the next attempt with a topic; further refusals do not change a scheduled one."""
        if topic not in self._next:
            backoff = Backoff(self._first, self._most, self._rng)
            self._next[topic] = (now + backoff.next(), backoff)

    def at_once(self, topic: str, now: float) -> None:
        """Schedule an attempt now, as after a start of the daemon."""
        self._next[topic] = (now, Backoff(self._first, self._most, self._rng))

    def due(self, now: float) -> str | None:
        """Return a topic to try now and schedule its next attempt; None where none is due."""
        for topic, (at, backoff) in self._next.items():
            if at <= now:
                self._next[topic] = (now + backoff.next(), backoff)
                return topic
        return None

    def taken(self, topic: str) -> None:
        """Remove a topic that the broker accepts again, or that has no messages left."""
        self._next.pop(topic, None)

    def wait_s(self, now: float) -> float:
        """Return the seconds until the next attempt; infinity without refused topics."""
        return min((max(0.0, at - now) for at, _ in self._next.values()), default=float("inf"))


class PoisonMessages:
    """Detection of poison messages: messages at which the broker closes the connection.

    Without it one such message would block the delivery of all others for ever.
    """

    def __init__(self) -> None:
        self._lost_connections = 0
        self._alone: Counter[int] = Counter()

    @property
    def one_by_one(self) -> bool:
        """True while messages must be sent one at a time."""
        return self._lost_connections >= LOST_CONNECTIONS

    def reset(self) -> None:
        """Start counting again, after an acknowledgement."""
        self._lost_connections = 0
        self._alone.clear()

    def connection_lost(self, lost: list[Message]) -> Message | None:
        """Count a connection lost without any acknowledgement; return the poison message, or None.

        `lost` are the messages that were in flight.
        """
        if not lost:
            return None
        alone = self.one_by_one and len(lost) == 1
        self._lost_connections += 1
        if not alone:
            return None
        (message,) = lost
        self._alone[message.seq] += 1
        if self._alone[message.seq] < LOST_ALONE:
            return None
        self._lost_connections = 0
        return message
