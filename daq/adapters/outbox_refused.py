"""When topics are tried again whose messages the broker refuses: one message a topic, less and less often.

Thousands of messages behind one forbidden topic cost one try in an hour; when that one is taken, all of them wait
again.
"""

import random

from daq.adapters.outbox_flight import Backoff


class RefusedTopics:
    """By topic, when it is tried next.  Times are the event loop's, in seconds."""

    def __init__(self, first_s: float, most_s: float, chance: random.Random) -> None:
        self._first, self._most, self._chance = first_s, most_s, chance
        self._next: dict[str, tuple[float, Backoff]] = {}

    def __contains__(self, topic: str) -> bool:
        return topic in self._next

    def refused(self, topic: str, now: float) -> None:
        """A message of this topic was refused; those after it do not bring its next try forward or put it off."""
        if topic not in self._next:
            backoff = Backoff(self._first, self._most, self._chance)
            self._next[topic] = (now + backoff.next(), backoff)

    def at_once(self, topic: str, now: float) -> None:
        """Try this topic now, as after a start."""
        self._next[topic] = (now, Backoff(self._first, self._most, self._chance))

    def due(self, now: float) -> str | None:
        """A topic to try now, if there is one; its next try is put off."""
        for topic, (at, backoff) in self._next.items():
            if at <= now:
                self._next[topic] = (now + backoff.next(), backoff)
                return topic
        return None

    def taken(self, topic: str) -> None:
        """The broker takes this topic again, or nothing of it is left."""
        self._next.pop(topic, None)

    def wait_s(self, now: float) -> float:
        """Seconds until the next try; infinity where none is due."""
        return min((max(0.0, at - now) for at, _ in self._next.values()), default=float("inf"))
