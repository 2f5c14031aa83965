"""Answer requests, from the control socket or from the same process."""

import asyncio
import contextlib
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final

from daq.app.daemon.copies import Copies
from daq.app.daemon.live.livefeed import LiveFeed
from daq.app.daemon.protocol import (
    Answer,
    AskQuery,
    AskStatus,
    BenchViewed,
    Ended,
    EvidenceStatus,
    Identified,
    Identify,
    InstrumentStatus,
    LiveViewed,
    LoggedIn,
    LoggedOut,
    LogIn,
    LogOut,
    OutboxStatus,
    Perform,
    Performed,
    Queried,
    RefusedMessage,
    Reload,
    Reloaded,
    Request,
    Resent,
    RunStatus,
    Started,
    Status,
    StatusAnswer,
    Stopped,
    StopRun,
    UnfinishedStatus,
    Viewed,
    Visitor,
    WatchBench,
    WatchLive,
    WatchRun,
)
from daq.app.daemon.queries.asking import QueryProcess
from daq.app.daemon.queries.registry import query
from daq.app.daemon.queries.session_queries import SESSION_QUERIES
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.resend_order import ResendOrder
from daq.app.delivery.resending import transaction_of
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench_work import Actor
from daq.app.laboratory.identity import acting, identify, log_in, refuse_copy
from daq.app.run.active import Active
from daq.app.screens.run_view import RunEnd
from daq.app.setup.fitted import Fit, conflicts, fits_of
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError, StoreError, coded
from daq.laboratory.bench.bench_events import Pressed
from daq.laboratory.people import Who
from daq.methods.files.load import parse
from daq.process.logins import own_login

VIEW_S: Final = 0.25
"""Least real time in seconds between two views of a run: at most four a second."""
STILL_VIEW_S: Final = 1.0
"""Longest real time in seconds between two views, if nothing changes."""
REFUSED_SHOWN: Final = 10


class Service:
    """Answers requests for one supervisor."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self._copies = Copies(supervisor.store.path)
        self._queries = QueryProcess(supervisor.store.path, supervisor.catalogue.folder)

    async def close(self) -> None:
        """End the process that answers queries."""
        await self._queries.close()

    async def handle(self, request: Request, login: str = "") -> AsyncGenerator[Answer]:
        """Yield the answers to a request of `login`; "" means the login of this process.

        Raises:
            DaqError: the request cannot be done; nothing has changed.
        """
        login = login or own_login()
        if isinstance(request, RunOrder):
            active = await self._supervisor.begin(request, login)
            yield Started(active.record.id, active.record.instrument, active.warnings)
            async for answer in self._follow(active):
                yield answer
        elif isinstance(request, WatchRun | WatchBench | WatchLive):
            async for answer in self._watched(request):
                yield answer
        elif isinstance(request, StopRun):
            yield Stopped(self._supervisor.stop_run(request.instrument, login))
            await self._stop_bench(request, login)
        elif isinstance(request, AskStatus):
            fits = await asyncio.to_thread(self._fits)
            yield StatusAnswer(replace(self.status(fits), outbox=await asyncio.to_thread(self._outbox)))
        elif isinstance(request, ResendOrder):
            yield Resent(await self._resend(request, login))
        elif isinstance(request, Perform):
            yield Performed(await self._perform(request, login))
        elif isinstance(request, LogIn | LogOut | Identify | AskQuery):
            yield await self._asked(request, login)
        elif isinstance(request, Reload):
            changes = await self._supervisor.reloading.refresh()
            yield Reloaded(tuple(changes.words), tuple(str(e) for e in changes.errors))
        else:
            await asyncio.to_thread(refuse_copy, self._supervisor.laboratory(login))
            async with contextlib.aclosing(self._copies.send()) as answers:
                async for answer in answers:
                    yield answer

    async def _stop_bench(self, request: StopRun, login: str) -> None:
        """Tell a stop to the work at a bench, where it is asked for: it may be about to start a run."""
        if request.bench:
            command, actor = self._supervisor.benches.flows.command, Actor(login, login)
            await asyncio.to_thread(command, request.instrument, Pressed("stop"), actor, 0)

    async def _asked(self, request: LogIn | LogOut | Identify | AskQuery, login: str) -> Answer:
        """Return the answer to a question about persons or records."""
        laboratory = self._supervisor.laboratory(login)
        if isinstance(request, LogIn):
            ticket, who = await asyncio.to_thread(log_in, laboratory, request.by)
            return LoggedIn(ticket, self._visitor(who))
        if isinstance(request, LogOut):
            return LoggedOut(laboratory.tickets.end(request.ticket))
        if isinstance(request, Identify):
            return Identified(self._visitor(await asyncio.to_thread(identify, laboratory, request.by)))
        own = SESSION_QUERIES.get(request.query)
        needed = query(request.query).role if own is None else own.role
        await asyncio.to_thread(acting, laboratory, f"the query {request.query}", needed, request.by)
        if own is not None:
            supervisor, asked = self._supervisor, parse(own.asked, request.parameters)
            return Queried(own.answer(supervisor.sessions, asked, supervisor.clock.mono_ns()))
        return Queried(await self._queries.ask(request.query, request.parameters))

    def _visitor(self, who: Who) -> Visitor:
        people = self._supervisor.catalogue.daemon.people.required
        return Visitor(who.client if who.person is None else who.person.id, who.role or "", people)

    def _watched(self, request: WatchRun | WatchBench | WatchLive) -> AsyncIterator[Answer]:
        """Return the views of a run, of the work at a bench, or of all benches."""
        if isinstance(request, WatchLive):
            return self._live()
        if isinstance(request, WatchBench):
            return self._bench(request.instrument)
        return self._follow(self._active(request.instrument))

    async def _bench(self, name: str) -> AsyncIterator[BenchViewed]:
        """Yield views of the work at a bench: each that differs, and one every `STILL_VIEW_S`."""
        shown, since = None, 0.0
        while True:
            view = await asyncio.to_thread(self._supervisor.benches.view, name)
            if view != shown or since >= STILL_VIEW_S:
                yield BenchViewed(view)
                shown, since = view, 0.0
            await asyncio.sleep(VIEW_S)
            since += VIEW_S

    async def _live(self) -> AsyncIterator[LiveViewed]:
        """Yield what changes on all benches; who follows them asks queries too."""
        self._supervisor.tasks.start(self._queries.warm(), "start of the queries", ends=True)
        async for frame in LiveFeed(self._supervisor).frames():
            yield LiveViewed(frame)

    async def _resend(self, order: ResendOrder, login: str) -> int:
        """Put messages into the outbox again; return their number."""
        await asyncio.to_thread(acting, self._supervisor.laboratory(login), "resending", "measure")
        count = await self._supervisor.store.commit(transaction_of(order, self._supervisor.clock.utc_ns(), login))
        if self._supervisor.publishing is not None:
            self._supervisor.publishing.wake()
        return count

    async def _perform(self, request: Perform, login: str) -> dict[str, Any]:
        """Carry out an act on the records; it waits for the disk in a thread."""
        supervisor = self._supervisor
        laboratory = supervisor.laboratory(login)
        done = await asyncio.to_thread(carry_out, laboratory, request.act, request.order, request.by)
        supervisor.wake()
        return done

    def status(self, fits: Mapping[str, Fit] = MappingProxyType({})) -> Status:
        """Return the state of instruments, runs, store and broker, without the outbox.

        `fits` are the recorded measuring geometries by name of the instrument.
        """
        supervisor = self._supervisor
        trouble, publishing, node = supervisor.store.trouble, supervisor.publishing, supervisor.sparkplug
        return Status(
            instruments={
                name: InstrumentStatus(
                    state=s.standing.state,
                    detail=s.standing.detail,
                    serial=s.standing.identity.serial if s.standing.identity else None,
                    motor=s.standing.motor or None,
                    fitted=(fits[name].words or None) if name in fits else None,
                )
                for name, s in supervisor.sessions.items()
            },
            runs={
                name: RunStatus(a.record.id, a.record.sample, a.runner.pipeline.state.value)
                for name, a in supervisor.runs.items()
            },
            store=str(trouble) if trouble is not None else "",
            broker=publishing.standing if publishing is not None else None,
            sparkplug=node.standing if node is not None else None,
            unfinished={
                r.run: UnfinishedStatus(r.instrument, r.reason) for r in list(supervisor.unfinished.runs.values())
            },
            put_back="" if (started := supervisor.facts.epoch_start()) is None else started.reason,
            ended_tasks=dict(supervisor.tasks.ended),
            evidence=EvidenceStatus(checked=supervisor.evidence.checked, findings=supervisor.evidence.findings),
            configuration=tuple(
                str(e) for e in (*supervisor.configured.errors, *conflicts(supervisor.catalogue, fits))
            ),
        )

    def _fits(self) -> dict[str, Fit]:
        """Return the recorded measuring geometries of the served instruments; empty if they cannot be read."""
        try:
            with self._supervisor.store.reader() as reader:
                return fits_of(reader, list(self._supervisor.sessions))
        except StoreError:
            return {}

    def _outbox(self) -> OutboxStatus:
        """Return the number of messages that wait for the broker, and the first `REFUSED_SHOWN` that it refused."""
        try:
            with self._supervisor.store.reader() as reader:
                depth, refused = reader.outbox_depth(), reader.refused(limit=REFUSED_SHOWN)
        except StoreError as error:
            return OutboxStatus(trouble=str(error))
        return OutboxStatus(
            waiting=depth.waiting,
            refused=depth.refused,
            quarantined=depth.quarantined,
            changed=depth.changed,
            first_refused=tuple(RefusedMessage(m.id, m.topic, m.last_error) for m in refused),
        )

    def _active(self, name: str) -> Active:
        active = self._supervisor.runs.get(name)
        if active is None:
            raise coded(SettingError(f"no run is in progress on {name}"), "no_run", bench=name)
        return active

    async def _follow(self, active: Active) -> AsyncIterator[Answer]:
        """Yield views of a run until it ends, then its outcome.  A client that disconnects does not stop the run."""
        changed = asyncio.Event()
        active.subscribers.add(changed)
        try:
            while not active.task.done():
                yield Viewed(self._supervisor.in_progress.view(active))
                await asyncio.sleep(VIEW_S)
                waiting = asyncio.ensure_future(changed.wait())
                await asyncio.wait(
                    (active.task, waiting), timeout=STILL_VIEW_S - VIEW_S, return_when=asyncio.FIRST_COMPLETED
                )
                waiting.cancel()
                changed.clear()
            outcome = active.task.result()
            data = active.maker.data
            end = RunEnd(
                run=outcome.run_id,
                outcome=outcome.outcome,
                reason=outcome.reason,
                motor=outcome.motor,
                fault=outcome.fault,
                result_id=outcome.committed.id if outcome.committed else None,
            )
            yield Ended(end, data.model_dump(mode="json") if data is not None and not outcome.fault else None)
        finally:
            active.subscribers.discard(changed)
