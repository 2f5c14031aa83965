"""Messages that the broker refuses: kept with the reason, and the schedule of new attempts.

A topic whose message was refused is tried again with one message, at growing intervals.  So thousands of messages of
one forbidden topic cost one attempt in an hour.  When the broker accepts that message, all of the topic wait again.
"""

import asyncio
import random
from collections import Counter
from typing import Any, Final

from daq.adapters.clock import TimeSource
from daq.adapters.outbox.backlog import Backlog
from daq.adapters.outbox.flight import Backoff
from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.store.outgoing.delivery import Refused, ReleaseTopic
from daq.adapters.store.rows import Message
from daq.adapters.store.store import Store
from daq.core.errors import StoreError

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


class Refusals:
    """Refused messages of one publisher in the store, in its state and in the log."""

    def __init__(
        self, store: Store, clock: TimeSource, topics: RefusedTopics, backlog: Backlog, state: PublisherState, log: Any
    ) -> None:
        self._store, self._clock, self._topics, self._backlog = store, clock, topics, backlog
        self._state, self._log = state, log

    async def release(self, message: Message) -> None:
        """Let the refused messages of a topic wait again, after the broker has accepted one."""
        try:
            count = await self._store.commit(ReleaseTopic(message.topic, message.seq))
        except StoreError:
            return  # the next attempt with this topic repeats this
        self._topics.taken(message.topic)
        self._state.refused.pop(message.topic, None)
        self._backlog.news = True
        self._log.info("the broker accepts a topic again", topic=message.topic, waiting=count)

    async def refuse(self, message: Message, reason: str, *, for_good: bool) -> None:
        """Keep a message with the reason; with `for_good` it is not tried again without a person's command."""
        self._state.refusals += 1
        if for_good:
            self._state.quarantined += 1
        else:
            self._state.refused[message.topic] = reason
            self._topics.refused(message.topic, asyncio.get_running_loop().time())
        self._log.warning(
            "the broker refused a message for good; it is kept in quarantine until `daq resend --refused`"
            if for_good
            else "the broker refused a message; it is kept and tried again",
            topic=message.topic,
            id=message.id,
            reason=reason,
        )
        try:
            await self._store.commit(Refused(message.seq, reason, self._clock.utc_ns(), for_good))
        except StoreError as error:
            # The message stays held, so that it is not sent again at full rate.  A new connection tries it again.
            self._log.error("a refusal cannot be stored", reason=str(error))
        else:
            self._backlog.held.discard(message.seq)


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
