"""Pack the payloads of messages that were delivered long ago, in the background of the daemon."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.outgoing.packing import PackDelivered
from daq.adapters.store.store import Store
from daq.app.setup.periods import earlier, first_moment
from daq.core.errors import DaqError

log = structlog.get_logger()

EVERY_S: Final = 6 * 3600.0
"""Time in seconds between two passes."""
PAUSE_S: Final = 0.05
"""Pause in seconds between two transactions, in which the writer is free for runs."""


def packed_before(period: str, utc_ns: int) -> int:
    """Return the time (UTC ns) before which delivered messages are packed; `period` as in `[retention] payloads`."""
    today = datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone().date()
    return first_moment(earlier(today, period))


class PayloadRetention:
    """Packs delivered messages of one store; `period` returns `[retention] payloads`, None: never."""

    def __init__(self, store: Store, clock: Clock, period: Callable[[], str | None]) -> None:
        self._store, self._clock, self._period = store, clock, period
        self._after = 0

    async def run(self) -> None:
        """Make a pass now and then, until the task is cancelled."""
        while True:
            try:
                await self.make_pass()
            except DaqError as error:
                log.warning("messages not packed", reason=str(error))
            await asyncio.sleep(EVERY_S)

    async def make_pass(self, pause_s: float = PAUSE_S) -> int:
        """Pack what is due and return the number of saved bytes; the next pass goes on where this one ends."""
        period = self._period()
        if period is None:
            return 0
        before, messages, saved = packed_before(period, self._clock.utc_ns()), 0, 0
        while True:
            done = await self._store.commit(PackDelivered(self._after, before))
            if done.last is None:
                break
            self._after = done.last
            messages, saved = messages + done.messages, saved + done.saved_bytes
            await asyncio.sleep(pause_s)
        if messages:
            log.info("delivered messages packed", messages=messages, saved_bytes=saved)
        return saved
