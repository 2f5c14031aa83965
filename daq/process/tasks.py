"""Run background tasks, and record each unexpected end."""

import asyncio
from collections.abc import Coroutine
from typing import Any

import structlog

log = structlog.get_logger()


class Tasks:
    """The background tasks of a process.

    Attributes:
        ended: reason by name, for every task that failed or ended although it should run until `stop`.
    """

    def __init__(self) -> None:
        self.ended: dict[str, str] = {}
        self._tasks: set[asyncio.Task[Any]] = set()
        self._stopping = False

    def start(self, work: Coroutine[Any, Any, Any], name: str, *, ends: bool = False) -> asyncio.Task[Any]:
        """Run `work` in the background; with `ends` it may end by itself, otherwise only `stop` may end it."""
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        self.watch(task, ends=ends)
        return task

    def watch(self, task: asyncio.Task[Any], *, ends: bool = False) -> None:
        """Record an unexpected end of a task that other code starts and stops; `ends` as in `start`."""
        task.add_done_callback(lambda done: self._done(done, ends=ends))

    def _done(self, task: asyncio.Task[Any], *, ends: bool) -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if error is not None:
            reason = f"{type(error).__name__}: {error}"
        elif ends or task.cancelled() or self._stopping:
            return
        else:
            reason = "it ended by itself"
        self.ended[task.get_name()] = reason
        log.error("task ended", task=task.get_name(), reason=reason, exc_info=error)

    async def finish(self) -> None:
        """Wait until all tasks have ended."""
        while self._tasks:
            await asyncio.gather(*self._tasks, return_exceptions=True)

    async def stop(self) -> None:
        """Cancel all tasks and wait for their ends."""
        self._stopping = True
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
