"""The daemon as a process: start and stop, signals, systemd's watchdog, and the check of certificates."""

import asyncio
import contextlib
import gc
import signal
import sys
from collections.abc import AsyncIterator, Sequence
from typing import Final

import structlog

from daq.adapters.paths import socket_path
from daq.app.daemon.control import ControlServer
from daq.app.daemon.metrics import measured
from daq.app.daemon.service import Service
from daq.app.daemon.supervisor import Supervisor
from daq.app.setup.certificates import DAY_S as A_DAY_S
from daq.app.setup.certificates import findings
from daq.core.errors import DaqError
from daq.process.pagechild import keep_page
from daq.process.systemd import notify, watchdog_interval_s

log = structlog.get_logger()

SWITCH_S: Final = 0.001
"""Time in seconds after which a thread that computes gives way: a reading waits for no view longer than that.
The interpreter's own value is 5 ms."""


@contextlib.asynccontextmanager
async def served(supervisor: Supervisor) -> AsyncIterator[Service]:
    """Start a supervisor and its control socket, yield its service, and close both in every case."""
    switch = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        async with _served(supervisor) as service:
            yield service
    finally:
        sys.setswitchinterval(switch)


@contextlib.asynccontextmanager
async def _served(supervisor: Supervisor) -> AsyncIterator[Service]:
    await supervisor.start()
    service = Service(supervisor)
    group = supervisor.catalogue.daemon.socket_group or ""
    control = ControlServer(socket_path(supervisor.state), service.handle, group=group)
    try:
        await control.start()
        try:
            yield service
        finally:
            # Runs end before the socket closes, so that clients that follow a run still get its outcome.
            await supervisor.end_runs()
            await control.stop()
            await service.close()
    finally:
        await supervisor.close()


async def serve(supervisor: Supervisor, *, page: Sequence[str] = ()) -> None:
    """Serve until SIGTERM or SIGINT, then shut down cleanly; `page` is the command of a page beside it, () for none."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    # Before the start is complete the signal has no effect: the files are being read anyway.
    loop.add_signal_handler(signal.SIGHUP, lambda: None)
    async with served(supervisor), measured(supervisor, supervisor.catalogue.daemon.metrics):
        loop.add_signal_handler(signal.SIGHUP, lambda: supervisor.tasks.start(_reload(supervisor), "reload", ends=True))
        notify("READY=1")
        gc.freeze()  # the loaded modules live until the end; the collector need not scan them again
        log.info("serving", instruments=list(supervisor.sessions), state=str(supervisor.state))
        for key, text in supervisor.catalogue.daemon.open_passwords.items():
            log.warning("open password", key=key, reason=text)
        if watchdog_interval_s() is not None:
            supervisor.tasks.start(_watchdog(supervisor), "watchdog")
        supervisor.tasks.start(_certificates(supervisor), "certificates")
        if page:
            supervisor.tasks.start(keep_page(page), "page", ends=True)
        await stop.wait()
        notify("STOPPING=1")
        log.info("shutting down")


async def _reload(supervisor: Supervisor) -> None:
    """Take up changed files; a failure is logged and ends nothing."""
    try:
        await supervisor.reloading.refresh()
    except DaqError as error:
        log.error("configuration", trouble=str(error))


async def _certificates(supervisor: Supervisor) -> None:
    """Log once a day which certificates expire soon."""
    while True:
        for found in await asyncio.to_thread(
            lambda: list(findings(supervisor.catalogue.daemon, supervisor.clock.utc_ns() / 1e9))
        ):
            if not found.ok:
                log.warning(found.what, found=found.say, do=found.do)
        await asyncio.sleep(A_DAY_S)


async def _watchdog(supervisor: Supervisor) -> None:
    """Notify systemd's watchdog only if ingest, writer and publisher have all progressed since the last time."""
    beat = watchdog_interval_s()
    if beat is None:
        return
    before = supervisor.progress()
    while True:
        supervisor.probe_progress()
        await asyncio.sleep(beat)
        now = supervisor.progress()
        stuck = [name for name, count in now.items() if count <= before.get(name, -1)]
        if stuck:
            log.error("no progress; the watchdog is not fed", stuck=stuck)
        else:
            notify("WATCHDOG=1")
        before = now
