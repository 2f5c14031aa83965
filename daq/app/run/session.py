"""One instrument on one port: connect, make sure who it is, watch it, lend it to a run, take it back.

A session never raises into another: whatever goes wrong on its port is its own state.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import structlog

from daq.adapters.clock import Clock
from daq.adapters.ports.transport import Connection, OnData, OnLost, Sent
from daq.app.run.link_counts import LinkCounts
from daq.core.driver import Driver, Identity, Reply, Request, Values
from daq.core.errors import DaqError, LinkError
from daq.core.exchange import NEVER, Exchange, Item
from daq.core.lifecycle import STILL

log = structlog.get_logger()

IDLE_INTERVAL_NS: Final = 1_000_000_000
FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 30.0

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


class Borrower(Protocol):
    """A run that has taken over a session's link."""

    def received(self, link: str, data: bytes) -> None:
        """Bytes came in."""
        ...

    def link_lost(self, link: str, reason: str) -> None:
        """The port is gone."""
        ...

    def link_back(self, link: str) -> None:
        """The port is open again and its instrument identified."""
        ...


@dataclass(slots=True)
class Standing:
    """What is known of a session, for status messages and screens."""

    state: str = "connecting"
    """connecting, identifying, wrong instrument, ready, in a run, closed."""
    detail: str = ""
    identity: Identity | None = None
    values: dict[str, float | None] = field(default_factory=dict)
    faults: tuple[tuple[str, str], ...] = ()
    """Of the latest reading: channel ("" for the whole instrument) and fault."""
    motor: str = ""
    """"" where nothing turns or nothing is amiss; otherwise what is known after a lost link or a crash."""


class Session:
    """Keeps one instrument connected."""

    def __init__(
        self,
        name: str,
        driver: Driver,
        opener: Opener,
        clock: Clock,
        *,
        expected_serial: str = "",
        changed: Callable[[], None] = lambda: None,
        audit: Callable[[str, str, dict[str, Any]], None] = lambda _what, _subject, _detail: None,
    ) -> None:
        """`audit` takes (what, subject, detail); `changed` is called whenever the standing changes."""
        self.name = name
        self.driver = driver
        self.standing = Standing()
        self.progress = 0
        self._opener, self._clock = opener, clock
        self._expected = expected_serial
        self._can_halt = "halt" in driver.capabilities
        self._changed, self._audit = changed, audit
        self._connection: Connection | None = None
        self._borrower: Borrower | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._lost = asyncio.Event()
        self._identified: asyncio.Future[Identity] | None = None
        self._halted: asyncio.Future[str] | None = None
        self._halt_acked = False
        self._stop_wanted = False
        self._doubt_audited = False
        self._dice = random.Random(name)  # noqa: S311 - spreads reconnects, nothing secret
        self.counts = LinkCounts()
        self._exchange = self._new_exchange()

    def _new_exchange(self) -> Exchange:
        interval = max(IDLE_INTERVAL_NS, self.driver.interval_ns)
        exchange = Exchange(self.name, self.driver, self._write, self._failed, interval)
        self.counts.follow(exchange)
        return exchange

    # ---- connection

    async def keep(self) -> None:
        """Connect, and reconnect with growing waits, until cancelled."""
        wait = FIRST_WAIT_S
        try:
            while True:
                try:
                    await self._connect()
                    wait = FIRST_WAIT_S
                    await self._lost.wait()
                except DaqError as error:
                    self._set("wrong instrument" if isinstance(error, _WrongInstrument) else "connecting", str(error))
                finally:
                    self._drop()
                await self._clock.sleep(wait * (0.8 + 0.4 * self._dice.random()))
                wait = min(wait * 2, LONGEST_WAIT_S)
        finally:
            self._set("closed", "")

    async def _connect(self) -> None:
        self._lost.clear()
        self._connection = await self._opener(self._received, self._port_lost)
        if self._lost.is_set():
            raise LinkError(f"{self.name}: {self.standing.detail}")
        self._exchange = self._new_exchange()
        self._set("identifying", "")
        self._exchange.link_up(self._clock.mono_ns())
        identity = await self._identify()
        self.standing.identity = identity
        if self._expected and identity is not None and identity.serial != self._expected:
            raise _WrongInstrument(
                f"{self.name}: instrument {identity.serial} answers where {self._expected} is expected; "
                "connect the right one or change 'serial' in its file"
            )
        if self._stop_wanted and await self.halt("the motor's state was unknown") != "still":
            raise LinkError(f"{self.name}: the motor was told to stop and does not confirm it; see to it")
        if self._lost.is_set():
            raise LinkError(f"{self.name}: the link was lost again: {self.standing.detail}")
        if self._borrower is not None:
            self._set("in a run", "")
            self._borrower.link_back(self.name)
            return
        self._set("ready", "")
        self._exchange.start_polling(self._clock.mono_ns())
        self._wake()

    async def _identify(self) -> Identity | None:
        request = self.driver.identify()
        if request is None:
            return None
        self._identified = asyncio.get_running_loop().create_future()
        lost = asyncio.ensure_future(self._lost.wait())
        try:
            self._exchange.ask(self._clock.mono_ns(), request)
            self._wake()
            await asyncio.wait((self._identified, lost), return_when=asyncio.FIRST_COMPLETED)
            if not self._identified.done():
                raise LinkError(f"{self.name}: lost while the instrument was asked who it is: {self.standing.detail}")
            return self._identified.result()
        finally:
            lost.cancel()
            self._identified.cancel()
            self._identified = None

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self._exchange.link_down()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _port_lost(self, reason: str) -> None:
        log.warning("link lost", instrument=self.name, reason=reason)
        self._connection = None
        self._exchange.link_down()
        self.standing.values = {}
        self._set("connecting", reason)
        if self._halted is not None and not self._halted.done():
            self._halted.set_result("may still be turning")
        self._lost.set()
        if self._borrower is not None:
            self._borrower.link_lost(self.name, reason)

    # ---- bytes

    def _received(self, data: bytes) -> None:
        if self._connection is None:
            return  # the port is still being opened
        self.progress += 1
        if self._borrower is not None and self.standing.state == "in a run":
            self._borrower.received(self.name, data)
            return
        try:
            self._take_items(self._exchange.receive(self._clock.mono_ns(), data))
        except Exception as error:  # noqa: BLE001 - a driver's fault stays its instrument's
            self._driver_failed(error)
            return
        self._go_on()

    def _take_items(self, items: Iterable[Item]) -> None:
        for item in items:
            if isinstance(item, Reply):
                self._reply(item)
            else:
                self._reading(item)

    def _driver_failed(self, error: Exception) -> None:
        """Connect anew, and say why."""
        log.error("driver failed", instrument=self.name, exc_info=error)
        self._port_lost_late(f"the driver failed: {type(error).__name__}: {error}; tell its author")

    def _reply(self, reply: Reply) -> None:
        if reply.kind == "identity" and self._identified is not None and not self._identified.done():
            if reply.identity is not None:
                self._identified.set_result(reply.identity)
            else:
                reason = "the driver makes no identity of the instrument's answer; tell its author"
                self._identified.set_exception(LinkError(f"{self.name}: {reason}"))
        elif reply.kind == "halt":
            self._halt_acked = True

    def _reading(self, item: tuple[float, ...] | Values) -> None:
        values = item.values if isinstance(item, Values) else item
        self.standing.values = {c.name: v for c, v in zip(self.driver.channels, values, strict=True)}
        self.standing.faults = item.faults if isinstance(item, Values) else ()
        speed = self.standing.values.get("speed")
        if (
            self._halted is not None
            and not self._halted.done()
            and self._halt_acked
            and speed is not None
            and abs(speed) < STILL
        ):
            self._halted.set_result("still")
        self._changed()

    def send(self, data: bytes, sent: Sent) -> None:
        """Write for the run that has borrowed the link; `sent` is called when the bytes go out.  Raises `LinkError`."""
        if self._connection is None:
            raise LinkError(f"{self.name}: not connected")
        self._connection.write(data, sent)

    def free(self) -> None:
        """No answer is awaited on this link now."""
        if self._connection is not None:
            self._connection.free()

    def _write(self, _link: str, data: bytes) -> None:
        exchange = self._exchange
        at_once = True

        def sent() -> None:
            exchange.sent(self._clock.mono_ns())
            if not at_once and exchange is self._exchange:
                self._wake()

        try:
            self.send(data, sent)
        except LinkError as error:
            reason = str(error)
            asyncio.get_running_loop().call_soon(self._port_lost_late, reason)
        at_once = False  # whoever asked sets the timer

    def _port_lost_late(self, reason: str) -> None:
        if self._connection is not None:
            self._connection.close()
            self._port_lost(reason)

    def _failed(self, _link: str, request: Request, reason: str) -> None:
        if request.expects == "identity" and self._identified is not None and not self._identified.done():
            self._identified.set_exception(
                LinkError(f"{self.name}: the instrument does not say who it is ({reason}); check cable, port and baud")
            )
        elif request.expects == "halt" and self._halted is not None and not self._halted.done():
            self._halted.set_result("may still be turning")

    def _wake(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due = self._exchange.wake_at
        if due < NEVER:
            self._timer = self._clock.call_at(due, self._tick)

    def _tick(self) -> None:
        self._timer = None
        if self.standing.state in ("in a run", "closed"):
            return
        self.progress += 1
        try:
            self._take_items(self._exchange.tick(self._clock.mono_ns()))
        except Exception as error:  # noqa: BLE001 - a driver's fault stays its instrument's
            self._driver_failed(error)
            return
        if self._exchange.silent:
            # Whoever answers next may be another instrument: connect anew, and ask who it is.
            self._port_lost_late(f"no answer for {self._exchange.stale_after_ns / 1e9:g} s")
            return
        self._go_on()

    def _go_on(self) -> None:
        if not self._exchange.awaiting:
            self.free()
        self._wake()

    # ---- runs

    async def lend(self, borrower: Borrower, exchange: Exchange) -> None:
        """Give the link to a run, which reads it with an exchange of its own, once nothing is under way on it.

        Raises:
            LinkError: the instrument is not ready.
        """
        if self.standing.state != "ready":
            raise LinkError(f"{self.name} is not ready: {self.standing.state} {self.standing.detail}".rstrip())
        self._exchange.stop_polling()
        while self._exchange.busy and self.standing.state == "ready":
            await self._clock.sleep(0.02)
        if self.standing.state != "ready":
            raise LinkError(f"{self.name} was lost: {self.standing.detail}")
        self._borrower = borrower
        self.counts.follow(exchange)
        self._set("in a run", "")

    def take_back(self, motor: str) -> None:
        """The run is over; `motor` is what it knows of the motor."""
        self._borrower = None
        if motor == "may still be turning":
            self.want_stop()
        if self.standing.state != "in a run":
            return
        if self._stop_wanted:
            # Connecting anew asks who it is, and stops the motor before anything else.
            self._port_lost_late("the motor may still be turning")
            return
        self._exchange = self._new_exchange()
        now = self._clock.mono_ns()
        self._exchange.link_up(now)
        self._set("ready", "")
        self._exchange.start_polling(now)
        self._wake()

    def want_stop(self) -> None:
        """The motor's state is unknown: stop it as soon as the instrument answers.  A stop needs nobody's leave."""
        if self._can_halt:
            self._stop_wanted = True
            self.standing.motor = "may still be turning"

    async def halt(self, why: str) -> str:
        """Tell the motor to stop and read back; audits and returns ``still`` or ``may still be turning``."""
        if self._connection is None:
            return "may still be turning"
        self._halted = asyncio.get_running_loop().create_future()
        self._halt_acked = False
        now = self._clock.mono_ns()
        self._exchange.ask(now, self.driver.action("halt"), first=True)
        self._exchange.start_polling(now)
        self._wake()
        timer = self._clock.call_at(now + 10_000_000_000, self._halt_unconfirmed)
        try:
            motor = await self._halted
        finally:
            timer.cancel()
            self._halted = None
        self._stop_wanted = motor != "still"
        self.standing.motor = "" if motor == "still" else motor
        if motor == "still" or not self._doubt_audited:
            self._audit("motor stopped" if motor == "still" else "stop not confirmed", self.name, {"why": why})
        self._doubt_audited = motor != "still"
        self._changed()
        return motor

    def _halt_unconfirmed(self) -> None:
        if self._halted is not None and not self._halted.done():
            self._halted.set_result("may still be turning")

    def _set(self, state: str, detail: str) -> None:
        if (state, detail) != (self.standing.state, self.standing.detail):
            self.standing.state, self.standing.detail = state, detail
            log.info("instrument", name=self.name, state=state, detail=detail)
            self._changed()


class _WrongInstrument(LinkError):
    """Another serial number than the file expects."""
