"""Answer requests, from the control socket or from the same process."""

import asyncio
import contextlib
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final

from daq.app.daemon.copies import Copies
from daq.app.daemon.protocol import (
    Answer,
    AskStatus,
    BenchViewed,
    Ended,
    EvidenceStatus,
    InstrumentStatus,
    OutboxStatus,
    Perform,
    Performed,
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
    WatchBench,
    WatchRun,
)
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.resending import ResendOrder
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.identity import acting, refuse_copy
from daq.app.run.active import Active
from daq.app.screens.run_view import RunEnd
from daq.app.setup.fitted import Fit, conflicts, fits_of
from daq.app.setup.orders import RunOrder
from daq.core.errors import SettingError, StoreError
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
        elif isinstance(request, WatchRun | WatchBench):
            async for answer in self._watched(request):
                yield answer
        elif isinstance(request, StopRun):
            yield Stopped(self._supervisor.stop_run(request.instrument, login))
        elif isinstance(request, AskStatus):
            fits = await asyncio.to_thread(self._fits)
            yield StatusAnswer(replace(self.status(fits), outbox=await asyncio.to_thread(self._outbox)))
        elif isinstance(request, ResendOrder):
            yield Resent(await self._resend(request, login))
        elif isinstance(request, Perform):
            yield Performed(await self._perform(request, login))
        elif isinstance(request, Reload):
            changes = await self._supervisor.reloading.refresh()
            yield Reloaded(tuple(changes.words), tuple(str(e) for e in changes.errors))
        else:
            await asyncio.to_thread(refuse_copy, self._supervisor.laboratory(login))
            async with contextlib.aclosing(self._copies.send()) as answers:
                async for answer in answers:
                    yield answer

    def _watched(self, request: WatchRun | WatchBench) -> AsyncIterator[Answer]:
        """Return the views of a run or of the work at a bench."""
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

    async def _resend(self, order: ResendOrder, login: str) -> int:
        """Put messages into the outbox again; return their number."""
        await asyncio.to_thread(acting, self._supervisor.laboratory(login), "resending", "measure")
        count = await self._supervisor.store.commit(order.transaction(self._supervisor.clock.utc_ns(), login))
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
                    fitted=fits[name].words if name in fits else None,
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
            raise SettingError(f"no run is in progress on {name}")
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
