"""Supervisor of all tasks: the sessions of the instruments, the store, the publisher, and the runs.

A failure in one instrument's session does not affect another.  One process owns the state directory.  Lock, database
and ports are released in the reverse order in which they were taken.
"""

import asyncio
import platform
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

import daq
from daq.adapters.clock import Clock
from daq.adapters.paths import StateLock, database_path
from daq.adapters.store.epochs import ended_regularly
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit, Ping
from daq.app.daemon.benchfacts import BenchFacts
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.computing_process import ComputingProcess, worker_command
from daq.app.daemon.configured import Configured
from daq.app.daemon.continuity import continue_numbers
from daq.app.daemon.evidence import Evidence
from daq.app.daemon.instrument_sessions import InstrumentSessions, OpenerFor
from daq.app.daemon.post_run import PostRunTasks
from daq.app.daemon.reloading import Reloading
from daq.app.daemon.runs_in_progress import RunsInProgress
from daq.app.daemon.shift.benches import Benches
from daq.app.daemon.trials.starting import TrialProcess
from daq.app.daemon.unfinished import UnfinishedRuns
from daq.app.delivery.live_values import LiveValues
from daq.app.delivery.payload_retention import PayloadRetention
from daq.app.delivery.publishing import Publishing
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.signing.suspending import suspending
from daq.app.run.active import Active
from daq.app.run.recovery import Recovery
from daq.app.run.results import ResultMaker
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.details import place_of
from daq.app.setup.lines import RealPorts
from daq.app.setup.run_order import RunOrder
from daq.core.errors import StoreError
from daq.core.linkstates import Motor
from daq.core.plan import Plan
from daq.process.tasks import Tasks

if TYPE_CHECKING:
    from daq.app.delivery.sparkplug import Sparkplug

log = structlog.get_logger()


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
        computes_apart: bool = False,
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
            computes_apart: whether what follows a run is computed in a process of its own, not in threads of this one.
        """
        self.configured = Configured(catalogue, only)
        self.state = state
        self.trials = TrialProcess(state, lambda: self.catalogue)
        self.clock = clock
        real = RealPorts()
        self._instruments = InstrumentSessions(self.configured, ports or real, clock, self._audit, real.forget)
        self.sessions = self._instruments.by_name
        self.publishing = publishing
        self.sparkplug = sparkplug
        self.store: Store
        self.evidence: Evidence
        self._crash_hook = crash_hook
        self._computes_apart = computes_apart
        self.computations: Computations
        self._lock: StateLock | None = None
        self.tasks = Tasks()
        self.unfinished = UnfinishedRuns()
        self.facts: BenchFacts
        self.in_progress: RunsInProgress
        self.reloading: Reloading
        self.runs: dict[str, Active]
        self.benches: Benches
        self._post_run: PostRunTasks

    @property
    def catalogue(self) -> Catalogue:
        """The configuration."""
        return self.configured.catalogue

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
            with self.store.reader() as reader:
                unclean = not ended_regularly(reader)
                # They are read before the recovery ends them: their fills are at the benches, whatever it finds.
                unfinished = {run.instrument: run.sample for run in reader.unfinished_runs()}
            self._audit("daemon_started", "daemon", {"version": daq.__version__, "python": platform.python_version()})
            self._instruments.make()
            recovery = Recovery(self.store, self.configured.replay_driver, self.clock, self._maker)
            self._instruments.want_stop(recovery.all())
        except BaseException:
            if hasattr(self, "store"):
                self.store.close()
            self._lock.release()
            raise
        self._start_computations()
        self._prepare_runs()
        try:
            await self.reloading.record_fits()
        except StoreError as trouble:
            # It is tried again before the first run, which is refused where the store still cannot write.
            log.warning("fitted geometries are not recorded", reason=str(trouble))
        await self.benches.start(self.tasks, unclean=unclean, unfinished=unfinished)
        self._post_run.make_up(self.sessions)
        for record, error in recovery.failed:
            self.unfinished.add(record.id, record.instrument, error, partial(self._recover_again, recovery, record))
        self.tasks.start(self.unfinished.keep_trying(), "unfinished runs")
        self._start_delivery()
        self._instruments.start(self.tasks)
        packing = PayloadRetention(self.store, self.clock, lambda: self.catalogue.daemon.retention.payloads)
        self.tasks.start(packing.run(), "payload retention")
        self.tasks.start(self.evidence.check_all(), "check of the stored data", ends=True)

    def _start_computations(self) -> None:
        process = None
        if self._computes_apart:
            process = ComputingProcess(self.store, worker_command(self.store.path, self.store.uuid))
        self.computations = Computations(self.store, self.configured.replay_driver, self.clock, process)

    def _prepare_runs(self) -> None:
        topics = self.publishing.topics if self.publishing is not None else None
        self._post_run = PostRunTasks(
            self.store, lambda: self.configured.catalogue, self.computations, self.clock, topics, self.wake
        )
        self.reloading = Reloading(self.configured, self._instruments, self.store, self.clock, self._busy)
        self.in_progress = RunsInProgress(
            self._instruments,
            self.store,
            self.clock,
            self.unfinished,
            reloading=self.reloading,
            post_run=self._post_run,
            maker=self._maker,
            ended=self.wake,
            hook=self._crash_hook,
        )
        self.runs = self.in_progress.active
        self.benches = Benches(
            self._instruments, self.in_progress, self.store, self.clock, lambda: self.catalogue, topics
        )
        self.facts = BenchFacts(self.store, self.sessions, self.runs, self.unfinished)

    def _busy(self) -> set[str]:
        return self.in_progress.busy()

    def _start_delivery(self) -> None:
        if self.publishing is not None:
            self.tasks.watch(self.publishing.start(self.store, self.clock, self.facts.facts), ends=True)
            if self.publishing.live_every_ns is not None:
                place = place_of(self.publishing.topics)
                live = LiveValues(self, self.publishing.publish_live, self.publishing.live_every_ns, place)
                self.tasks.start(live.run(), "live values")
        if self.sparkplug is not None:
            self.tasks.watch(self.sparkplug.start(self), ends=True)

    async def end_runs(self) -> None:
        """Stop every run; wait until the state of its motor is known and its result is stored.  No new run starts."""
        await self.in_progress.end_all()

    async def close(self) -> None:
        """End runs (and stop their motors), publish what can be published, and release everything."""
        await self.end_runs()
        await asyncio.to_thread(self.trials.close)
        await self.benches.stop()
        await self._post_run.finish()
        if self.sparkplug is not None:
            await self.sparkplug.stop()  # before the sessions end, so that its last results can still be sent
        await self.tasks.stop()
        self._audit("daemon_stopped", "daemon", {})
        if self.publishing is not None:
            await self.publishing.stop()
        await asyncio.to_thread(self.store.close)
        if self._lock is not None:
            self._lock.release()

    def _audit(self, what: str, subject: str, detail: Mapping[str, Any]) -> None:
        self.store.submit(Audit(self.clock.utc_ns(), "daemon", what, subject, dict(detail)))

    def _store_fault(self, trouble: StoreError) -> None:
        log.error("store", trouble=str(trouble))

    def laboratory(self, login: str) -> Laboratory:
        """Return the records of the laboratory for one login."""
        publishing = self.publishing
        return replace(
            self.in_progress.laboratory(login),
            topics=None if publishing is None else publishing.topics,
            with_flat=publishing is not None and publishing.flat,
            flows=self.benches.flows,
            trials=self.trials,
        )

    # ---- runs

    async def begin(self, order: RunOrder, login: str = "") -> Active:
        """Start a run; arguments and errors as in `RunsInProgress.begin`."""
        return await self.in_progress.begin(order, login)

    def stop_run(self, name: str, who: str) -> bool:
        """Stop the run on an instrument; result and errors as in `RunsInProgress.stop`."""
        return self.in_progress.stop(name, who)

    async def _recover_again(self, recovery: Recovery, record: RunRecord) -> None:
        """End a run that could not be recovered at the start."""
        done = await asyncio.to_thread(recovery.one, record)
        session = self.sessions.get(record.instrument)
        if session is not None and session.stop_confirmed and done.motor is Motor.IN_DOUBT:
            # The stop was confirmed after the start.  The entry lets the next start know.
            self._audit("motor_stopped", record.instrument, {"why": "the stop was confirmed before the run was stored"})
        curve = done.plan.context.flow_curve is not None
        self._post_run.start(record.id, record.instrument, curve=curve)
        self.wake()

    def wake(self) -> None:
        """Let publisher and Sparkplug node look for new messages and results."""
        if self.publishing is not None:
            self.publishing.wake()
        if self.sparkplug is not None:
            self.sparkplug.wake()

    def _maker(self, record: RunRecord, plan: Plan) -> ResultMaker:
        topics = self.publishing.topics if self.publishing is not None else None
        flat = self.publishing is not None and self.publishing.flat
        return ResultMaker(
            record,
            plan,
            self.clock,
            lambda: self.store.source,
            topics,
            with_flat=flat,
            follow=lambda utc_ns: suspending(topics, record.instrument, utc_ns, record.operator),
        )

    # ---- watchdog

    def probe_progress(self) -> None:
        """Send the store's writer a task and count the progress of ingest, for the watchdog.

        Without a task an idle writer could not be distinguished from one that is stuck.
        """
        self.store.submit(Ping())
        self._instruments.count_progress()

    def progress(self) -> dict[str, int]:
        """Return counters that grow while ingest, writer and publisher work, for the watchdog."""
        counters = {"ingest": self._instruments.beats}
        counters["writer"] = self.store.handled
        if self.publishing is not None:
            counters["publisher"] = self.publishing.progress
        return counters
