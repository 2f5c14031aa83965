"""Requests of consumers for results again: they wait in a queue of limited length until they are handled."""

from collections import deque
from collections.abc import Callable
from typing import Final

import structlog

from daq.adapters.mqtt.client import Reply
from daq.adapters.mqtt.connection import Connection
from daq.adapters.outbox.answers import Answers, Asked, NotGranted
from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.adapters.store.store import Store

MOST_REQUESTS: Final = 100
"""Maximum number of consumers' requests that wait to be handled; more are dropped and counted."""

#: Turns a consumer's request into the transaction that repeats results, or into the reason against it.
Refill = Callable[[bytes], SendAgain | NotGranted]


class Requests:
    """The queue.  Without `refill` no request is accepted."""

    def __init__(self, refill: Refill | None, state: PublisherState, answers: Answers) -> None:
        self._refill, self._state, self._answers = refill, state, answers
        self._waiting: deque[Asked] = deque()

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def are_accepted(self) -> bool:
        """True if requests are handled."""
        return self._refill is not None

    def arrived(self, payload: bytes, reply: Reply | None) -> None:
        """Take a request; it is dropped where too many wait."""
        self._state.requests += 1
        if len(self._waiting) >= MOST_REQUESTS:
            self._state.requests_dropped += 1
        else:
            self._waiting.append(Asked(payload, reply))

    async def answer(self, store: Store, connection: Connection) -> None:
        """Handle all requests that wait, and answer those with a response topic.

        Raises:
            StoreError: the store cannot be written; the request is lost, and the consumer asks again.
            BrokerDownError: the connection was lost.
        """
        while self._waiting and self._refill is not None:
            asked = self._waiting.popleft()
            wanted = self._refill(asked.payload)
            if isinstance(wanted, NotGranted):
                await self._answers.send(connection, asked, wanted, 0)
                continue
            count = await store.commit(wanted)
            self._state.repeated += count
            log = structlog.get_logger().bind(part="publisher")
            log.info("a consumer asked for results again", stream=wanted.stream, messages=count)
            await self._answers.send(connection, asked, wanted, count)
