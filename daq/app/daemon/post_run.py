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
from daq.app.delivery.curve_publishing import publish_curve
from daq.app.laboratory.progress import note_done
from daq.app.laboratory.signing.reportable_records import Keeping, samples_after
from daq.app.records.health_history import Figures, figures
from daq.app.records.history import plan_of, raw_journal
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.core.errors import DaqError
from daq.core.replay import MakeDriver
from daq.process.tasks import Tasks

log = structlog.get_logger()

LAST_RUNS: Final = 5
"""Number of newest runs of each instrument that are checked for a missing flow curve or note after a start.

A run's end and what follows from it are seconds apart, so few can be missing.
"""


class PostRunTasks:
    """Computes and stores what follows from an ended run.  With `topics` None no flow curve is published."""

    def __init__(
        self,
        store: Store,
        catalogue: Callable[[], Catalogue],
        make: MakeDriver,
        clock: Clock,
        topics: Topics | None,
        wake: Callable[[], None],
    ) -> None:
        self._store, self._catalogue, self._make, self._clock = store, catalogue, make, clock
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

    async def _note_done(self, run_id: str) -> None:
        try:
            await asyncio.to_thread(note_done, self._store, self._catalogue(), run_id, self._clock.utc_ns())
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
            if await asyncio.to_thread(self._reportables, run_id):
                self._wake()
        except DaqError as error:
            log.warning("reportable results not stored", run=run_id, reason=str(error))

    def _reportables(self, run_id: str) -> list[str]:
        keeping = Keeping(self._store, self._topics, self._clock.utc_ns(), "daemon")
        with self._store.reader() as reader:
            run = reader.run(run_id)
            samples = [] if run is None else samples_after(reader, run)
        return keeping.store_of_samples(samples)

    def _newest_runs(self, instruments: tuple[str, ...]) -> list[str]:
        with self._store.reader() as reader:
            return [run.id for name in instruments for run in reader.runs(limit=LAST_RUNS, instrument=name)]

    async def _note_health(self, run_id: str, instrument: str) -> None:
        try:
            found = await asyncio.to_thread(self._figures, run_id)
            await self._store.commit(NoteHealth(run_id, instrument, self._clock.utc_ns(), encode(found)))
        except DaqError as error:
            log.warning("health not noted", run=run_id, reason=str(error))

    def _figures(self, run_id: str) -> Figures:
        with self._store.reader() as reader:
            raw, _ = raw_journal(reader, run_id)
        return figures(raw, self._make)

    async def _publish_curve(self, run_id: str) -> None:
        if self._topics is None:
            return
        try:
            if await publish_curve(self._store, run_id, self._topics, self._clock):
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
