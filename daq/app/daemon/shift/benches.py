"""The work at all benches: restored at the start, driven by persons, runs and time, and shown to the screens."""

import asyncio
import uuid
from collections.abc import Callable, Mapping
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.declaring.publishing import PublishRecords
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.daemon.instrument_sessions import InstrumentSessions
from daq.app.daemon.runs_in_progress import RunsInProgress
from daq.app.daemon.shift.bench_hands import BenchHands
from daq.app.daemon.shift.bench_views import bench_view
from daq.app.laboratory.bench.flows import BenchFlows
from daq.app.laboratory.bench.naming import outcome_of
from daq.app.laboratory.bench_work import Actor
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.signing.changed_samples import By, reopening
from daq.app.records.attempts import newest_started
from daq.app.screens.bench.bench_view import BenchView
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.core.errors import DaqError
from daq.laboratory.bench.bench_events import Began, Begin, Ended, Refused, coded_of
from daq.laboratory.bench.benchstate import Checklist, Outcome
from daq.process.tasks import Tasks

log = structlog.get_logger()

TICK_S: Final = 0.5
"""Time (s) between two looks at the counts of the benches."""


class Benches:
    """Owns the state machines of the benches.

    Attributes:
        flows: the state machines.
    """

    def __init__(
        self,
        sessions: InstrumentSessions,
        in_progress: RunsInProgress,
        store: Store,
        clock: Clock,
        catalogue: Callable[[], Catalogue],
        topics: Topics | None,
    ) -> None:
        """Set up; called in the event loop of the daemon.  With `topics` None nothing is published."""
        self._sessions, self._in_progress, self._store = sessions, in_progress, store
        self._clock, self._catalogue = clock, catalogue
        self._tasks = Tasks()
        hands = BenchHands(sessions.by_name, in_progress, catalogue, clock, self._begin)
        self._hands = hands
        self._topics = topics
        self.flows = BenchFlows(store, clock, hands, lambda: str(uuid.uuid4()))

    # ---- life

    async def start(self, tasks: Tasks, *, unclean: bool, unfinished: Mapping[str, str]) -> None:
        """Restore the benches and count their times; arguments as in `BenchFlows.restore`."""
        names = tuple(self._sessions.by_name)
        await asyncio.to_thread(self.flows.restore, names, self._newest, unclean=unclean, unfinished=unfinished)
        tasks.start(self._count(), "work at the benches")

    def _newest(self, reader: Reader, bench: str) -> Outcome | None:
        run = newest_started(reader, bench)
        return None if run is None else outcome_of(reader, self._catalogue(), run.id)

    async def _count(self) -> None:
        while True:
            await self._clock.sleep(TICK_S)
            try:
                await asyncio.to_thread(self.flows.tick)
            except DaqError as error:
                log.warning("work at the benches not counted", reason=str(error))

    async def stop(self) -> None:
        """Leave the benches as they are; their runs have ended."""
        await self._tasks.stop()

    # ---- runs

    def _begin(self, bench: str, begin: Begin, actor: Actor) -> None:
        self._tasks.start(self._run(bench, begin, actor), f"run of {bench}", ends=True)

    async def _run(self, bench: str, begin: Begin, actor: Actor) -> None:
        """Start a run with its checklist, and tell its start and end to the flow."""
        named = begin.named
        method, _, version = named.method.partition(" ")

        def checklist(run: str) -> Checklist:
            return Checklist(
                id=run,
                bench=bench,
                sample=named.sample,
                repeat_of=named.repeat_of,
                reason=named.reason,
                opening=begin.opening,
                before=begin.before,
            )

        def opening(reader: Reader, utc_ns: int) -> PublishRecords:
            by = By(self._store.uuid, self._topics, actor.who, named.reason, utc_ns, actor.withdraws)
            return reopening(reader, named.sample, by)

        try:
            order = RunOrder(
                sample=named.sample,
                instrument=bench,
                method_id=method,
                method_version=version,
                filling=named.filling,
                fluid=named.fluid,
                badge=actor.badge,
                ticket=actor.ticket,
            )
            active = await self._in_progress.begin(
                order,
                actor.login,
                beside=lambda run: (new(checklist(run), "checklist_kept"),),
                opening=opening if begin.reopens else None,
            )
        except DaqError as error:
            await asyncio.to_thread(self.flows.take, bench, Refused(str(error), coded_of(error)), "bench_not_started")
            return
        await asyncio.to_thread(self.flows.take, bench, Began(active.record.id), "bench_run_started")
        await asyncio.wait([active.task])
        outcome = await asyncio.to_thread(self._outcome, active.record.id)
        await asyncio.to_thread(self.flows.take, bench, Ended(outcome), "bench_run_ended")

    def _outcome(self, run: str) -> Outcome:
        with self._store.reader() as reader:
            return outcome_of(reader, self._catalogue(), run)

    # ---- screens

    def view(self, bench: str) -> BenchView:
        """Return the work at a bench for a screen; it reads the store, so it is called in a thread.

        Raises:
            SettingError: the daemon does not serve the bench.
        """
        self._sessions.refuse_unknown(bench)
        with self._store.reader() as reader:
            session = self._sessions.by_name[bench]
            state, revision, message = self.flows.state(bench)
            facts = self._hands.facts(reader, state)
            return bench_view(reader, self._catalogue(), state, revision, message, facts, session.standing)
