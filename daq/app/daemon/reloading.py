"""Take up changed files in a running daemon: before every run, on request, and when a run has ended."""

import asyncio
from collections.abc import Callable, Collection
from dataclasses import replace

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.daemon.configured import Configured
from daq.app.daemon.instrument_sessions import InstrumentSessions
from daq.app.setup.changes import Changes
from daq.app.setup.fitted import conflicts, fits_by_file, fits_of
from daq.core.errors import SettingError

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
            disagreeing = await self.record_fits()
            changes = replace(changes, errors=(*changes.errors, *disagreeing))
            self._log(changes)
            return changes

    async def record_fits(self) -> list[SettingError]:
        """Record what the files state about fitted geometries (`fits_by_file`), and return where a file disagrees.

        Raises:
            StoreError: the store cannot write.
        """
        # The record of an instrument whose run is being started stays as it is: that run would be refused.
        busy = self._busy()
        idle = [n for n in self.configured.served if n in self.configured.catalogue.instruments and n not in busy]
        found, disagreeing = await asyncio.to_thread(self._compare_fits, idle)
        if found:
            await self._store.commit(ChangeRecords(tuple(found), self._clock.utc_ns(), "daemon"))
        return disagreeing

    def _compare_fits(self, idle: list[str]) -> tuple[list[Change], list[SettingError]]:
        catalogue = self.configured.catalogue
        with self._store.reader() as reader:
            known = fits_of(reader, idle)
        return fits_by_file(catalogue, idle, known), conflicts(catalogue, known)

    def _log(self, changes: Changes) -> None:
        for line in changes.words:
            log.info("configuration", change=line)
        errors = tuple(str(e) for e in changes.errors)
        if errors != self._logged:
            for text in errors:
                log.warning("configuration", without_effect=text)
            self._logged = errors
