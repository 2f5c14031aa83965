"""Take up changed files in a running daemon: before every run, on request, and when a run has ended."""

import asyncio
from collections.abc import Callable, Collection

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.daemon.configured import Configured
from daq.app.daemon.instrument_sessions import InstrumentSessions
from daq.app.setup.changes import Changes
from daq.app.setup.fitted import fits_by_file, fits_of

log = structlog.get_logger()


class Reloading:
    """Compares the files with the configuration in use, and renews the sessions of idle instruments.

    Attributes:
        configured: the configuration.
    """

    def __init__(
        self,
        configured: Configured,
        sessions: InstrumentSessions,
        store: Store,
        clock: Clock,
        busy: Callable[[], Collection[str]],
    ) -> None:
        """Set up; `busy` returns the names of the instruments that are in a run or about to start one."""
        self.configured = configured
        self._sessions, self._store, self._clock = sessions, store, clock
        self._busy = busy
        self._lock = asyncio.Lock()
        self._logged: tuple[str, ...] = ()

    async def refresh(self) -> Changes:
        """Take up what has changed in the files, and return it.

        Instruments in a run keep their sessions; their changes wait until the run has ended.
        """
        async with self._lock:
            changes = await asyncio.to_thread(self.configured.refresh, frozenset(self._busy()))
            if changes.renewed or changes.removed:
                await self._sessions.renew(changes.renewed, changes.removed)
            await self.record_fits()
            self._log(changes)
            return changes

    async def record_fits(self) -> None:
        """Record what the files state about fitted geometries (`fits_by_file`).

        Raises:
            StoreError: the store cannot write.
        """
        found = await asyncio.to_thread(self._fits_by_file)
        if found:
            await self._store.commit(ChangeRecords(tuple(found), self._clock.utc_ns(), "daemon"))

    def _fits_by_file(self) -> list[Change]:
        served = self.configured.served
        with self._store.reader() as reader:
            return fits_by_file(self.configured.catalogue, served, fits_of(reader, served))

    def _log(self, changes: Changes) -> None:
        for line in changes.words:
            log.info("configuration", change=line)
        errors = tuple(str(e) for e in changes.errors)
        if errors != self._logged:
            for text in errors:
                log.warning("configuration", without_effect=text)
            self._logged = errors
