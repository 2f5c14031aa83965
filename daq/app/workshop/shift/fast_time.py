"""An event loop whose time jumps to the next timer as soon as nothing else is left to do, and the clock of its time."""

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from _typeshed import FileDescriptorLike

THREADS_S: Final = 0.0005
"""Longest real time in seconds for which the loop waits for threads before it asks again whether they are done."""
TURN_S: Final = 1e-8
"""Time of one turn of the loop, s. Without it, a sleep below the resolution of the clock would never end."""


class FastLoop(asyncio.SelectorEventLoop):
    """Event loop for code whose only other ends are in this process.

    Time jumps only when no callback is ready and no thread works for the loop; so nothing can be late.

    Attributes:
        others: functions that return whether threads work of which the loop does not know, such as a store's writer.
    """

    def __init__(self) -> None:
        """Start at time 0."""
        self.others: list[Callable[[], bool]] = []
        self._now = 0.0
        self._in_threads = 0
        super().__init__(_Jumping(self))

    def time(self) -> float:
        """Return the time of the loop, s."""
        return self._now

    @property
    def waits_for_threads(self) -> bool:
        """True while a thread works for the loop."""
        return self._in_threads > 0 or any(busy() for busy in self.others)

    def advance(self, seconds: float) -> None:
        """Let time pass; only the selector calls this."""
        self._now += seconds

    def run_in_executor(self, executor: Executor | None, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]
        """Run `func` in a thread; time does not pass meanwhile."""
        future = super().run_in_executor(executor, func, *args)
        self._in_threads += 1
        future.add_done_callback(self._one_done)
        return future

    def _one_done(self, _future: asyncio.Future[Any]) -> None:
        self._in_threads -= 1


class _Jumping(selectors.BaseSelector):
    """A selector that lets the loop's time pass instead of waiting for it."""

    def __init__(self, loop: FastLoop) -> None:
        self._loop = loop
        self._real = selectors.DefaultSelector()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._loop.advance(TURN_S)
        ready = self._real.select(0)
        if ready or timeout == 0:
            return ready
        if self._loop.waits_for_threads:
            return self._real.select(THREADS_S)
        if timeout is None:
            return self._real.select(None)
        self._loop.advance(timeout)
        return []

    def register(self, fileobj: "FileDescriptorLike", events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: "FileDescriptorLike") -> selectors.SelectorKey:
        return self._real.unregister(fileobj)

    def modify(self, fileobj: "FileDescriptorLike", events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.modify(fileobj, events, data)

    def get_map(self) -> Any:
        return self._real.get_map()

    def close(self) -> None:
        self._real.close()


class FastClock:
    """The time of a `FastLoop` as the `daq.adapters.clock.Clock` of everything that runs in it."""

    boot_id = "simulated"

    def __init__(self, loop: FastLoop, utc_ns: int) -> None:
        """`utc_ns`: UTC at the loop's time 0."""
        self._loop, self._utc0 = loop, utc_ns

    def mono_ns(self) -> int:
        """Return the loop's time, ns."""
        return round(self._loop.time() * 1e9)

    def utc_ns(self) -> int:
        """Return UTC, ns since 1970."""
        return self._utc0 + self.mono_ns()

    def call_at(self, mono_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        """Call `callback` at `mono_ns`."""
        return self._loop.call_at(mono_ns * 1e-9, callback)

    async def sleep(self, seconds: float) -> None:
        """Wait with `asyncio.sleep`."""
        await asyncio.sleep(seconds)

    def synchronised(self) -> bool | None:
        """Return None: no time source has a simulated time of day."""
        return None
