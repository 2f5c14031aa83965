"""Carries out one run: events go into the journal and the pipeline, effects go to ports, store and screens.

The order is fixed: an event is journaled, then the pipeline steps it, then its effects are carried out.
Every run that has started ends with exactly one result and one recorded state of its motor.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.rows import Committed
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock, Conclude, EndRun
from daq.app.run.blocks import BlockStream
from daq.app.run.clock_watch import ClockWatch
from daq.app.run.results import Compute, computed_apart, reason_text
from daq.app.run.session import Session
from daq.app.screens.run_view import written_note
from daq.app.setup.orders import Prepared
from daq.core.effects import Concluded, Effect, Ended, Facts, Kept, Moved, Noted, Send, StepEnded
from daq.core.errors import DaqError, LinkError
from daq.core.events import Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER
from daq.core.journal import JournalWriter
from daq.core.linkstates import Motor
from daq.core.pipeline import Pipeline
from daq.core.remarks import Remark, remark
from daq.core.run import OUTCOMES, State
from daq.methods.concluding.conclusion import Conclusion

log = structlog.get_logger()

FLUSH_S: Final = 0.5
"""Real time in seconds between commits of the journal.

With the time that the writer needs, the loss after a kill stays within the stated second."""
TIMER_SLACK_NS: Final = 1_000_000
"""Delay of a tick for which no new timer is set; the pipeline does due work as of the time at which it was due."""
SHARED_NS: Final = 5_000_000
"""Timers of all runs are rounded up to multiples of this, so that one wake-up of the machine serves many runs."""
FAR_NS: Final = 20_000_000
"""Only timers further ahead than this are rounded; shorter ones, such as pauses between frames, stay exact."""
WRITER_LATE_S: Final = 10.0
"""Real time in seconds without any commit after which the store counts as failed."""

#: Returns the transaction that commits the result, without its journal block; None: the conclusion is computed too.
MakeConclude = Callable[[Facts, Conclusion | None], Conclude]


@dataclass(slots=True)
class RunOutcome:
    """Outcome of an ended run."""

    run_id: str
    outcome: str
    reason: str
    motor: Motor
    committed: Committed | None
    fault: str = ""
    """Why the result is not in the store; "" if it is."""


class Runner:
    """Carries out one run from its start to its end."""

    def __init__(
        self,
        prepared: Prepared,
        sessions: Mapping[str, Session],
        store: Store,
        clock: Clock,
        make_conclude: MakeConclude,
        *,
        began_mono_ns: int | None = None,
        compute: Compute | None = None,
        changed: Callable[[], None] = lambda: None,
        hook: Callable[[str], None] | None = None,
    ) -> None:
        """Make a runner.

        Args:
            prepared: the run.
            sessions: the sessions of its instruments.
            store: stores journal and result.
            clock: gives all times.
            make_conclude: returns the transaction of the result.
            began_mono_ns: monotonic time (ns) of the record's start; None: now.
            compute: computes the conclusion in another process; None: it is computed in the loop.
            changed: called at every change that a screen shows.
            hook: called with a name before and after each effect, for tests of crashes.
        """
        self.run_id = prepared.record.id
        self.pipeline = Pipeline(prepared.plan, prepared.drivers)
        self.motor = Motor.NOT_MOVED
        self.notes: list[Noted] = []
        self.kept: list[Kept] = []
        self.events = 0
        self._sessions = dict(sessions)
        self._sharing = [name for name, driver in prepared.drivers.items() if driver.shares_line]
        self._store, self._clock = store, clock
        self._journal = JournalWriter([link.name for link in prepared.plan.links])
        self._blocks = BlockStream(store, self._journal)
        self._header = prepared.header
        self._make_conclude, self._compute = make_conclude, compute
        self._concluding: asyncio.Task[None] | None = None
        self._operator = prepared.record.operator
        self._changed, self._hook = changed, hook
        self._queue: deque[Event] = deque()
        self._busy = False
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at = 0
        began = (clock.mono_ns() if began_mono_ns is None else began_mono_ns, prepared.record.began_utc_ns)
        self._clock_watch = ClockWatch(self.run_id, clock, began, self._feed)
        self._clock_evidence: dict[str, Any] | None = None
        self._ended_mono_ns = 0
        self._facts: Facts | None = None
        self._stop_asked = ""
        self._begun = False
        self._gone: set[str] = set()
        """Links that were lost while another one was being borrowed."""
        self._early: list[tuple[str, bytes]] = []
        """Bytes that one link received while the next one was being borrowed.

        They are journaled after the start, because a journal begins with its header."""
        self._store_fault = False
        self._broken = False
        self._ended = asyncio.Event()

    # ---- a whole run

    async def run(self) -> RunOutcome:
        """Borrow the links, run to the end, return the links, and store the result.  `stop` ends it early."""
        borrowed: list[Session] = []
        flusher: asyncio.Task[None] | None = None
        try:
            for session in self._sessions.values():
                await session.lend(self, self.pipeline.links[session.name].exchange)
                borrowed.append(session)
            self._begin()
            flusher = asyncio.create_task(self._flush_regularly())
            flusher.add_done_callback(self._flusher_ended)
            await self._ended.wait()
        except LinkError as error:
            self._facts = self._facts_of("link lost", remark("instrument_not_reached", detail=str(error)))
        finally:
            if flusher is not None:
                flusher.cancel()
            if self._timer is not None:
                self._timer.cancel()
            for session in borrowed:
                if session.name == self.pipeline.lead:
                    session.take_back(self.motor, self.pipeline.life.lead_motor.torque_at_rest)
                else:
                    session.take_back(Motor.NOT_MOVED)
        return await self._finish()

    def _begin(self) -> None:
        now = self._clock.mono_ns()
        self._journal.header(self._header, now)
        self._clock_watch.begin(now)
        now = self._clock.mono_ns()
        for name in self._sessions:
            if name not in self._gone:
                self._feed(LinkUp(now, name))
        self._feed(OperatorCommand(now, "begin", self._operator))
        self._begun = True
        for link, data in self._early:
            self._feed(Received(now, link, data))
        if self._stop_asked:
            self.stop(self._stop_asked)

    def stop(self, who: str) -> None:
        """Stop the run on behalf of `who`; if it has not started yet, as soon as it has."""
        if self._begun:
            self._feed(OperatorCommand(self._clock.mono_ns(), "stop", who))
        else:
            self._stop_asked = who

    async def _finish(self) -> RunOutcome:
        self._ended_mono_ns = self._clock.mono_ns()
        self._clock_evidence = self._clock_watch.evidence()
        fault = ""
        committed: Committed | None = None
        try:
            committed = await self.settle()
        except DaqError as error:
            fault = str(error)
            log.error("run not stored", run=self.run_id, reason=fault)
        except Exception as error:
            log.exception("run not stored", run=self.run_id)
            fault = f"fault of the software: {type(error).__name__}: {error}"
        facts = self._facts_known()
        return RunOutcome(self.run_id, facts.outcome, reason_text(facts), self.motor, committed, fault)

    async def settle(self) -> Committed:
        """Wait until result, state of the motor and journal are on the disk.  It can be called again after a failure.

        Raises:
            StoreError: they cannot be stored now; they are kept in memory.
        """
        if self._concluding is not None:
            self._append(last=True)  # the journal does not wait for the conclusion
            await asyncio.shield(self._concluding)
        committed = await self._blocks.result(lambda: self._make_conclude(self._facts_known(), None))
        ended, clock = self._clock_watch.utc_of(self._ended_mono_ns), self._clock_evidence
        await self._blocks.end(lambda block: EndRun(self.run_id, self.motor, ended, "daemon", block, clock))
        return committed

    def _facts_known(self) -> Facts:
        if self._facts is None:
            self._facts = self._facts_of("fault", remark("run_not_ended"))
        return self._facts

    def _facts_of(self, trigger: str, reason: Remark) -> Facts:
        facts = self.pipeline.facts()
        facts.outcome, facts.reason = OUTCOMES[trigger], reason
        return facts

    # ---- what comes in

    def received(self, link: str, data: bytes) -> None:
        """Take bytes from a borrowed link; they get their time here."""
        if not self._begun:
            self._early.append((link, data))
            return
        now = self._clock.mono_ns()
        self._clock_watch.check_at(now)
        self._feed(Received(self._clock.mono_ns(), link, data))

    def link_lost(self, link: str, reason: str) -> None:
        """Take the loss of a borrowed link."""
        if not self._begun:
            self._gone.add(link)
            return
        self._feed(LinkDown(self._clock.mono_ns(), link, reason))

    def link_back(self, link: str) -> None:
        """Take the return of a borrowed link."""
        self._gone.discard(link)
        if self._begun:
            self._feed(LinkUp(self._clock.mono_ns(), link))

    def store_failed(self, reason: str) -> None:
        """Report to the run, once, that the store takes no more blocks."""
        if not self._store_fault:
            self._store_fault = True
            self._feed(StoreFault(self._clock.mono_ns(), reason))

    def _tick(self) -> None:
        self._timer = None
        now = self._clock.mono_ns()
        if now >= self.pipeline.wake_at:
            self._feed(Tick(now))
        else:
            self._wake()

    def _feed(self, event: Event) -> None:
        """Process an event.  Events that arise while its effects are carried out are queued behind it."""
        self._queue.append(event)
        if self._busy or self._broken:
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
        except Exception as error:
            # After a fault of the software, for example of a driver, the state cannot be trusted: the run ends.
            log.exception("run broken", run=self.run_id)
            self._break(remark("software_fault", detail=f"{type(error).__name__}: {error}"))
        finally:
            self._busy = False
        for name in self._sharing:
            if not self.pipeline.links[name].exchange.awaiting:
                self._sessions[name].free()
        self._wake()

    def _break(self, reason: Remark) -> None:
        self._broken = True
        if self._facts is None:
            self._facts = self._facts_of("fault", reason)
        if not self._ended.is_set():
            self.motor = Motor.IN_DOUBT if self.pipeline.life.moved else Motor.NOT_MOVED
            self._ended.set()

    def _wake(self) -> None:
        """Set the timer so that `_tick` is called when something is due.

        A timer that is set for an earlier time is kept: when it fires, `_tick` sets the next one.  No timer is set
        further ahead than the next poll, so that a request, its time-out and its answer need only one.
        """
        due = NEVER if self._ended.is_set() else self.pipeline.wake_at
        if self._timer is not None:
            if self._timer_at <= due + TIMER_SLACK_NS and due < NEVER:
                return
            self._timer.cancel()
            self._timer = None
        if due < NEVER:
            now = self._clock.mono_ns()
            for link in self.pipeline.links.values():
                if now < link.exchange.next_poll < due:
                    due = link.exchange.next_poll
            self._timer_at = due
            at = due if due - now < FAR_NS else -(-due // SHARED_NS) * SHARED_NS
            self._timer = self._clock.call_at(at, self._tick)

    # ---- what goes out

    def _carry_out(self, effect: Effect) -> None:
        self._point(effect, "next")
        if isinstance(effect, Send):
            self._write(effect)
        elif isinstance(effect, Kept):
            self.kept.append(effect)
        elif isinstance(effect, Noted):
            self.notes.append(effect)
            log.info("run", run=self.run_id, note=effect.code, text=written_note(effect).text)
        elif isinstance(effect, Moved):
            if effect.target == State.STOPPING:
                self._append()  # store the journal before the result that is computed from it
            log.info("run", run=self.run_id, state=effect.target, because=effect.trigger, detail=effect.detail)
        elif isinstance(effect, Concluded):
            self._conclude(effect.facts)
        elif isinstance(effect, Ended):
            self.motor = effect.motor
            self._ended.set()
        elif isinstance(effect, StepEnded):
            pass  # screens show it from the facts
        self._point(effect, "done")
        if not isinstance(effect, Send):
            self._changed()

    def _point(self, effect: Effect, when: str) -> None:
        if self._hook is not None:
            self._hook(f"{type(effect).__name__}.{when}")

    def _write(self, effect: Send) -> None:
        try:
            self._sessions[effect.link].send(effect.data, lambda: self._sent(effect))
        except LinkError as error:
            self._feed(LinkDown(self._clock.mono_ns(), effect.link, str(error)))

    def _sent(self, effect: Send) -> None:
        """Journal that the bytes of `effect` go out now; mostly during the call that hands them over."""
        if not self._ended.is_set():
            self._feed(Sent(self._clock.mono_ns(), effect.link, effect.data))

    def _conclude(self, facts: Facts) -> None:
        self._facts = facts
        if self._compute is None:
            self._commit(facts, None)
        else:
            self._append(last=True)  # a recovery computes the same from it where the conclusion never comes
            self._concluding = asyncio.create_task(self._conclude_apart(self._compute, facts))

    async def _conclude_apart(self, compute: Compute, facts: Facts) -> None:
        self._commit(facts, await computed_apart(compute, facts, self.run_id))

    def _commit(self, facts: Facts, conclusion: Conclusion | None) -> None:
        try:
            # One transaction holds the result and everything journaled so far.
            self._blocks.conclude(lambda: self._make_conclude(facts, conclusion))
        except Exception as error:
            # The stop of the motor continues; the result is computed again after the end of the run.
            log.exception("result not computed", run=self.run_id)
            detail = f"{type(error).__name__}: {error}"
            self.notes.append(Noted(self._clock.mono_ns(), "not_concluded", {"detail": detail}))

    async def _flush_regularly(self) -> None:
        late = 0.0
        while True:
            # All runs flush at the same instants, so that their blocks share one commit.
            await asyncio.sleep(FLUSH_S - asyncio.get_running_loop().time() % FLUSH_S)
            self._clock_watch.check()
            if trouble := self._blocks.trouble():
                self.store_failed(trouble)
            late = late + FLUSH_S if self._blocks.on_their_way else 0.0
            if late > WRITER_LATE_S:
                self.store_failed(f"nothing could be written for {WRITER_LATE_S:g} s")
            self._append()

    def _append(self, *, last: bool = False) -> None:
        """Store what was journaled.  After a fault of the store, or after the end, `settle` does it."""
        if not self._store_fault and (last or self.pipeline.state is not State.ENDED):
            self._blocks.append(lambda block: AppendBlock(self.run_id, block))

    def _flusher_ended(self, task: "asyncio.Task[None]") -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None:
            log.error("journal no longer written", run=self.run_id, exc_info=error)
            self.store_failed(f"fault of the software: {type(error).__name__}: {error}")
