"""Parts of the publisher: the messages on their way over one connection, and the waits between attempts."""

import asyncio
import random
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

from daq.adapters.mqtt import Connection
from daq.adapters.mqtt_client import BrokerDownError, to_the_end
from daq.adapters.store_rows import Message

P = ParamSpec("P")
T = TypeVar("T")


class Backoff:
    """Waits that double from `first` to `most` seconds, each shortened by chance by up to a half."""

    def __init__(self, first: float, most: float, chance: random.Random) -> None:
        self._first, self._most, self._chance = first, most, chance
        self._tries = 0

    def next(self) -> float:
        """The next wait in seconds."""
        whole = min(self._most, self._first * 2.0 ** min(self._tries, 32))
        self._tries += 1
        return whole * (1.0 - 0.5 * self._chance.random())

    def reset(self) -> None:
        """Start again from the first wait."""
        self._tries = 0


async def in_thread(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Run something that blocks in a thread; cancelled, it waits for the thread, which cannot be stopped."""
    return await to_the_end(asyncio.to_thread(function, *args, **kwargs))


class Flight:
    """What is on its way over one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.tasks: dict[asyncio.Task[None], Message] = {}
        self.delivered = 0

    @property
    def seqs(self) -> set[int]:
        """Their numbers in the outbox."""
        return {m.seq for m in self.tasks.values()}

    def send(self, m: Message) -> None:
        """Begin to publish a message."""
        # The publish is started before the task gives way for the first time, and tasks start in order.
        coroutine = self._connection.publish(m.topic, m.payload, qos=m.qos, retain=m.retain, properties=m.properties)
        self.tasks[asyncio.create_task(coroutine)] = m

    async def wait(self, wake: asyncio.Event, seconds: float) -> None:
        """Until an answer is here, the connection is lost, somebody wakes us, or the time has passed."""
        waking = asyncio.create_task(wake.wait())
        lost = self._connection.lost
        waiting: set[asyncio.Future[Any]] = {waking, lost, *self.tasks}
        try:
            await asyncio.wait(waiting, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waking.cancel()

    def collect(self) -> tuple[list[int], list[tuple[Message, str]]]:
        """Numbers of those acknowledged, and those refused with the reason.

        Raises nothing: one lost with the connection simply is no longer on its way.
        """
        acknowledged: list[int] = []
        refused: list[tuple[Message, str]] = []
        for task in [t for t in self.tasks if t.done()]:
            message = self.tasks[task]
            error = None if task.cancelled() else task.exception()
            if task.cancelled() or isinstance(error, BrokerDownError):
                continue
            del self.tasks[task]
            if error is None:
                acknowledged.append(message.seq)
            else:
                refused.append((message, str(error)))
        self.delivered += len(acknowledged)
        return acknowledged, refused

    def broken(self) -> str:
        """Why nothing more can be expected of the connection; "" while it holds."""
        if self._connection.lost.done():
            return self._connection.lost.result()
        for task in self.tasks:
            if task.done() and (error := task.exception()) is not None:
                return str(error)
        return ""

    async def abandon(self) -> list[Message]:
        """Stop waiting; the messages that got no answer."""
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)
        return [m for t, m in self.tasks.items() if t.cancelled() or isinstance(t.exception(), BrokerDownError)]
