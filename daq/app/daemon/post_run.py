"""Background tasks after the commit of a run's result: sample, reportable results, health figures, and flow curve.

A failure here does not affect the result.
"""

import asyncio
from collections.abc import Callable, Iterable
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by
from daq.adapters.store.rows import RunRecord, json_or_none
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import NoteHealth
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.tasks import ComputeFigures, FitCurve, NoteSample, StoreReportables
from daq.app.records.history import plan_of
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.core.errors import DaqError
from daq.laboratory.kinds import REPORTABLE
from daq.process.tasks import Tasks

log = structlog.get_logger()

LAST_RUNS: Final = 5
"""Number of runs of each instrument, one after another, that must lack nothing before the look back after a start ends.

The newest ones are done again in any case: the note of a sample leaves no trace where it changes nothing.
"""
MOST_RUNS: Final = 500
"""Greatest number of newest runs of an instrument that are looked at after a start.

Where what follows from a run cannot be stored for hours, as with a full disk, each run of that time lacks it.
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
            found = await asyncio.to_thread(self._not_noted, instruments)
        except DaqError as error:
            log.warning("missing notes of samples not found", reason=str(error))
            return
        for run_id in found:
            try:
                await self._note_done(run_id)
                await self._store_reportables(run_id)
            except (LookupError, TypeError, ValueError) as error:  # a damaged text of one run ends none of the others
                log.warning("missing notes of a run not made", run=run_id, reason=f"{type(error).__name__}: {error}")

    async def _store_reportables(self, run_id: str) -> None:
        try:
            await self.computations.carry_out(StoreReportables(run_id, self._topics))
        except DaqError as error:
            log.warning("reportable results not stored", run=run_id, reason=str(error))
        else:
            self._wake()

    def _not_noted(self, instruments: tuple[str, ...]) -> list[str]:
        with self._store.reader() as reader:
            return [run for name in instruments for run in _lacking(reader, name, _is_kept)]

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
        topics = self._topics
        if topics is None:
            return []

        def is_published(reader: Reader, run: RunRecord) -> bool:
            plan = plan_of(run)
            result = None if plan is None or plan.context.flow_curve is None else reader.newest_result(run.id)
            messages = [] if result is None else reader.messages(result.id)
            # A curve that was published under other first levels of the topic is not published again.
            own = topics.curve(run.instrument).removeprefix(topics.prefix)
            # Results that were measured while no broker was configured are not published later.
            return not messages or any(m.topic.endswith(own) for m in messages)

        with self._store.reader() as reader:
            return [run for name in instruments for run in _lacking(reader, name, is_published, again=0)]


def _lacking(
    reader: Reader, instrument: str, is_complete: Callable[[Reader, RunRecord], bool], *, again: int = LAST_RUNS
) -> list[str]:
    """Return the newest runs of an instrument that lack what follows from them, oldest first.

    Args:
        reader: the database.
        instrument: its name.
        is_complete: returns whether a run lacks nothing.
        again: number of newest runs that are returned in any case.
    """
    found: list[str] = []
    complete = 0
    runs = reader.runs(limit=LAST_RUNS, instrument=instrument)
    for place in range(MOST_RUNS):
        if place == LAST_RUNS:
            # Most starts lack nothing, and the headers of many runs are megabytes.
            runs = reader.runs(limit=MOST_RUNS, instrument=instrument)
        if place >= len(runs) or complete == LAST_RUNS:
            break
        is_whole = is_complete(reader, runs[place])
        complete = complete + 1 if is_whole else 0
        if not is_whole or place < again:
            found.append(runs[place].id)
    else:
        log.warning("older runs were not looked at for what follows from them", instrument=instrument, runs=MOST_RUNS)
    return found[::-1]


def _is_kept(reader: Reader, run: RunRecord) -> bool:
    """Return whether a reportable result has the newest result of a run; a check and a run without one need none.

    It may know the run alone, from the time when that was still going on.  A damaged text counts as one that is not
    there.
    """
    newest = reader.newest_result(run.id)
    if newest is None:
        return True
    data = json_or_none(newest.data)
    if isinstance(data, dict) and data.get("verification"):
        return True
    try:
        kept = [s.data["data"]["attempts"] for s in found_by(reader, REPORTABLE, "run", run.id, limit=-1)]
        return any(attempt["result"] == newest.id for attempts in kept for attempt in attempts)
    except (LookupError, TypeError, ValueError):
        return False
