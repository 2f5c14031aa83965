"""The sessions of the served instruments: made from the configuration, kept connected, watched for progress."""

import asyncio
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping
from typing import Any, Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.ports.transport import Connection, OnData, OnLost
from daq.app.daemon.configured import Configured
from daq.app.run.session import Session
from daq.core.driver import Driver
from daq.core.errors import SettingError
from daq.core.linkstates import LinkState
from daq.methods.files.instrument import Instrument
from daq.process.tasks import Tasks

log = structlog.get_logger()

COMING: Final = (LinkState.OPENING, LinkState.IDENTIFYING, LinkState.HALTING)
"""States of a session that can be followed by the state ready."""
READY_WAIT_S: Final = 20.0
"""Longest time in seconds that a new run waits for its instruments to be ready."""

#: Returns the function that opens an instrument's port.  Tests and the demonstration replace it.
OpenerFor = Callable[[Instrument, Driver], Callable[[OnData, OnLost], Awaitable[Connection]]]


class InstrumentSessions:
    """Owns one session for each served instrument.

    Attributes:
        by_name: the sessions by name of the instrument.
        beats: number of times that the sessions were found to make progress, for the watchdog.
    """

    def __init__(
        self,
        configured: Configured,
        ports: OpenerFor,
        clock: Clock,
        audit: Callable[[str, str, Mapping[str, Any]], None],
        forget: Callable[[Iterable[str]], None] = lambda _names: None,
    ) -> None:
        """Take the configuration; nothing is made yet.

        `audit` takes (what, subject, detail); `forget` takes the names of instruments that give up their ports.
        """
        self.by_name: dict[str, Session] = {}
        self.beats = 0
        self._configured, self._ports, self._clock, self._audit = configured, ports, clock, audit
        self._forget = forget
        self._progress: dict[str, int] = {}
        self._tasks: Tasks | None = None
        self._keeping: dict[str, asyncio.Task[Any]] = {}

    def make(self) -> None:
        """Make the sessions of all instruments to serve.

        Raises:
            SettingError: an instrument is unknown, or its driver or options are wrong.
        """
        for name in self._configured.served:
            self.by_name[name] = self._made(name)

    def _made(self, name: str) -> Session:
        instrument, driver = self._configured.instrument(name)
        return Session(
            name,
            driver,
            self._ports(instrument, driver),
            self._clock,
            expected_serial=instrument.expect_serial or "",
            audit=self._audit,
        )

    def want_stop(self, names: Iterable[str]) -> None:
        """Stop the motors of instruments as soon as they answer; instruments that are not served are left out."""
        for name in names:
            if name in self.by_name:
                self.by_name[name].want_stop()

    def start(self, tasks: Tasks) -> None:
        """Keep all instruments connected, each in one of `tasks`."""
        self._tasks = tasks
        for name in self.by_name:
            self._start(tasks, name)

    def _start(self, tasks: Tasks, name: str) -> None:
        self._keeping[name] = tasks.start(self._keep(self.by_name[name]), f"session {name}")

    async def renew(self, names: Collection[str], removed: Collection[str]) -> None:
        """Give instruments new sessions from the configuration as it is now, and end the sessions of removed ones.

        All ports are released before the first new session is made, because instruments can exchange their ports.

        Args:
            names: new and changed instruments, none of them in a run; those that are not served are left out.
            removed: instruments without a file, none of them in a run.
        """
        served = self._configured.served
        wanted = [name for name in names if name in served]
        before = {n: self.by_name[n] for n in dict.fromkeys((*names, *removed)) if n in self.by_name}
        for name in before:
            task = self._keeping.pop(name, None)
            if task is not None:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
        self._forget((*names, *removed))
        for name in before:
            if name not in wanted:
                del self.by_name[name]
        for name in wanted:
            self.by_name[name] = self._made(name)
            if name in before:
                self.by_name[name].succeed(before[name])
            if self._tasks is not None:
                self._start(self._tasks, name)

    async def _keep(self, session: Session) -> None:
        while True:
            try:
                await session.keep()
            except asyncio.CancelledError:
                raise
            except Exception:
                # A fault of one driver or port must not end the other sessions: log it and start this one again.
                log.exception("session failed", instrument=session.name)
                await asyncio.sleep(1.0)

    def refuse_unknown(self, name: str) -> None:
        """Raise `SettingError` if the instrument is not served."""
        if name not in self.by_name:
            raise SettingError(f"{name} is not served by this daemon; served: {', '.join(self.by_name) or 'none'}")

    async def settled(self, name: str, refuse: Callable[[], None]) -> Session:
        """Wait up to `READY_WAIT_S` for an instrument that may still become ready, and return its session.

        `refuse` is called again and again while waiting; it raises an error where the wait is of no use.

        Raises:
            SettingError: the instrument is not served.
        """
        self.refuse_unknown(name)
        session = self.by_name[name]
        deadline = self._clock.mono_ns() + round(READY_WAIT_S * 1e9)
        while session.standing.state in COMING and self._clock.mono_ns() < deadline:
            refuse()
            await self._clock.sleep(0.05)
        return session

    def count_progress(self) -> None:
        """Count a beat if ingest works: an instrument has made progress since the last call, or none is connected."""
        connected = {n: s.progress for n, s in self.by_name.items() if s.standing.state in ("ready", "in_run")}
        moved = [n for n, count in connected.items() if count != self._progress.get(n)]
        # Without a connected instrument there is no input, so ingest counts as alive.  One silent instrument is a fault
        # of that instrument; if none of them progresses, ingest itself is stuck.
        if moved or not connected:
            self.beats += 1
        self._progress = connected
