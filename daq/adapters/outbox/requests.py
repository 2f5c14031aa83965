"""Requests of consumers for results again: they wait in a queue of limited length until they are handled."""

from collections import deque
from collections.abc import Callable
from typing import Final

import structlog

from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.store.delivery import SendAgain
from daq.adapters.store.store import Store

MOST_REQUESTS: Final = 100
"""Maximum number of consumers' requests that wait to be handled; more are dropped and counted."""

#: Turns a consumer's request into the transaction that repeats results, or None for a request that is not granted.
Refill = Callable[[bytes], SendAgain | None]


class Requests:
    """The queue.  Without `refill` no request is accepted."""

    def __init__(self, refill: Refill | None, state: PublisherState) -> None:
        self._refill, self._state = refill, state
        self._waiting: deque[bytes] = deque()

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def are_accepted(self) -> bool:
        """True if requests are handled."""
        return self._refill is not None

    def arrived(self, payload: bytes) -> None:
        """Take a request; it is dropped where too many wait."""
        self._state.requests += 1
        if len(self._waiting) >= MOST_REQUESTS:
            self._state.requests_dropped += 1
        else:
            self._waiting.append(payload)

    async def answer(self, store: Store) -> None:
        """Handle all requests that wait.

        Raises:
            StoreError: the store cannot be written; the request is lost, and the consumer asks again.
        """
        while self._waiting and self._refill is not None:
            wanted = self._refill(self._waiting.popleft())
            if wanted is None:
                continue
            count = await store.commit(wanted)
            self._state.repeated += count
            log = structlog.get_logger().bind(part="publisher")
            log.info("a consumer asked for results again", stream=wanted.stream, messages=count)
