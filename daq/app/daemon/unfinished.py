"""Runs that have ended and are not in the store yet: named, and tried again until they are stored.

A full disk, for example, keeps a result from being stored, at the end of its run or in the recovery after a start.
"""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

import structlog

from daq.adapters.store.errors import StorageError
from daq.core.errors import StoreError

log = structlog.get_logger()

TRY_AGAIN_S: Final = 5.0
"""Real time in seconds between attempts to store a run."""


@dataclass(slots=True)
class UnfinishedRun:
    """A run that is not stored, and why."""

    run: str
    instrument: str
    error: Exception
    store: Callable[[], Awaitable[None]]
    """Stores the run; raises the error that prevents it."""

    @property
    def reason(self) -> str:
        """Why it is not stored."""
        return str(self.error) or type(self.error).__name__


class UnfinishedRuns:
    """The runs that are not stored yet.

    Attributes:
        runs: the runs by id, in the order in which they were added.
    """

    def __init__(self) -> None:
        self.runs: dict[str, UnfinishedRun] = {}
        self._turn = asyncio.Lock()

    def add(self, run: str, instrument: str, error: Exception, store: Callable[[], Awaitable[None]]) -> None:
        """Add a run; `store` stores it, with everything that follows from it."""
        self.runs[run] = UnfinishedRun(run, instrument, error, store)

    async def keep_trying(self) -> None:
        """Try again to store the runs, until cancelled."""
        while True:
            await asyncio.sleep(TRY_AGAIN_S)
            await self.store_now()

    async def before_run(self, instrument: str) -> None:
        """Store the runs of an instrument before its next one, so that their results are numbered first.

        A run that can never be stored, for example because its format is unknown, does not block the instrument.

        Raises:
            StoreError: the store cannot write now.
        """
        await self.store_now(instrument)
        for left in self.runs.values():
            if left.instrument == instrument and isinstance(left.error, StorageError):
                raise StoreError(f"run {left.run} of {instrument} is not stored yet: {left.reason}")

    async def store_now(self, instrument: str = "") -> None:
        """Try once to store all runs, or those of one instrument."""
        async with self._turn:
            for found in list(self.runs.values()):
                if instrument in ("", found.instrument):
                    await self._store(found)

    async def _store(self, found: UnfinishedRun) -> None:
        try:
            await found.store()
        except Exception as error:  # noqa: BLE001 - a result that cannot be computed now may be computed later
            before, found.error = found.reason, error
            if found.reason != before:
                log.error("run still not stored", run=found.run, reason=found.reason)
            return
        del self.runs[found.run]
        log.info("run stored at last", run=found.run)
