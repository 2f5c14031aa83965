"""One instrument on one port: the input and output of a `Link`, which makes all decisions.

A session opens the port, carries bytes and timers between the port and the link, and lends the port to a run.
A fault on its port becomes its own state; it raises no error in another session.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable, Iterable
from typing import Final, Protocol

import structlog

from daq.adapters.clock import Clock
from daq.adapters.ports.transport import Connection, OnData, OnLost, Sent
from daq.app.run.latest_lines import LatestLines
from daq.app.run.link_audit import Audit, LinkAudit
from daq.app.run.link_counts import LinkCounts
from daq.app.run.standing import Standing
from daq.core import effects
from daq.core.driver import Driver
from daq.core.errors import DaqError, LinkError
from daq.core.exchange import NEVER, Exchange, Item
from daq.core.link import Link
from daq.core.linkeffects import ExpectedInstrument, LinkEffect, LinkMoved, Reopen, TorqueOffZero
from daq.core.linkstates import LinkState, Motor, Purpose
from daq.core.resting import TorqueAtRest

log = structlog.get_logger()

IDLE_INTERVAL_NS: Final = 1_000_000_000
"""Least time between polls while no run uses the instrument."""
FIRST_WAIT_S: Final = 0.5
"""First wait before the port is opened again; it doubles with each failure."""
LONGEST_WAIT_S: Final = 30.0
LONGEST_WAIT_IN_DOUBT_S: Final = 2.0
"""Longest wait while a motor may still be turning, because it must be stopped soon."""

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


class Borrower(Protocol):
    """A run that has borrowed a session's link."""

    def received(self, link: str, data: bytes) -> None:
        """Take bytes that the port received."""
        ...

    def link_lost(self, link: str, reason: str) -> None:
        """Take the loss of the port."""
        ...

    def link_back(self, link: str) -> None:
        """Take the return of the port: it is open again and its instrument is identified."""
        ...


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
        audit: Audit = lambda _what, _subject, _detail: None,
    ) -> None:
        """`audit` takes (what, subject, detail); `changed` is called whenever the standing changes."""
        self.name = name
        self.driver = driver
        self.standing = Standing()
        self.progress = 0
        self.counts = LinkCounts()
        self.latest = LatestLines()
        self._opener, self._clock = opener, clock
        self._changed, self._audit = changed, LinkAudit(name, audit)
        self.link = Link(
            name,
            driver,
            self._carry_out,
            purpose=Purpose.IDLE,
            expected=ExpectedInstrument(expected_serial),
            interval_ns=max(IDLE_INTERVAL_NS, driver.interval_ns),
        )
        self.counts.follow(self.link.exchange)
        self._connection: Connection | None = None
        self._borrower: Borrower | None = None
        self._lent = False
        """True once the borrower has had the link; from then on a return of the link is reported to it."""
        self._timer: asyncio.TimerHandle | None = None
        self._lost = asyncio.Event()
        self._moved = asyncio.Event()
        self._motor_of_run = Motor.NOT_MOVED
        self._rng = random.Random(name)  # noqa: S311 - spreads reconnects, nothing secret

    # ---- connection

    async def keep(self) -> None:
        """Connect, and connect again after a loss with growing waits, until cancelled."""
        wait = FIRST_WAIT_S
        self.link.open(self._now())
        try:
            while True:
                try:
                    await self._connect()
                    wait = await self._until_lost(wait)
                except DaqError as error:
                    self._set(self.link.state, str(error))
                finally:
                    self._drop()
                await self._clock.sleep(wait * (0.8 + 0.4 * self._rng.random()))
                longest = LONGEST_WAIT_IN_DOUBT_S if self.link.motor is Motor.IN_DOUBT else LONGEST_WAIT_S
                wait = min(wait * 2, longest)
        finally:
            self._drop()
            self.link.close(self._now())

    async def _connect(self) -> None:
        self._lost.clear()
        self._connection = await self._opener(self._received, self._port_lost)
        if self._lost.is_set():
            raise LinkError(f"{self.name}: {self.standing.detail}")
        self._guarded(lambda: self.link.port_open(self._now()))

    async def _until_lost(self, wait: float) -> float:
        """Wait until the port is lost; returns the wait before the next attempt (s): it grows until one was ready."""
        while not self._lost.is_set():
            self._moved.clear()
            if self.link.state in (LinkState.READY, LinkState.LENT):
                wait = FIRST_WAIT_S
            waiting = [asyncio.ensure_future(e.wait()) for e in (self._lost, self._moved)]
            try:
                await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for w in waiting:
                    w.cancel()
        return wait

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _port_lost(self, reason: str) -> None:
        """Take the loss of the port, which failed or was closed because of `reason`."""
        log.warning("link lost", instrument=self.name, reason=reason)
        self._connection = None
        self.link.port_lost(self._now(), reason)
        self._show()
        self._lost.set()
        if self._borrower is not None:
            self._borrower.link_lost(self.name, reason)

    def _close_and_lose(self, reason: str) -> None:
        if self._connection is not None:
            self._connection.close()
            self._port_lost(reason)

    # ---- bytes

    def _received(self, data: bytes) -> None:
        if self._connection is None or self.link.state in (LinkState.OPENING, LinkState.WRONG_INSTRUMENT):
            return  # the port is being opened, or about to be closed
        self.progress += 1
        now = self._now()
        self.latest.add(now, "<", data)
        if self._borrower is not None and self.link.state is LinkState.LENT:
            self._borrower.received(self.name, data)
            return
        self._guarded(lambda: self._take(now, self.link.receive(now, data)))

    def _take(self, now: int, items: Iterable[Item]) -> None:
        link = self.link
        for item in items:
            checked = link.take(now, item)
            if checked is not None:
                self._changed()
        link.lend_if_free(now)

    def _guarded(self, work: Callable[[], None]) -> None:
        """Do work that calls the driver; a fault of the driver closes this instrument's port only."""
        try:
            work()
        except Exception as error:
            log.exception("driver failed", instrument=self.name)
            self._close_and_lose(f"the driver failed: {type(error).__name__}: {error}; report it to its author")
            return
        self._show()
        if not self.link.exchange.awaiting:
            self.free()
        self._wake()

    def send(self, data: bytes, sent: Sent) -> None:
        """Write `data` for the run that has borrowed the link; `sent` is called when the bytes go out.

        Raises:
            LinkError: the port is not open.
        """
        if self._connection is None:
            raise LinkError(f"{self.name}: not connected")
        self._connection.write(data, sent)
        self.latest.add(self._now(), ">", data)

    def free(self) -> None:
        """Let others use the line: no answer is awaited on this link now."""
        if self._connection is not None:
            self._connection.free()

    def _write(self, data: bytes) -> None:
        link, at_once = self.link, True

        def sent() -> None:
            link.sent(self._now())
            if not at_once and link.state is not LinkState.LENT:
                self._wake()

        try:
            self.send(data, sent)
        except LinkError as error:
            reason = str(error)
            asyncio.get_running_loop().call_soon(self._close_and_lose, reason)
        at_once = False  # the caller sets the timer

    def _wake(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due = NEVER if self._connection is None or self.link.state is LinkState.LENT else self.link.wake_at
        if due < NEVER:
            self._timer = self._clock.call_at(due, self._tick)

    def _tick(self) -> None:
        self._timer = None
        if self.link.state in (LinkState.LENT, LinkState.CLOSED):
            return
        self.progress += 1
        now = self._now()
        self._guarded(lambda: self._take(now, self.link.tick(now)))

    # ---- effects of the link

    def _carry_out(self, effect: LinkEffect) -> None:
        if isinstance(effect, effects.Send):
            self._write(effect.data)
        elif isinstance(effect, Reopen):
            # The link is still in the middle of a step, so the port is reopened after it.
            asyncio.get_running_loop().call_soon(self._reopen, effect.reason)
        elif isinstance(effect, LinkMoved):
            self._moved_to(effect)
        elif isinstance(effect, TorqueOffZero):
            self._set(self.link.state, self._audit.torque_off_zero(effect))

    def _reopen(self, reason: str) -> None:
        wrong = self.link.state is LinkState.WRONG_INSTRUMENT
        if self._connection is not None and wrong:
            # Screens keep showing this state; the port is opened again after a wait.
            self._connection.close()
            self._connection = None
            self.link.exchange.link_down()
            self._lost.set()
            if self._borrower is not None:
                self._borrower.link_lost(self.name, reason)
        else:
            self._close_and_lose(reason)

    def _moved_to(self, moved: LinkMoved) -> None:
        detail = moved.detail
        if moved.target is LinkState.WRONG_INSTRUMENT:
            detail = f"{self.name}: {detail}; connect the right one or change 'serial' in its file"
        elif moved.target in (LinkState.READY, LinkState.LENT):
            detail = ""
        self._set(moved.target, detail)
        if moved.trigger in ("motor still", "stop not confirmed, open again"):
            self._audit.stop_over(self.link.motor)
        if moved.target is LinkState.READY:
            self._audit.identified(self.link.identification.identity)
            if self._borrower is not None:
                self.link.lend(moved.t)
        elif moved.target is LinkState.LENT and self._borrower is not None:
            if self._lent:
                self._borrower.link_back(self.name)
            self._lent = True
        self._moved.set()

    def _set(self, state: LinkState, detail: str) -> None:
        if self.standing.change(state, detail):
            log.info("instrument", name=self.name, state=state.value, detail=detail)
            self._show()
            self._changed()

    def _show(self) -> None:
        self.standing.show(self.link)

    def _now(self) -> int:
        return self._clock.mono_ns()

    # ---- runs

    async def lend(self, borrower: Borrower, exchange: Exchange) -> None:
        """Lend the link to a run, which reads it with its own `exchange`, as soon as no request is unanswered.

        Raises:
            LinkError: the instrument is not ready.
        """
        link = self.link
        while self._is(LinkState.IDENTIFYING):  # after a silence the instrument is identified again
            await self._next_move()
        if not self._is(LinkState.READY):
            raise LinkError(f"{self.name} is not ready: {link.state.value} {self.standing.detail}".rstrip())
        self._borrower, self._lent = borrower, False
        self._guarded(lambda: link.lend(self._now()))
        while self._is(LinkState.LENDING):
            await self._next_move()
        if not self._is(LinkState.LENT):
            self._borrower = None
            raise LinkError(f"{self.name} was lost: {self.standing.detail or 'its line did not become free'}")
        self.counts.follow(exchange)

    def _is(self, state: LinkState) -> bool:
        return self.link.state is state

    async def _next_move(self) -> None:
        self._moved.clear()
        await self._moved.wait()

    def take_back(self, motor: Motor, at_rest: TorqueAtRest | None = None) -> None:
        """Take the link back from a run; `motor` is the motor's state, `at_rest` the torque to expect (None: any)."""
        self._borrower = None
        if motor is not Motor.NOT_MOVED:
            self._motor_of_run = motor
        link = self.link
        self.counts.follow(link.exchange)
        if link.state is LinkState.LENT:
            self._guarded(lambda: link.returned(self._now(), motor, at_rest))
        elif motor is Motor.IN_DOUBT:
            self.want_stop()

    @property
    def stop_confirmed(self) -> bool:
        """True if the instrument can stop its motor, and the last stop was confirmed."""
        return "halt" in self.driver.capabilities and self.link.motor is Motor.STILL

    @property
    def motor(self) -> Motor:
        """State of the motor between runs: as the link found it, otherwise as the last run left it."""
        return self._motor_of_run if self.link.motor is Motor.NOT_MOVED else self.link.motor

    def succeed(self, before: "Session") -> None:
        """Take over the state of the motor from the session that this one replaces."""
        self._motor_of_run = before.motor
        if before.link.motor is Motor.IN_DOUBT:
            # Kept for a driver without a stop too: no run starts until a person has seen to the motor.
            self.link.motor = Motor.IN_DOUBT
            self._show()
            self.want_stop()

    def want_stop(self) -> None:
        """Stop a motor of unknown state as soon as the instrument answers.  A stop needs no permission."""
        link = self.link
        if "halt" not in self.driver.capabilities:
            return
        link.motor = Motor.IN_DOUBT
        self._show()
        if link.state in (LinkState.READY, LinkState.IDENTIFYING):
            self._guarded(lambda: link.stop_motor(self._now()))
        elif link.state is LinkState.LENDING:
            self._close_and_lose("the motor may still be turning")
