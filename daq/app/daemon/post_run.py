"""Background tasks after the commit of a run's result: sample, reportable results, health figures, and flow curve.

A failure here does not affect the result.
"""

import asyncio
from collections.abc import Callable, Iterable
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import NoteHealth
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.tasks import ComputeFigures, FitCurve, NoteSample, StoreReportables
from daq.app.records.history import plan_of
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.core.errors import DaqError
from daq.process.tasks import Tasks

log = structlog.get_logger()

LAST_RUNS: Final = 5
"""Number of newest runs of each instrument that are checked for a missing flow curve or note after a start.

A run's end and what follows from it are seconds apart, so few can be missing.
"""
FINISH_S: Final = 10.0
"""Longest time in seconds for which the end of a daemon waits for the process for computations."""


class PostRunTasks:
    """Computes and stores what follows from an ended run.  With `topics` None no flow curve is published.

    Attributes:
        computations: where it is computed.
    """

    def __init__(
        self,
        store: Store,
        catalogue: Callable[[], Catalogue],
        computations: Computations,
        clock: Clock,
        topics: Topics | None,
        wake: Callable[[], None],
    ) -> None:
        self._store, self._catalogue, self._clock = store, catalogue, clock
        self.computations = computations
        self._topics, self._wake = topics, wake
        self.tasks = Tasks()

    def start(self, run_id: str, instrument: str, *, curve: bool) -> None:
        """Start the tasks of a run that has just ended.  `curve`: its method asks for a flow curve."""
        self.tasks.start(self._note_done(run_id), f"sample of {run_id}", ends=True)
        self.tasks.start(self._store_reportables(run_id), f"reportable results of {run_id}", ends=True)
        self.tasks.start(self._note_health(run_id, instrument), f"health {run_id}", ends=True)
        if curve:
            self.tasks.start(self._publish_curve(run_id), f"curve {run_id}", ends=True)

    def make_up(self, instruments: Iterable[str]) -> None:
        """Note samples, store reportable results and publish flow curves that a kill came before, after a start."""
        names = tuple(instruments)
        self.tasks.start(self._missing_notes(names), "missing notes of samples", ends=True)
        if self._topics is not None:
            self.tasks.start(self._missing_curves(names), "missing curves", ends=True)

    async def finish(self) -> None:
        """Wait for the end of all tasks, for `FINISH_S` at most where a process carries them out; then end that.

        The next start makes up for the rest; health figures are computed when they are asked for.
        """
        finished = asyncio.ensure_future(self.tasks.finish())
        await asyncio.wait({finished}, timeout=None if self.computations.process is None else FINISH_S)
        await self.computations.close()
        await finished

    async def _note_done(self, run_id: str) -> None:
        try:
            await self.computations.carry_out(NoteSample(run_id, self._catalogue().products))
        except DaqError as error:
            log.warning("sample not noted as done", run=run_id, reason=str(error))

    async def _missing_notes(self, instruments: tuple[str, ...]) -> None:
        try:
            found = await asyncio.to_thread(self._newest_runs, instruments)
        except DaqError as error:
            log.warning("missing notes of samples not found", reason=str(error))
            return
        for run_id in found:
            await self._note_done(run_id)
            await self._store_reportables(run_id)

    async def _store_reportables(self, run_id: str) -> None:
        try:
            await self.computations.carry_out(StoreReportables(run_id, self._topics))
        except DaqError as error:
            log.warning("reportable results not stored", run=run_id, reason=str(error))
        else:
            self._wake()

    def _newest_runs(self, instruments: tuple[str, ...]) -> list[str]:
        with self._store.reader() as reader:
            return [run.id for name in instruments for run in reader.runs(limit=LAST_RUNS, instrument=name)]

    async def _note_health(self, run_id: str, instrument: str) -> None:
        try:
            found = await self.computations.carry_out(ComputeFigures(run_id))
            await self._store.commit(NoteHealth(run_id, instrument, self._clock.utc_ns(), encode(found)))
        except DaqError as error:
            log.warning("health not noted", run=run_id, reason=str(error))

    async def _publish_curve(self, run_id: str) -> None:
        if self._topics is None:
            return
        try:
            found = await self.computations.carry_out(FitCurve(run_id, self._topics))
            if found is not None and await self._store.commit(found):
                self._wake()
        except DaqError as error:
            log.warning("flow curve not published", run=run_id, reason=str(error))

    async def _missing_curves(self, instruments: tuple[str, ...]) -> None:
        try:
            found = await asyncio.to_thread(self._runs_with_curve, instruments)
        except DaqError as error:
            log.warning("missing flow curves not found", reason=str(error))
            return
        for run_id in found:
            await self._publish_curve(run_id)  # a flow curve that is already in the outbox is not added again

    def _runs_with_curve(self, instruments: tuple[str, ...]) -> list[str]:
        found = []
        with self._store.reader() as reader:
            for name in instruments:
                for run in reader.runs(limit=LAST_RUNS, instrument=name):
                    plan = plan_of(run)
                    if plan is None or plan.context.flow_curve is None:
                        continue
                    result = reader.newest_result(run.id)
                    # Results that were measured while no broker was configured are not published later.
                    if result is not None and reader.messages(result.id):
                        found.append(run.id)
        return found
