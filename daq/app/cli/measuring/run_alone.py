"""The run of `daq run` where no daemon runs: all of the daemon, in this process."""

from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path

from daq.adapters.clock import SystemClock
from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.cli.measuring.serve import publishing, sparkplug
from daq.app.daemon.process import served
from daq.app.daemon.protocol import Answer
from daq.app.daemon.supervisor import Supervisor
from daq.app.laboratory.ordering import completed
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder, with_past_moment
from daq.process.logins import own_login
from daq.process.logs import set_up_logs

Stop = Callable[[str], Coroutine[None, None, None]]
Show = Callable[[AsyncIterator[Answer], Stop], Coroutine[None, None, int]]
"""Shows the answers until the end and returns the exit code; the second argument stops the run on an instrument."""


async def alone(catalogue: Catalogue, state: Path, order: RunOrder, show: Show) -> int:
    """Measure in this process, without a daemon, and return the exit code of `show`."""
    set_up_logs("error", "auto")
    order = _completed(catalogue, state, with_past_moment(order, SystemClock().utc_ns()))
    instrument = catalogue.instrument(order.instrument)
    only = (instrument.name, *instrument.companions.values())
    supervisor = Supervisor(
        catalogue,
        state,
        SystemClock(),
        only=only,
        publishing=publishing(catalogue),
        sparkplug=sparkplug(catalogue),
    )
    async with served(supervisor) as service:

        async def stop(instrument: str) -> None:
            supervisor.stop_run(instrument, own_login())

        return await show(service.handle(order), stop)


def _completed(catalogue: Catalogue, state: Path, order: RunOrder) -> RunOrder:
    """Return an order with its instrument, before any port is opened."""
    if order.method_id and order.instrument:
        return order  # the supervisor completes the rest
    database = database_path(state)
    if not database.exists():
        return completed(order, catalogue, None, catalogue.enabled)
    with Reader(database) as reader:
        return completed(order, catalogue, reader, catalogue.enabled)
