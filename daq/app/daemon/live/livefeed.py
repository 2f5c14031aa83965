"""Frames with everything that changes on the benches, for a page: one subscription serves any number of browsers.

Readings come at most every `TICK_S`.  Views are costlier: runs are viewed in turn, spread over `VIEW_S`, and their
values and advice are computed in turn (`liveturns`).  A bench is viewed when its run, its flow or its connection has
changed, and otherwise in turn, `STILL_VIEWS` benches every `VIEW_S`, whatever their number is.
"""

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import structlog

from daq.app.daemon.live.liveturns import TICK_S, VIEW_S, ViewTurns
from daq.app.daemon.shift.bench_hands import motor_still
from daq.app.run.current import newest_reading, read_at
from daq.app.run.session import Session
from daq.app.run.view import units
from daq.app.screens.bench.bench_view import BenchView
from daq.app.screens.bench.live_frame import LiveFrame, LiveReading
from daq.app.screens.run_view import RunView
from daq.core.errors import DaqError

if TYPE_CHECKING:
    from daq.app.daemon.supervisor import Supervisor

log = structlog.get_logger()

TOGETHER: Final = 8
"""Number of instruments whose readings are taken without a pause for what waits in the loop."""
LEAST_PAUSE_S: Final = 0.01
"""Least time in seconds between the end of a turn and the next one."""
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
        self._runs: dict[str, RunView] = {}
        self._turns = ViewTurns()
        self._turn: list[str] = []

    async def frames(self) -> AsyncIterator[LiveFrame]:
        """Yield frames: first those with everything, of which all but the last have `more`, then what has changed.

        A frame has a few instruments, and between two of them the loop takes up what waits: a reading is not delayed by
        the number of instruments.
        """
        loop = asyncio.get_running_loop()
        benches_at = sent_at = -STILL_S
        first = True
        while True:
            now = loop.time()
            async for frame in self._changes(now, with_benches=now - benches_at >= VIEW_S):
                sent_at = now
                yield replace(frame, more=first)
                await asyncio.sleep(0)
            if now - benches_at >= VIEW_S:
                benches_at = now
            if first or now - sent_at >= STILL_S:
                first, sent_at = False, now
                yield LiveFrame()
            await asyncio.sleep(max(LEAST_PAUSE_S, now + TICK_S - loop.time()))

    async def _changes(self, now: float, *, with_benches: bool) -> AsyncIterator[LiveFrame]:
        """Yield what has changed since the frames before, in parts."""
        names = list(self._supervisor.sessions)
        for start in range(0, len(names), TOGETHER):
            readings = self._new_readings(names[start : start + TOGETHER])
            if readings:
                yield LiveFrame(readings)
            await asyncio.sleep(0)
        for gone in self._readings.keys() - self._supervisor.sessions.keys():
            del self._readings[gone], self._read_at[gone]
        async for name, view in self._new_runs(now):
            yield LiveFrame(runs={name: view})
        if with_benches:
            for name, bench in (await self._new_benches()).items():
                yield LiveFrame(benches={name: bench})

    # ---- readings

    def _new_readings(self, names: Sequence[str]) -> dict[str, LiveReading]:
        found = {}
        for name in names:
            session = self._supervisor.sessions.get(name)
            if session is None:
                continue
            try:
                reading, at = self._reading(name, session)
            except Exception:
                # A fault of one instrument's driver must not end the view of the others.
                log.exception("no live reading", instrument=name)
                continue
            ageless = replace(reading, age_s=None)
            if (ageless, at) != (self._readings.get(name), self._read_at.get(name)):
                self._readings[name], self._read_at[name] = ageless, at
                found[name] = reading
        return found

    def _reading(self, name: str, session: Session) -> tuple[LiveReading, int]:
        """Return the newest reading of an instrument, and its monotonic time (ns)."""
        runs = self._supervisor.runs
        values, faults = newest_reading(name, session, runs)
        at = read_at(name, session, runs)
        known = {c.name: c.unit for c in session.driver.channels}
        if name in runs:
            known |= units(runs[name].runner.pipeline)
        age = (self._supervisor.clock.mono_ns() - at) / 1e9 if at and values else None
        reading = LiveReading(
            values=dict(values),
            units={signal: known[signal] for signal in values if signal in known},
            faults=tuple(faults),
            connection=session.standing.state.value,
            motor=session.standing.motor,
            still=motor_still(session, values),
            age_s=age,
        )
        return reading, at

    # ---- views

    async def _new_runs(self, now: float) -> AsyncIterator[tuple[str, RunView | None]]:
        """Yield the runs whose view differs, in turn, and those that have ended."""
        runs = self._supervisor.runs
        for gone in self._runs.keys() - runs.keys():
            del self._runs[gone]
            yield gone, None
        for name, with_value in self._turns.turn(list(runs), now):
            active, before = runs.get(name), self._runs.get(name)
            if active is None:  # it has ended while others were viewed
                continue
            view = self._supervisor.in_progress.view(active, None if with_value else before)
            if view != before:
                self._runs[name] = view
                yield name, view
            await asyncio.sleep(0)

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
