"""The readings of a run, computed again from its journal, which is the only record of them."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from daq.core.derive import Getter, getters
from daq.core.driver import Values
from daq.core.effects import Facts
from daq.core.errors import JournalError, StoreError
from daq.core.events import ClockAnchor, OperatorCommand
from daq.core.journal import read_records
from daq.core.link import Checked
from daq.core.plan import Plan
from daq.core.replay import MakeDriver, pipeline_of


@dataclass(frozen=True, slots=True)
class Reading:
    """One checked reading of one instrument, with the signals derived from it."""

    t: int
    """Monotonic time, ns."""
    begin_s: float
    """Seconds since the start of the run."""
    utc_ns: int
    link: str
    state: str
    """State of the run when the reading arrived."""
    step: str
    """Name of the step; "" outside of the measurement."""
    values: dict[str, float | None]
    faults: tuple[str, ...]
    repeat: bool
    """True if the instrument sent the same values again before it renewed them: not counted as a reading."""


class Readings:
    """Iterates over the readings in the journal `raw` (all blocks joined), in the order in which they came.

    Attributes:
        plan: of the run, as declared now.
        units: UCUM code of every signal, in the order of columns: lead instrument, derived, companions.

    Raises:
        JournalError: the journal is damaged; the readings before the damage are valid.
        StoreError: the journal has no header.
        SettingError: a driver of the run is not installed.
    """

    def __init__(self, raw: bytes, make_driver: MakeDriver, declared: Plan | None = None) -> None:
        """Take a journal; `declared` is the plan after a correction, None where it is that of the journal."""
        self._raw = raw
        try:
            header = next(read_records(raw)).header
        except StopIteration:
            header = None
        if header is None:
            raise StoreError("the journal of this run is empty; there are no readings")
        self._pipeline = made = pipeline_of(header, make_driver, self._hear)
        self.plan = plan = made.plan if declared is None else declared
        self._heard: list[tuple[int, str, str, str, Checked, bool]] = []
        self._lead: dict[str, Getter] = getters(plan.lead.channels, plan.derivations)
        self._began: int | None = None
        self._anchor: ClockAnchor | None = None
        self.units = dict(zip(plan.lead.channels, plan.lead.units, strict=True))
        self.units |= {d.name: d.unit for d in plan.derivations}
        for link in plan.links:
            if link.role == "companion":
                self.units |= {f"{link.name}.{c}": u for c, u in zip(link.channels, link.units, strict=True)}

    def __iter__(self) -> Iterator[Reading]:
        pipeline = self._pipeline
        for record in read_records(self._raw):
            event = record.event
            if event is None:
                continue
            if isinstance(event, ClockAnchor):
                self._anchor = event
            elif isinstance(event, OperatorCommand) and event.command == "begin" and self._began is None:
                self._began = event.t
            pipeline.step((event,))
            for heard in self._heard:
                yield self._reading(*heard)
            self._heard.clear()

    def _hear(self, t: int, link: str, checked: Checked, repeat: bool) -> None:
        life = self._pipeline.life
        step = self.plan.steps[life.step_number].name if life.meter is not None else ""
        self._heard.append((t, link, life.state.value, step, checked, repeat))

    def _reading(self, t: int, link: str, state: str, step: str, checked: Checked, repeat: bool) -> Reading:
        if link == self.plan.lead.name:
            row: Sequence[float | None] = checked.values if isinstance(checked, Values) else checked
            values = {name: _finite(get(row)) for name, get in self._lead.items()}
        else:
            channels = next(x.channels for x in self.plan.links if x.name == link)
            row = checked.values if isinstance(checked, Values) else checked
            values = {f"{link}.{c}": _finite(v) for c, v in zip(channels, row, strict=True)}
        faults = checked.faults if isinstance(checked, Values) else ()
        named = tuple(f"{channel}: {fault}" if channel else fault for channel, fault in faults)
        return Reading(t, self.since_begin(t), self.utc(t), link, state, step, values, named, repeat)

    @property
    def facts(self) -> Facts:
        """Facts of the run up to the last reading."""
        return self._pipeline.facts()

    def since_begin(self, t: int) -> float:
        """Return the seconds between the start of the run and a monotonic time (ns)."""
        return (t - (t if self._began is None else self._began)) / 1e9

    def utc(self, t: int) -> int:
        """Return a monotonic time (ns) as UTC (ns), by the latest anchor before it; 0 without one."""
        return 0 if self._anchor is None else self._anchor.utc_ns + t - self._anchor.t


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value + 0.0


def clock_of(raw: bytes) -> tuple[int, int]:
    """Return the monotonic time of a run's start and UTC minus monotonic time, both in ns; 0 if unknown."""
    began, offset = 0, 0
    try:
        for record in read_records(raw):
            event: Any = record.event
            if isinstance(event, ClockAnchor) and not offset:
                offset = event.utc_ns - event.t
            if isinstance(event, OperatorCommand) and event.command == "begin":
                began = event.t
                break
    except JournalError:
        return began, offset
    return began, offset
