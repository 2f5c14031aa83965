"""Parts of the publisher: messages in flight over one connection, and waits between attempts."""

import asyncio
import json
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final, ParamSpec, TypeVar

from daq.adapters.mqtt.client import LOST, BrokerDownError, RefusedError, run_to_completion
from daq.adapters.mqtt.connection import REFUSED_FROM, Connection, refusal
from daq.adapters.store.rows import Message

COLLECT_S: Final = 0.005
"""Time (s) for which answers are collected while there is more to send, to store them in one transaction."""

P = ParamSpec("P")
T = TypeVar("T")


class Backoff:
    """Waits that double from `first` to `most` seconds, each shortened by a random part of up to a half."""

    def __init__(self, first: float, most: float, rng: random.Random) -> None:
        self._first, self._most, self._rng = first, most, rng
        self._tries = 0

    def next(self) -> float:
        """Return the next wait, s."""
        whole = min(self._most, self._first * 2.0 ** min(self._tries, 32))
        self._tries += 1
        return whole * (1.0 - 0.5 * self._rng.random())

    def reset(self) -> None:
        """Start again with the first wait."""
        self._tries = 0


async def in_thread(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Run a blocking function in a thread; a cancellation waits for the thread, which cannot be stopped."""
    return await run_to_completion(asyncio.to_thread(function, *args, **kwargs))


@dataclass(slots=True)
class Answers:
    """Answers of the broker since the last collection."""

    taken: list[Message]
    refused: list[tuple[Message, RefusedError]]


class Flight:
    """Messages in flight over one connection, by number in the outbox, in the order of sending.

    Answers arrive by callback.  A task for each message would cost more than the message itself.

    Attributes:
        window: maximum number of messages in flight.
        delivered: number of messages acknowledged over this connection.
    """

    def __init__(
        self, connection: Connection, wake: Callable[[], None], ready: "deque[Message] | None" = None, window: int = 1
    ) -> None:
        """Make a flight.

        Args:
            connection: carries the messages.
            wake: is called when there are answers to collect, or the connection has ended.
            ready: the next messages; one is sent at each answer, before the answer is collected.
            window: maximum number of messages in flight.
        """
        self._connection, self._wake = connection, wake
        self._ready = deque() if ready is None else ready
        self.window = window
        self._due: asyncio.TimerHandle | None = None
        self._loop = asyncio.get_running_loop()
        self._sent: dict[int, tuple[Message, float]] = {}
        self._answers = Answers([], [])
        self._timed_out = ""
        self._unsendable = ""
        self.delivered = 0
        connection.lost.add_done_callback(lambda _: wake())

    def __len__(self) -> int:
        return len(self._sent)

    def __contains__(self, seq: int) -> bool:
        return seq in self._sent

    def send(self, m: Message) -> bool:
        """Publish a message; return False where the connection is lost."""
        try:
            self._connection.start(
                m.topic, m.payload, partial(self._answered, m),
                qos=m.qos, retain=m.retain, properties=_properties_of(m.properties, _again(m)),
            )  # fmt: skip
        except BrokerDownError as error:
            self._unsendable = str(error)
            return False
        except RefusedError as error:
            self._answers.refused.append((m, error))
            self._wake()
            return True
        if not m.qos:
            self._answers.taken.append(m)
            self._wake()
            return True
        self._sent[m.seq] = (m, self._loop.time())
        return True

    def _answered(self, m: Message, code: int) -> None:
        if code == LOST:
            return  # the message stays among the sent ones
        if self._sent.pop(m.seq, None) is None:
            return
        if code >= REFUSED_FROM:
            self._answers.refused.append((m, refusal(code)))
        else:
            self.delivered += 1
            self._answers.taken.append(m)
        self.fill()
        if self._sent and self._ready:
            if self._due is None:
                self._due = self._loop.call_later(COLLECT_S, self._wake)
        else:
            self._wake()

    def fill(self) -> None:
        """Send ready messages until the window is full."""
        while self._ready and len(self._sent) < self.window and self.send(self._ready[0]):
            self._ready.popleft()

    def collect(self) -> Answers:
        """Return the answers since the last call."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
        answers, self._answers = self._answers, Answers([], [])
        return answers

    @property
    def time_left_s(self) -> float:
        """Seconds until the wait of the oldest message for its answer times out."""
        if not self._sent:
            return self._connection.timeout_s
        began = next(iter(self._sent.values()))[1]
        return max(0.0, began + self._connection.timeout_s - self._loop.time())

    def broken(self) -> str:
        """Return the reason why the connection is unusable; "" while it works."""
        if self._connection.lost.done():
            return self._connection.lost.result()
        if self._sent and self.time_left_s <= 0.0:
            self._timed_out = f"no acknowledgement within {self._connection.timeout_s:g} s"
        return self._timed_out or self._unsendable

    def abandon(self) -> list[Message]:
        """Stop waiting and return the messages without answer."""
        lost = [m for m, _ in self._sent.values()]
        self._sent.clear()
        if self._due is not None:
            self._due.cancel()
        return lost

    @property
    def connection_ended(self) -> bool:
        """True if the connection ended, False after a time-out."""
        return not self._timed_out


def _again(m: Message) -> bool:
    return m.again_utc_ns is not None


@lru_cache(maxsize=64)
def _properties_of(text: str, again: bool) -> str:
    """Return a message's properties; a message sent again after its delivery gets the user property ``resent``."""
    if not again:
        return text
    properties = json.loads(text)
    properties["user"] = {**properties.get("user", {}), "resent": "1"}
    return json.dumps(properties)
