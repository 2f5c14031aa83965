"""Supervisor of all tasks: one session per instrument, the store, the publisher, and the runs.

A failure in one instrument's session does not affect another.  One process owns the state directory.  Lock, database
and ports are released in the reverse order in which they were taken.
"""

import asyncio
import platform
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import structlog

import daq
from daq.adapters.clock import Clock
from daq.adapters.paths import StateLock, database_path
from daq.adapters.ports.transport import Connection, OnData, OnLost
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit, BeginRun, Ping, SeeInstrument
from daq.app.daemon.benchfacts import BenchFacts
from daq.app.daemon.continuity import continue_numbers
from daq.app.daemon.evidence import Evidence
from daq.app.daemon.post_run import PostRunTasks
from daq.app.daemon.unfinished import UnfinishedRuns
from daq.app.delivery.live_values import LiveValues
from daq.app.delivery.publishing import Publishing
from daq.app.laboratory.ordering import completed
from daq.app.records.replaying import maker as driver_maker
from daq.app.records.verifications import instrument_history
from daq.app.run.active import Active
from daq.app.run.fills import check_fill
from daq.app.run.recovery import Recovery
from daq.app.run.results import ResultMaker
from daq.app.run.runner import Runner, RunOutcome
from daq.app.run.session import Session
from daq.app.run.view import run_view
from daq.app.screens.run_view import RunView
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.details import place_of
from daq.app.setup.lines import RealPorts
from daq.app.setup.orders import RunOrder, names_of, prepare
from daq.core.driver import Driver, Identity
from daq.core.errors import DaqError, LinkError, SettingError, StoreError
from daq.core.linkstates import LinkState, Motor
from daq.core.plan import Plan
from daq.methods.concluding.intervals import load
from daq.methods.files.instrument import Instrument
from daq.methods.planning.compile import InstrumentHistory
from daq.process.logins import own_login
from daq.process.tasks import Tasks

if TYPE_CHECKING:
    from daq.app.delivery.sparkplug import Sparkplug

log = structlog.get_logger()

COMING: Final = (LinkState.OPENING, LinkState.IDENTIFYING, LinkState.HALTING)
"""States of a session that can be followed by the state ready."""
READY_WAIT_S: Final = 20.0
"""Longest time in seconds that a new run waits for its instruments to be ready."""
SHUTDOWN: Final = "the daemon is shutting down"

#: Returns the function that opens an instrument's port.  Tests and the demonstration replace it.
OpenerFor = Callable[[Instrument, Driver], Callable[[OnData, OnLost], Awaitable[Connection]]]


class Supervisor:
    """Owns a state directory and serves the instruments of a catalogue."""

    def __init__(
        self,
        catalogue: Catalogue,
        state: Path,
        clock: Clock,
        *,
        only: tuple[str, ...] = (),
        ports: OpenerFor | None = None,
        publishing: Publishing | None = None,
        sparkplug: "Sparkplug | None" = None,
        crash_hook: Callable[[str], None] | None = None,
    ) -> None:
        """Take the configuration; nothing is opened yet.

        Args:
            catalogue: the configuration.
            state: the state directory.
            clock: the time of everything below.
            only: names of the instruments to serve; empty: all that are enabled.
            ports: opens the ports of instruments; None: the real ones.
            publishing: the connection to a broker; None: no broker.
            sparkplug: the Sparkplug edge node; None: no edge node.
            crash_hook: called with a name at points where tests end the process.
        """
        self.catalogue = catalogue
        self.state = state
        self.clock = clock
        self.sessions: dict[str, Session] = {}
        self.runs: dict[str, Active] = {}
        self.outcomes: Counter[str] = Counter()
        """Runs that ended since the start, by outcome."""
        self._beginning: set[str] = set()
        self.publishing = publishing
        self.sparkplug = sparkplug
        self.store: Store
        self.evidence: Evidence
        self._only = only
        self._ports = ports or RealPorts()
        self._crash_hook = crash_hook
        self._lock: StateLock | None = None
        self.tasks = Tasks()
        self.unfinished = UnfinishedRuns()
        self.facts: BenchFacts
        self._post_run: PostRunTasks
        self._closing = False
        self._ingest_beats = 0
        self._session_beats: dict[str, int] = {}

    # ---- life

    async def start(self) -> None:
        """Take the state directory, open the store, end interrupted runs, and connect.

        Raises:
            DaqError: another process owns the directory, or the database cannot be used.
        """
        self._lock = StateLock(self.state)
        self._lock.acquire()
        try:
            self.store = Store(database_path(self.state), crash_hook=self._crash_hook, on_fault=self._store_fault)
            self.evidence = Evidence(self.store.path)
            await self.evidence.check_newest()
            continue_numbers(self.store, self.clock.utc_ns())
            self._audit("daemon_started", "daemon", {"version": daq.__version__, "python": platform.python_version()})
            self._make_sessions()
            recovery = Recovery(self.store, driver_maker(self.catalogue.drivers), self.clock, self._maker)
            for instrument in recovery.all():
                if instrument in self.sessions:
                    self.sessions[instrument].want_stop()
        except BaseException:
            if hasattr(self, "store"):
                self.store.close()
            self._lock.release()
            raise
        topics = self.publishing.topics if self.publishing is not None else None
        make = driver_maker(self.catalogue.drivers)
        self._post_run = PostRunTasks(self.store, self.catalogue, make, self.clock, topics, self._wake)
        self._post_run.make_up(self.sessions)
        for record, error in recovery.failed:
            self.unfinished.add(record.id, record.instrument, error, partial(self._recover_again, recovery, record))
        self.tasks.start(self.unfinished.keep_trying(), "unfinished runs")
        self.facts = BenchFacts(self.store, self.sessions, self.runs, self.unfinished)
        if self.publishing is not None:
            self.tasks.watch(self.publishing.start(self.store, self.clock, self.facts.facts), ends=True)
            if self.publishing.live_every_ns is not None:
                place = place_of(self.publishing.topics)
                live = LiveValues(self, self.publishing.publish_live, self.publishing.live_every_ns, place)
                self.tasks.start(live.run(), "live values")
        if self.sparkplug is not None:
            self.tasks.watch(self.sparkplug.start(self), ends=True)
        for session in self.sessions.values():
            self.tasks.start(self._keep(session), f"session {session.name}")
        self.tasks.start(self.evidence.check_all(), "check of the stored data", ends=True)

    async def end_runs(self) -> None:
        """Stop every run; wait until the state of its motor is known and its result is stored.  No new run starts."""
        self._closing = True
        while self.runs or self._beginning:
            for active in self.runs.values():
                active.runner.stop(SHUTDOWN)
            if self.runs:
                await asyncio.wait([a.task for a in self.runs.values()])
            else:
                await asyncio.sleep(0.02)

    async def close(self) -> None:
        """End runs (and stop their motors), publish what can be published, and release everything."""
        await self.end_runs()
        await self._post_run.tasks.finish()
        if self.sparkplug is not None:
            await self.sparkplug.stop()  # before the sessions end, so that its last results can still be sent
        await self.tasks.stop()
        self._audit("daemon_stopped", "daemon", {})
        if self.publishing is not None:
            await self.publishing.stop()
        await asyncio.to_thread(self.store.close)
        if self._lock is not None:
            self._lock.release()

    def _make_sessions(self) -> None:
        for name in self._only or tuple(self.catalogue.enabled):
            instrument = self.catalogue.instrument(name)
            driver = self.catalogue.make_driver(instrument)
            self.sessions[name] = Session(
                name,
                driver,
                self._ports(instrument, driver),
                self.clock,
                expected_serial=instrument.expect_serial or "",
                audit=self._audit,
            )

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

    def _audit(self, what: str, subject: str, detail: Mapping[str, Any]) -> None:
        self.store.submit(Audit(self.clock.utc_ns(), "daemon", what, subject, dict(detail)))

    def _store_fault(self, trouble: StoreError) -> None:
        log.error("store", trouble=str(trouble))

    # ---- runs

    async def begin(self, order: RunOrder, login: str = "") -> Active:
        """Check an order of `login` ("": the login of this process), store the start of the run, and start it.

        Raises:
            SettingError: the order cannot be run: unknown names, method and instrument do not fit, motion not enabled.
            NotComparableError: the result could not be comparable with the product's limits.
            LinkError: an instrument is not connected or busy.
            StoreError: the store takes no new run.
        """
        order = await asyncio.to_thread(self._completed, order)
        name = order.instrument
        if name in self.runs:
            raise LinkError(f"{name} is in a run already (sample {self.runs[name].record.sample})")
        if name in self._beginning:
            raise LinkError(f"another run is being started on {name}")
        self._beginning.add(name)
        try:
            return await self._begin(order, login or own_login())
        finally:
            self._beginning.discard(name)

    async def _begin(self, order: RunOrder, login: str) -> Active:
        names = names_of(order, self.catalogue)
        for name in names:
            await self._ready(name)
        await self.unfinished.before_run(order.instrument)
        if self.sessions[order.instrument].standing.motor:
            raise LinkError(f"{order.instrument}: the motor may still be turning; see to it first")
        identities = {name: self.sessions[name].standing.identity for name in names}
        # Import numpy before the motor turns: an import at the end of the run would delay the check of its stop.
        await asyncio.to_thread(load)
        history = await asyncio.to_thread(self._history, order, identities[order.instrument])
        began_mono_ns, began_utc_ns = self.clock.mono_ns(), self.clock.utc_ns()
        run = prepare(
            order,
            self.catalogue,
            identities,
            {name: self.sessions[name].driver.state() for name in names},
            history,
            began_utc_ns,
            login,
        )
        await self.store.commit(run.register)
        self._refuse_while_closing()
        await self.store.commit(BeginRun(run.record, login, tuple(r.text for r in run.anyway)))
        maker = self._maker(run.record, run.plan)
        runner = Runner(
            run,
            {name: self.sessions[name] for name in names},
            self.store,
            self.clock,
            maker.conclude,
            began_mono_ns=began_mono_ns,
            changed=lambda: self._run_changed(order.instrument),
            hook=self._crash_hook,
        )
        task = asyncio.create_task(self._run(order.instrument, runner))
        active = Active(run.record, runner, task, maker, warnings=run.shown())
        self.runs[order.instrument] = active
        return active

    def _completed(self, order: RunOrder) -> RunOrder:
        """Return an order with all that its sample and its product say."""
        with self.store.reader() as reader:
            return completed(order, self.catalogue, reader, tuple(self.sessions))

    def _history(self, order: RunOrder, identity: Identity | None) -> InstrumentHistory:
        """Return the stored history of the instrument of a run that starts now; refuse a fill that was sheared."""
        with self.store.reader() as reader:
            check_fill(reader, order.fill, self.catalogue.method(order.method_id, order.method_version))
            return instrument_history(reader, self.catalogue, order, identity, self.clock.utc_ns())

    async def _ready(self, name: str) -> None:
        self._refuse_unknown(name)
        session = self.sessions[name]
        deadline = self.clock.mono_ns() + round(READY_WAIT_S * 1e9)
        while session.standing.state in COMING and self.clock.mono_ns() < deadline:
            self._refuse_while_closing()
            await self.clock.sleep(0.05)
        standing = session.standing
        for lead, active in self.runs.items():
            if name in active.runner.pipeline.links:
                raise LinkError(
                    f"{name} is in the run on {lead} (sample {active.record.sample}); wait until it has ended"
                )
        if standing.state != "ready":
            raise LinkError(f"{name} is not ready: {standing.state}. {standing.detail}".rstrip(". "))
        if standing.identity is not None:
            seen = SeeInstrument(name, standing.identity.kind, standing.identity.serial, self.clock.utc_ns())
            await self.store.commit(seen)

    def _refuse_unknown(self, name: str) -> None:
        if name not in self.sessions:
            raise SettingError(f"{name} is not served by this daemon; served: {', '.join(self.sessions) or 'none'}")

    def _refuse_while_closing(self) -> None:
        if self._closing:
            raise DaqError(SHUTDOWN)

    async def _run(self, name: str, runner: Runner) -> RunOutcome:
        try:
            outcome = await runner.run()
            self.outcomes[outcome.outcome] += 1
            if not outcome.fault:
                self._start_post_run(name, runner)
            else:
                error = DaqError(outcome.fault)
                self.unfinished.add(runner.run_id, name, error, partial(self._settle_again, name, runner))
            return outcome
        finally:
            active = self.runs.pop(name, None)
            if active is not None:
                for event in active.subscribers:
                    event.set()
            self._wake()

    def _start_post_run(self, name: str, runner: Runner) -> None:
        self._post_run.start(runner.run_id, name, curve=runner.pipeline.plan.context.flow_curve is not None)

    async def _settle_again(self, name: str, runner: Runner) -> None:
        """Store a run that ended in this process.

        A recovery after a restart could not do as well: it knows only the part of the journal that was stored.
        """
        await runner.settle()
        self._start_post_run(name, runner)
        self._wake()

    async def _recover_again(self, recovery: Recovery, record: RunRecord) -> None:
        """End a run that could not be recovered at the start."""
        done = await asyncio.to_thread(recovery.one, record)
        session = self.sessions.get(record.instrument)
        if session is not None and session.stop_confirmed and done.motor is Motor.IN_DOUBT:
            # The stop was confirmed after the start.  The entry lets the next start know.
            self._audit("motor_stopped", record.instrument, {"why": "the stop was confirmed before the run was stored"})
        curve = done.plan.context.flow_curve is not None
        self._post_run.start(record.id, record.instrument, curve=curve)
        self._wake()

    def _wake(self) -> None:
        if self.publishing is not None:
            self.publishing.wake()
        if self.sparkplug is not None:
            self.sparkplug.wake()

    def _maker(self, record: RunRecord, plan: Plan) -> ResultMaker:
        topics = self.publishing.topics if self.publishing is not None else None
        flat = self.publishing is not None and self.publishing.flat
        return ResultMaker(record, plan, self.clock, lambda: self.store.source, topics, with_flat=flat)

    def _run_changed(self, name: str) -> None:
        active = self.runs.get(name)
        if active is not None:
            for event in active.subscribers:
                event.set()

    def view(self, active: Active) -> RunView:
        """Return the present state of a run, for a screen."""
        runner, record = active.runner, active.record
        product = self.catalogue.products.get(record.product)
        caution = product.safety if product is not None else ""
        return run_view(record, runner.pipeline, self.clock.mono_ns(), active.maker.advise, runner.notes, caution)

    def stop_run(self, name: str, who: str) -> bool:
        """Stop the run on an instrument; return whether there was one.

        Raises:
            SettingError: this daemon does not serve the instrument.  The caller must learn that no motor was stopped.
        """
        self._refuse_unknown(name)
        active = self.runs.get(name)
        if active is None:
            return False
        active.runner.stop(who)
        return True

    def probe_progress(self) -> None:
        """Send the store's writer a task and count the progress of ingest, for the watchdog.

        Without a task an idle writer could not be distinguished from one that is stuck.
        """
        self.store.submit(Ping())
        connected = {n: s.progress for n, s in self.sessions.items() if s.standing.state in ("ready", "in_run")}
        moved = [n for n, count in connected.items() if count != self._session_beats.get(n)]
        # Without a connected instrument there is no input, so ingest counts as alive.  One silent instrument is a fault
        # of that instrument; if none of them progresses, ingest itself is stuck.
        if moved or not connected:
            self._ingest_beats += 1
        self._session_beats = connected

    def progress(self) -> dict[str, int]:
        """Return counters that grow while ingest, writer and publisher work, for the watchdog."""
        counters = {"ingest": self._ingest_beats}
        counters["writer"] = self.store.handled
        if self.publishing is not None:
            counters["publisher"] = self.publishing.progress
        return counters
