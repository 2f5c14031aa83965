"""What becomes of messages the broker does not take.

Topics whose messages it refuses are tried again: one message a topic, less and less often.
Thousands of messages behind one forbidden topic cost one try in an hour; when that one is taken, all of them wait
again.
"""

import random
from collections import Counter
from typing import Final

from daq.adapters.outbox.flight import Backoff
from daq.adapters.store.rows import Message

FRUITLESS: Final = 3
"""After so many connections in a row that were lost before anything was acknowledged, one message is sent at a time."""
POISON: Final = 2
"""A message during which alone the connection was lost so often counts as refused."""


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


class Suspicion:
    """A message that makes the broker hang up must not keep the others from being delivered for ever."""

    def __init__(self) -> None:
        self._fruitless = 0
        self._alone: Counter[int] = Counter()

    @property
    def one_by_one(self) -> bool:
        """Whether only one message is to be sent at a time."""
        return self._fruitless >= FRUITLESS

    def clear(self) -> None:
        """Something was acknowledged."""
        self._fruitless = 0
        self._alone.clear()

    def fruitless(self, lost: list[Message]) -> Message | None:
        """A connection ended with these on their way and nothing acknowledged; the message that it is due to."""
        if not lost:
            return None
        alone = self.one_by_one and len(lost) == 1
        self._fruitless += 1
        if not alone:
            return None
        (message,) = lost
        self._alone[message.seq] += 1
        if self._alone[message.seq] < POISON:
            return None
        self._fruitless = 0
        return message
