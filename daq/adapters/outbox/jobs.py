"""What the publisher does beside sending: each kind of work at most once at a time."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, Final

import structlog

from daq.core.errors import DaqError

PULSE_S: Final = 1.0
"""The publisher looks around at least this often, also to show that it lives."""

log = structlog.get_logger()


class Jobs:
    """Tasks by name."""

    def __init__(self, wake: Callable[[], None]) -> None:
        """`wake` is called when one is done."""
        self._wake = wake
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._not_before: dict[str, float] = {}

    def begin(self, name: str, work: Callable[..., Coroutine[Any, Any, None]], *args: Any) -> None:
        """Begin it, unless it goes on already or rests.  One that failed rests for a pulse."""
        if name in self._tasks or _now() < self._not_before.get(name, 0.0):
            return
        task = asyncio.create_task(work(*args), name=f"publisher {name}")
        self._tasks[name] = task
        task.add_done_callback(lambda _: self._done(name, task))

    def rest(self, name: str, seconds: float) -> None:
        """Not again before so many seconds."""
        self._not_before[name] = _now() + seconds

    async def end(self) -> None:
        """Stop all."""
        tasks = list(self._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self._tasks.clear()
        self._not_before.clear()

    def _done(self, name: str, task: "asyncio.Task[None]") -> None:
        if self._tasks.get(name) is task:
            del self._tasks[name]
        if not task.cancelled() and (error := task.exception()) is not None:
            self.rest(name, PULSE_S)
            if not isinstance(error, DaqError):
                log.error("a part of the publisher failed", what=name, reason=repr(error))
        # Whoever rests anyway has nothing to say.
        if _now() >= self._not_before.get(name, 0.0):
            self._wake()


def _now() -> float:
    return asyncio.get_running_loop().time()
