"""Publish the newest reading of each instrument at intervals: at most once, never queued."""

import asyncio
from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

import structlog

from daq.adapters.clock import Clock, utc_text
from daq.adapters.store.store import Store
from daq.app.run.active import Active
from daq.app.run.current import newest_reading
from daq.app.run.session import Session
from daq.core.derive import roots
from daq.core.faults import STATUS_CODES, Quality, publishable, worst
from daq.methods.messages.livedata import LiveData, LiveValue
from daq.methods.parts.origin import Place

log = structlog.get_logger()

Signals = Iterator[tuple[str, str, tuple[str, ...]]]


class Bench(Protocol):
    """The part of the supervisor that live values need."""

    store: Store
    clock: Clock
    sessions: dict[str, Session]
    runs: dict[str, Active]


class LiveValues:
    """Publishes the newest reading of every instrument that has sent bytes since the last time."""

    def __init__(
        self,
        bench: Bench,
        publish: Callable[[str, bytes], bool],
        every_ns: int,
        place: Place | None = None,
    ) -> None:
        """`publish` takes an instrument's name and the payload; a payload that it cannot send is dropped."""
        self._place = place
        self._bench, self._publish, self._every = bench, publish, every_ns
        self._seen: dict[str, int] = {}

    async def run(self) -> None:
        """Publish every `every_ns`, until cancelled."""
        while True:
            try:
                self.publish_new()
            except Exception:
                # A failure must not end the task.
                log.exception("live values not published")
            await asyncio.sleep(self._every / 1e9)

    def publish_new(self) -> None:
        """Publish once the readings that are new."""
        for name, session in self._bench.sessions.items():
            if session.standing.state not in ("ready", "in_run") or session.progress == self._seen.get(name):
                continue
            self._seen[name] = session.progress
            try:
                data = self._data(name, session)
            except Exception:
                # A fault of one instrument's driver must not stop the live values of the others.
                log.exception("live values not published", instrument=name)
                continue
            if data.values:
                self._publish(name, data.model_dump_json().encode())

    def _data(self, name: str, session: Session) -> LiveData:
        readings, faults = newest_reading(name, session, self._bench.runs)
        active = self._bench.runs.get(name)
        return LiveData(
            time=utc_text(self._bench.clock.utc_ns()),
            source=self._bench.store.source,
            place=self._place,
            instrument=name,
            run=None if active is None else active.record.id,
            state=session.standing.state if active is None else active.runner.pipeline.state.value,
            values={
                signal: _value(readings, unit, signal, [f for where, f in faults if where == "" or where in channels])
                for signal, unit, channels in _signals(session, active)
                if signal in readings
            },
        )


def _signals(session: Session, active: Active | None) -> Signals:
    """Yield name, unit and source channels of each signal that an instrument reads or a run derives from them."""
    for channel in session.driver.channels:
        yield channel.name, channel.unit, (channel.name,)
    if active is not None:
        derivations = {d.name: d for d in active.runner.pipeline.plan.derivations}
        for name, derivation in derivations.items():
            yield name, derivation.unit, roots(name, derivations)


def _value(readings: Mapping[str, float | None], unit: str, signal: str, faults: list[str]) -> LiveValue:
    value, quality = publishable(readings[signal], faults), worst(faults)
    if value is None and quality.severity < Quality.BAD.severity:
        quality = Quality.BAD_NO_COMMUNICATION
    return LiveValue(value=value, unit=unit, quality=quality, status_code=STATUS_CODES[quality])
