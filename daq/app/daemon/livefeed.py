"""Frames with everything that changes on the benches, for a page: one subscription serves any number of browsers.

Readings come at most every `READING_S`.  Views are costlier: a bench is viewed when its run, its flow or its connection
has changed, and otherwise in turn, `STILL_VIEWS` benches every `VIEW_S`, whatever their number is.
"""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import structlog

from daq.app.daemon.shift.bench_hands import motor_still
from daq.app.run.current import newest_reading
from daq.app.run.session import Session
from daq.app.run.view import units
from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.bench.live_frame import LiveFrame, LiveReading
from daq.app.screens.run_view import RunView
from daq.core.errors import DaqError

if TYPE_CHECKING:
    from daq.app.daemon.supervisor import Supervisor

log = structlog.get_logger()

READING_S: Final = 0.05
"""Least time in seconds between two readings of an instrument."""
VIEW_S: Final = 0.25
"""Least time in seconds between two views of a run, with its advice, or of a bench."""
STILL_VIEWS: Final = 2
"""Number of benches without a change that are viewed every `VIEW_S`."""
STILL_S: Final = 1.0
"""Longest time in seconds without a frame: a client knows by it that the daemon lives."""
_ALWAYS_NEW: Final = -1


class LiveFeed:
    """The frames of one client."""

    def __init__(self, supervisor: "Supervisor") -> None:
        """Nothing has been sent yet."""
        self._supervisor = supervisor
        self._readings: dict[str, LiveReading] = {}
        self._read_at: dict[str, int] = {}
        self._benches: dict[str, BenchView] = {}
        self._marks: dict[str, object] = {}
        self._runs: dict[str, RunView | None] = {}
        self._turn: list[str] = []

    async def frames(self) -> AsyncIterator[LiveFrame]:
        """Yield frames: the first with everything, each next with what has changed."""
        loop = asyncio.get_running_loop()
        viewed_at = sent_at = -STILL_S
        while True:
            now = loop.time()
            runs: dict[str, RunView | None] = {}
            benches: dict[str, BenchView] = {}
            if now - viewed_at >= VIEW_S:
                viewed_at = now
                runs = self._new_runs()
                benches = await self._new_benches()
            frame = LiveFrame(self._new_readings(), benches, runs)
            if frame.readings or frame.benches or frame.runs or now - sent_at >= STILL_S:
                sent_at = now
                yield frame
            await asyncio.sleep(READING_S)

    # ---- readings

    def _new_readings(self) -> dict[str, LiveReading]:
        found = {}
        for name, session in self._supervisor.sessions.items():
            try:
                reading, read_at = self._reading(name, session)
            except Exception:
                # A fault of one instrument's driver must not end the view of the others.
                log.exception("no live reading", instrument=name)
                continue
            if (replace(reading, age_s=None), read_at) != (self._readings.get(name), self._read_at.get(name)):
                self._readings[name], self._read_at[name] = replace(reading, age_s=None), read_at
                found[name] = reading
        for gone in self._readings.keys() - self._supervisor.sessions.keys():
            del self._readings[gone], self._read_at[gone]
        return found

    def _reading(self, name: str, session: Session) -> tuple[LiveReading, int]:
        """Return the newest reading of an instrument, and its monotonic time (ns)."""
        runs = self._supervisor.runs
        values, faults = newest_reading(name, session, runs)
        pipeline = next((a.runner.pipeline for a in runs.values() if name in a.runner.pipeline.links), None)
        read_at = session.link.intake.read_at if pipeline is None else pipeline.links[name].intake.read_at
        known = {c.name: c.unit for c in session.driver.channels}
        if name in runs:
            known |= units(runs[name].runner.pipeline)
        age = (self._supervisor.clock.mono_ns() - read_at) / 1e9 if read_at and values else None
        reading = LiveReading(
            values=dict(values),
            units={signal: known[signal] for signal in values if signal in known},
            faults=tuple(faults),
            connection=session.standing.state.value,
            motor=session.standing.motor,
            still=motor_still(session, values),
            age_s=age,
        )
        return reading, read_at

    # ---- views

    def _new_runs(self) -> dict[str, RunView | None]:
        found: dict[str, RunView | None] = {}
        for name, active in list(self._supervisor.runs.items()):
            view = self._supervisor.in_progress.view(active)
            if view != self._runs.get(name):
                found[name] = view
        found |= dict.fromkeys(self._runs.keys() - self._supervisor.runs.keys())
        self._runs = {name: v for name, v in (self._runs | found).items() if v is not None}
        return found

    async def _new_benches(self) -> dict[str, BenchView]:
        names = list(self._supervisor.sessions)
        marks = {name: self._mark(name) for name in names}
        due = [name for name in names if marks[name] != self._marks.get(name, _ALWAYS_NEW)]
        self._turn = [name for name in self._turn if name in marks] or names
        due += [name for name in self._turn[:STILL_VIEWS] if name not in due]
        self._turn = self._turn[STILL_VIEWS:]
        views = await asyncio.to_thread(self._views, due)
        self._marks |= {name: marks[name] for name in views}
        return {name: view for name, view in views.items() if self._is_new(name, view)}

    def _mark(self, name: str) -> object:
        """Return a value that differs when the view of a bench surely differs; it costs next to nothing."""
        session, active = self._supervisor.sessions[name], self._supervisor.runs.get(name)
        run = "" if active is None else active.record.id
        return self._supervisor.benches.flows.steps(name), run, session.standing.state

    def _views(self, names: list[str]) -> dict[str, BenchView]:
        found = {}
        for name in names:
            try:
                found[name] = self._supervisor.benches.view(name)
            except DaqError as error:
                log.warning("no view of a bench", bench=name, reason=str(error))
        return found

    def _is_new(self, name: str, view: BenchView) -> bool:
        changed = view != self._benches.get(name)
        self._benches[name] = view
        return changed
