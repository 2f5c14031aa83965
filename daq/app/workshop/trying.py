"""Read an instrument with a driver, without run and store, to try out the driver."""

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from daq.adapters.clock import SystemClock
from daq.adapters.ports.transport import Connection, PortAddress, open_port
from daq.app.run.latest_lines import LatestLines
from daq.core.driver import Driver, Identity, Values
from daq.core.effects import Send
from daq.core.errors import LinkError
from daq.core.exchange import NEVER, Item
from daq.core.link import Link
from daq.core.linkeffects import LinkEffect, RequestFailed
from daq.core.linkstates import Purpose

REPORT_S: Final = 3.0
"""Interval in seconds at which the state is reported even if nothing happens."""


@dataclass(slots=True)
class Tried:
    """State of a trial.

    Attributes:
        identity: identity that the instrument answered; None if it has not.
        values, faults: values and faults of the latest reading.
        readings: number of readings.
        failures: requests that were given up, with the reason.
        report: counters of the exchange.
        raw: the latest bytes that were received.
        latest: the last raw lines in both directions.
        silent: True while the instrument does not answer.
    """

    identity: Identity | None = None
    values: tuple[float | None, ...] = ()
    faults: tuple[tuple[str, str], ...] = ()
    readings: int = 0
    failures: list[str] = field(default_factory=list)
    report: dict[str, Any] = field(default_factory=dict)
    raw: bytes = b""
    latest: LatestLines = field(default_factory=LatestLines)
    silent: bool = False


class Trial:
    """Reads one port with one driver until it is ended."""

    def __init__(self, driver: Driver, address: PortAddress, changed: Callable[[Tried], None]) -> None:
        """`changed` is called after each reading, failure and silence."""
        self.tried = Tried()
        self._address, self._changed = address, changed
        self._clock = SystemClock()
        self._link = Link(driver.kind, driver, self._carry_out, purpose=Purpose.TRIAL)
        self._connection: Connection | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._over: asyncio.Future[str] | None = None
        self._wanted: int | None = None

    async def run(self, *, seconds: float | None = None, readings: int | None = None) -> str:
        """Read for `seconds`, until there are `readings`, or until `end`; return why the port was lost, or "".

        Raises:
            LinkError: the port cannot be opened.
        """
        self._wanted = readings
        self._over = asyncio.get_running_loop().create_future()
        self._connection = await open_port(self._address, self._data, self.end)
        try:
            now = self._clock.mono_ns()
            self._link.open(now)
            self._link.port_open(now)
            self._wake()
            self._again()
            try:
                return await asyncio.wait_for(self._over, seconds)
            except TimeoutError:
                return ""
        finally:
            if self._timer is not None:
                self._timer.cancel()
            self._connection.close()

    def _again(self) -> None:
        """Report the state at intervals, so that a person sees that nothing happens."""
        if self._over is not None and not self._over.done():
            self._report()
            asyncio.get_running_loop().call_later(REPORT_S, self._again)

    def end(self, reason: str = "") -> None:
        """End the trial; `reason`: why the port was lost."""
        if self._over is not None and not self._over.done():
            self._over.set_result(reason)

    def _data(self, data: bytes) -> None:
        if self._over is None or self._over.done():
            # Data that arrives before the trial has closed the port would be one reading too many.
            return
        self.tried.raw = data[-200:]
        now = self._clock.mono_ns()
        self.tried.latest.add(now, "<", data)
        self._take(now, self._link.receive(now, data))
        self._wake()

    def _take(self, now: int, items: Iterable[Item]) -> None:
        for item in items:
            checked = self._link.take(now, item)
            if checked is None:
                self._report()
                continue
            self.tried.values = tuple(checked.values if isinstance(checked, Values) else checked)
            self.tried.faults = checked.faults if isinstance(checked, Values) else ()
            self.tried.readings += 1
            self._report()
            if self._wanted is not None and self.tried.readings >= self._wanted:
                self.end()
                return

    def _report(self) -> None:
        self.tried.identity = self._link.identification.identity
        self.tried.report = self._link.exchange.report()
        self.tried.silent = self._link.exchange.silent
        self._changed(self.tried)

    def _carry_out(self, effect: LinkEffect) -> None:
        if isinstance(effect, Send):
            self._write(effect.data)
        elif isinstance(effect, RequestFailed):
            self.tried.failures.append(f"{effect.request.expects}: {effect.reason}")
            self._report()

    def _write(self, data: bytes) -> None:
        if self._connection is None:
            return
        try:
            self._connection.write(data, lambda: self._link.sent(self._clock.mono_ns()))
            self.tried.latest.add(self._clock.mono_ns(), ">", data)
        except LinkError as error:
            self.end(str(error))

    def _wake(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due = self._link.wake_at
        if due < NEVER and self._over is not None and not self._over.done():
            self._timer = self._clock.call_at(due, self._tick)

    def _tick(self) -> None:
        self._timer = None
        exchange, now = self._link.exchange, self._clock.mono_ns()
        was_silent, timeouts = exchange.silent, exchange.counters.timeouts
        self._take(now, self._link.tick(now))
        if exchange.silent != was_silent or exchange.counters.timeouts != timeouts:
            self._report()
        self._wake()
