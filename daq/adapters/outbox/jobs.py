"""Background tasks of the publisher: at most one of each kind at a time."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, Final

import structlog

from daq.core.errors import DaqError

PULSE_S: Final = 1.0
"""Longest time (s) between two turns of the publisher, for missed wake-ups and for the watchdog."""

log = structlog.get_logger()


class Jobs:
    """Tasks by name."""

    def __init__(self, wake: Callable[[], None]) -> None:
        """Make an empty set; `wake` is called at the end of each task."""
        self._wake = wake
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._not_before: dict[str, float] = {}

    def begin(self, name: str, work: Callable[..., Coroutine[Any, Any, None]], *args: Any) -> None:
        """Start a task, unless it is running or resting.  A task that failed rests for a pulse."""
        if name in self._tasks or _now() < self._not_before.get(name, 0.0):
            return
        task = asyncio.create_task(work(*args), name=f"publisher {name}")
        self._tasks[name] = task
        task.add_done_callback(lambda _: self._done(name, task))

    def rest(self, name: str, seconds: float) -> None:
        """Let a task start again after `seconds` at the earliest."""
        self._not_before[name] = _now() + seconds

    async def end(self) -> None:
        """Cancel all tasks and wait for their end."""
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
        # A resting task cannot start again now, so waking the publisher would have no effect.
        if _now() >= self._not_before.get(name, 0.0):
            self._wake()


def _now() -> float:
    return asyncio.get_running_loop().time()
