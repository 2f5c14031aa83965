"""One run, live: events into the journal and the pipeline, effects out to ports, store and screens.

The order is fixed: an event is journaled, then stepped, then its effects are carried out.
Blocks of the journal are committed at least every second; that is the loss window.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.clock import STEP_NS, Clock
from daq.adapters.store import Store
from daq.adapters.store_rows import Committed
from daq.adapters.store_transactions import AppendBlock, Conclude, EndRun
from daq.app.session import Session
from daq.core.driver import Driver
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted, Send, StepEnded
from daq.core.errors import DaqError, LinkError, StoreError
from daq.core.events import ClockAnchor, Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER
from daq.core.journal import Block, JournalWriter
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan
from daq.core.run import State

log = structlog.get_logger()

FLUSH_S: Final = 0.5
"""Real seconds between commits of the journal; with the writer's own time this keeps within the stated second."""
WRITER_LATE_S: Final = 10.0
"""Real seconds without any commit after which the store counts as failed."""

#: Given the facts, the last block and the time: the transaction that commits the result.
MakeConclude = Callable[[Facts, Block | None], Conclude]


@dataclass(slots=True)
class RunOutcome:
    """What became of a run."""

    run_id: str
    outcome: str
    reason: str
    motor: str
    committed: Committed | None
    fault: str = ""
    """Why the result is not in the store, where it is not."""


class Runner:
    """Carries one run from `begin` to its end."""

    def __init__(
        self,
        run_id: str,
        plan: Plan,
        drivers: Mapping[str, Driver],
        sessions: Mapping[str, Session],
        store: Store,
        clock: Clock,
        header: dict[str, Any],
        make_conclude: MakeConclude,
        *,
        operator: str,
        changed: Callable[[], None] = lambda: None,
    ) -> None:
        self.run_id = run_id
        self.pipeline = Pipeline(plan, drivers)
        self.motor = "not moved"
        self.notes: list[Noted] = []
        self.kept: list[Kept] = []
        self.events = 0
        self._sessions = dict(sessions)
        self._store, self._clock = store, clock
        self._journal = JournalWriter([link.name for link in plan.links])
        self._header = header
        self._make_conclude = make_conclude
        self._operator = operator
        self._changed = changed
        self._queue: deque[Event] = deque()
        self._busy = False
        self._timer: asyncio.TimerHandle | None = None
        self._anchor = (0, 0)
        self._facts: Facts | None = None
        self._conclusion: Future[Committed] | None = None
        self._blocks: list[Future[None]] = []
        self._fault = ""
        self._ended = asyncio.Event()

    # ---- a whole run

    async def run(self) -> RunOutcome:
        """Borrow the links, run to the end, give them back.

        Cancelling stops the run first: the motor is halted and the outcome is ``stopped``.

        Raises:
            LinkError: an instrument of the run was not ready; nothing was started.
        """
        borrowed: list[Session] = []
        try:
            for session in self._sessions.values():
                await session.lend(self)
                borrowed.append(session)
        except LinkError:
            for session in borrowed:
                session.take_back("not moved")
            raise
        flusher: asyncio.Task[None] | None = None
        try:
            self._begin()
            flusher = asyncio.create_task(self._flush_regularly())
            await self._until_ended()
        finally:
            if flusher is not None:
                flusher.cancel()
            if self._timer is not None:
                self._timer.cancel()
            for session in borrowed:
                session.take_back(self.motor if session.name == self.pipeline.lead else "not moved")
        return await self._finish()

    async def _until_ended(self) -> None:
        try:
            await self._ended.wait()
        except asyncio.CancelledError:
            self.stop("the daemon is shutting down")
            with contextlib.suppress(asyncio.CancelledError):
                await self._ended.wait()

    def _begin(self) -> None:
        now = self._clock.mono_ns()
        self._journal.header(self._header, now)
        self._feed(ClockAnchor(now, self._clock.utc_ns(), self._clock.boot_id))
        self._anchor = (now, self._clock.utc_ns())
        for name in self._sessions:
            self._feed(LinkUp(now, name))
        self._feed(OperatorCommand(now, "begin", self._operator))

    def stop(self, who: str) -> None:
        """A person (or the daemon's end) stops the run."""
        self._feed(OperatorCommand(self._clock.mono_ns(), "stop", who))

    async def _finish(self) -> RunOutcome:
        facts = self._facts
        outcome, reason = (facts.outcome, facts.reason) if facts else ("failed", "the run did not begin")
        committed: Committed | None = None
        try:
            if self._conclusion is not None:
                committed = await asyncio.wrap_future(self._conclusion)
            end = EndRun(self.run_id, self.motor, self._clock.utc_ns(), "daemon", self._journal.cut())
            await asyncio.wrap_future(self._store.submit(end))
        except DaqError as error:
            self._fault = self._fault or str(error)
            log.error("run not stored", run=self.run_id, reason=str(error))
        return RunOutcome(self.run_id, outcome, reason, self.motor, committed, self._fault)

    # ---- what comes in

    def received(self, link: str, data: bytes) -> None:
        """Bytes from a borrowed link, stamped here."""
        self._feed(Received(self._clock.mono_ns(), link, data))

    def link_lost(self, link: str, reason: str) -> None:
        """A borrowed link is gone."""
        self._feed(LinkDown(self._clock.mono_ns(), link, reason))

    def link_back(self, link: str) -> None:
        """A borrowed link is back."""
        self._feed(LinkUp(self._clock.mono_ns(), link))

    def store_failed(self, reason: str) -> None:
        """The store cannot take blocks any more."""
        if not self._fault:
            self._fault = reason
            self._feed(StoreFault(self._clock.mono_ns(), reason))

    def _tick(self) -> None:
        self._timer = None
        now = self._clock.mono_ns()
        if now >= self.pipeline.wake_at:
            self._feed(Tick(now))
        else:
            self._wake()

    def _feed(self, event: Event) -> None:
        """Take an event in; effects may bring further events, which wait their turn."""
        self._queue.append(event)
        if self._busy:
            return
        self._busy = True
        try:
            while self._queue:
                current = self._queue.popleft()
                self.events += 1
                self._journal.event(current)
                for effect in self.pipeline.step((current,)):
                    self._journal.effect(effect, current.t)
                    self._carry_out(effect)
        finally:
            self._busy = False
        self._wake()

    def _wake(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due = self.pipeline.wake_at
        if due < NEVER and not self._ended.is_set():
            self._timer = self._clock.call_at(due, self._tick)

    # ---- what goes out

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Send):
            self._write(effect)
        elif isinstance(effect, Kept):
            self.kept.append(effect)
        elif isinstance(effect, Noted):
            self.notes.append(effect)
            log.info("run", run=self.run_id, note=effect.code, text=effect.text)
        elif isinstance(effect, Moved):
            log.info("run", run=self.run_id, state=effect.target, because=effect.trigger, detail=effect.detail)
        elif isinstance(effect, Concluded):
            self._conclude(effect.facts)
        elif isinstance(effect, Ended):
            self.motor = effect.motor
            self._ended.set()
        elif isinstance(effect, StepEnded):
            pass  # shown through the facts
        if not isinstance(effect, Send):
            self._changed()

    def _write(self, effect: Send) -> None:
        try:
            self._sessions[effect.link].send(effect.data)
        except LinkError as error:
            self._queue.append(LinkDown(self._clock.mono_ns(), effect.link, str(error)))
        else:
            self._queue.append(Sent(self._clock.mono_ns(), effect.link, effect.data))

    def _conclude(self, facts: Facts) -> None:
        self._facts = facts
        # The result goes with everything journaled so far in one transaction.
        self._conclusion = self._store.submit(self._make_conclude(facts, self._journal.cut()))

    async def _flush_regularly(self) -> None:
        late = 0.0
        while True:
            await asyncio.sleep(FLUSH_S)
            self._check_clock()
            self._blocks = [b for b in self._blocks if not self._settled(b)]
            late = late + FLUSH_S if self._blocks else 0.0
            if late > WRITER_LATE_S:
                self.store_failed(f"nothing could be written for {WRITER_LATE_S:g} s")
            if self._fault or self.pipeline.state in (State.STOPPING, State.ENDED):
                continue  # what follows is committed with the end of the run
            block = self._journal.cut()
            if block is not None:
                self._blocks.append(self._store.submit(AppendBlock(self.run_id, block)))

    def _settled(self, future: "Future[None]") -> bool:
        if not future.done():
            return False
        error = future.exception()
        if isinstance(error, StoreError):
            self.store_failed(str(error))
        elif error is not None:
            self.store_failed(f"the store failed: {error}")
        return True

    def _check_clock(self) -> None:
        mono, utc = self._clock.mono_ns(), self._clock.utc_ns()
        drift = (utc - self._anchor[1]) - (mono - self._anchor[0])
        if abs(drift) > STEP_NS:
            self._anchor = (mono, utc)
            log.warning("clock step", run=self.run_id, seconds=round(drift * 1e-9, 3))
            self._feed(ClockAnchor(mono, utc, self._clock.boot_id))
