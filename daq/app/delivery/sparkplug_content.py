"""The metrics of the daemon's edge node: its instruments, and the stored results that agree with the audit trail."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, Protocol

import structlog

from daq.adapters.clock import Clock
from daq.adapters.sparkplug.content import DeviceResult
from daq.adapters.sparkplug.memory import ChangedResult, Memory, Position
from daq.adapters.sparkplug.metrics import Metric
from daq.adapters.store.outgoing.outbox_reading import last_audit_numbers
from daq.adapters.store.outgoing.sealed import changed_results
from daq.adapters.store.outgoing.superseded import is_superseded
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord
from daq.adapters.store.store import Store
from daq.app.delivery.sparkplug_metrics import (
    channel_metrics,
    instrument_metrics,
    no_result,
    node_metrics,
    result_metrics,
)
from daq.app.run.active import Active
from daq.app.run.current import newest_reading
from daq.app.run.session import Session
from daq.core.linkstates import LinkState

log = structlog.get_logger()

THERE: Final = (LinkState.READY, LinkState.LENT)
"""States of an instrument's session in which its device is alive."""
PASSING: Final = (LinkState.LENDING, LinkState.IDENTIFYING, LinkState.HALTING)
"""States that an instrument passes through before and after a run; a device that is alive stays alive in them."""
NEWEST_AT_ONCE: Final = 10
"""Number of a device's runs that are read at a time until the result in force of one is known."""


class Bench(Protocol):
    """The part of the supervisor that the node publishes."""

    state: Path
    store: Store
    clock: Clock
    sessions: dict[str, Session]
    runs: dict[str, Active]


def position(reader: Reader) -> Position:
    """Return the identity of a database and the newest results in it."""
    source, epoch = reader.identity()
    return Position(source, epoch, last_audit_numbers(reader, epoch + 1), last_audit_numbers(reader, epoch))


@dataclass(slots=True)
class StoredContent:
    """Supplies the metrics that the link publishes.

    Results come from the database.  Each is compared with the audit trail after it was read; one that was changed
    after it was stored is logged, noted in `memory`, and left out.  So are the earlier results of its run, which it
    supersedes.
    """

    bench: Bench
    reader: Reader
    memory: Memory
    channels_ns: int | None
    """Interval of readings; None: no readings."""
    _readings: dict[str, tuple[int, tuple[Metric, ...]]] = field(default_factory=dict)
    """By instrument: the time of its reading (monotonic ns) and the metrics."""
    _living: set[str] = field(default_factory=set)
    _wrong: frozenset[ResultRecord] = frozenset()
    """Results of the last query for results that do not agree with the audit trail."""
    _without_newest: set[str] = field(default_factory=set)
    """Runs whose newest result is missing, as logged."""

    def node(self) -> Sequence[Metric]:
        """Return the metrics of the node itself."""
        return node_metrics(self.bench.store.source, self._now_ms())

    def present(self) -> Mapping[str, Sequence[Metric]]:
        """Return the state, the identity and the readings of every present device."""
        return {
            name: (*self._instrument(session), *self._channels(name, session))
            for name, session in self.bench.sessions.items()
            if self._lives(name, session)
        }

    def _lives(self, name: str, session: Session) -> bool:
        state = session.standing.state
        if state in THERE or (state in PASSING and name in self._living):
            self._living.add(name)
        else:
            self._living.discard(name)
        return name in self._living

    def newest(self, devices: Sequence[str]) -> Sequence[DeviceResult]:
        """Return the result in force of each device's newest run of which it is known."""
        return [self._shown(device, self._newest(device)) for device in devices]

    def _newest(self, device: str) -> ResultRecord | None:
        read = 0
        while True:
            firsts = self.reader.result_rows(
                "stream = ? AND supersedes IS NULL ORDER BY audit_seq DESC", [device], NEWEST_AT_ONCE, skip=read
            )
            in_force = (self._in_force(first.run) for first in firsts)
            if found := next((r for r in in_force if r is not None and r.stream == device), None):
                return found
            if len(firsts) < NEWEST_AT_ONCE:
                return None
            read += len(firsts)

    def _in_force(self, run: str) -> ResultRecord | None:
        """Return the result in force of a run; None where its newest result is missing or was changed."""
        while True:
            found = self._of_run(run)
            if not found or found[0] in self._changed(found):
                return None
            if not is_superseded(self.reader, found[0]):
                return found[0]
            # A correction may have been stored between the two queries.
            if self._of_run(run) == found:
                self._name_missing(found[0])
                return None

    def _of_run(self, run: str) -> list[ResultRecord]:
        return self.reader.result_rows("run = ? ORDER BY audit_seq DESC", [run], -1)

    def _name_missing(self, superseded: ResultRecord) -> None:
        if superseded.run in self._without_newest:
            return
        self._without_newest.add(superseded.run)
        log.error(
            "a result is superseded, and the one that supersedes it is missing or was changed in the database; the "
            "Sparkplug node sends none of the run: run `daq verify`",
            result=superseded.id,
            run=superseded.run,
            instrument=superseded.stream,
        )

    def after(self, marks: Mapping[str, int], limit: int) -> Sequence[DeviceResult]:
        """Return at most `limit` results after each device's mark, without those that are left out."""
        wrong, without = self._wrong, frozenset[ResultRecord]()
        while True:
            # Results that are left out do not move a mark, so they are read again, and as many more beside them.
            most = limit + 2 * len(wrong | without)
            found = [record for device, mark in marks.items() for record in self._records(device, mark, most)]
            found.sort(key=lambda record: record.audit_seq)
            chosen = [record for record in found[:most] if record not in wrong | without][:limit]
            in_force = {run: self._in_force(run) for run in {r.run for r in chosen}}
            more, held = self._changed(chosen), frozenset(r for r in chosen if in_force[r.run] is None)
            if not more | held:
                # Only what was changed itself is kept: a result is sent as soon as the one that supersedes it is right.
                self._wrong = wrong.intersection(found)
                return [
                    replace(self._shown(r.stream, r), is_present=in_force[r.run] == r and self._is_of_newest_run(r))
                    for r in chosen
                ]
            wrong, without = wrong | more, without | held

    def position(self, epoch: int) -> Position | None:
        """Return the position of the database where it is no longer in `epoch`, else None."""
        return None if self.bench.store.epoch == epoch else position(self.reader)

    def _records(self, device: str, mark: int, limit: int) -> list[ResultRecord]:
        return self.reader.result_rows("stream = ? AND audit_seq > ? ORDER BY audit_seq", [device, mark], limit)

    def _is_of_newest_run(self, record: ResultRecord) -> bool:
        """Return whether no later run of the stream had a result before this one."""
        if record.supersedes is None:
            return True
        (first,) = self.reader.result_rows("run = ? ORDER BY audit_seq", [record.run], 1)
        later = "stream = ? AND supersedes IS NULL AND audit_seq > ? AND audit_seq < ?"
        return not self.reader.result_rows(later, [record.stream, first.audit_seq, record.audit_seq], 1)

    def _changed(self, records: Sequence[ResultRecord]) -> frozenset[ResultRecord]:
        """Return the results that do not agree with the audit trail; each is logged and noted once."""
        wrong = changed_results(records, self.reader.rows)
        for record in wrong:
            noted = ChangedResult(record.id, record.stream, record.sequence, self.bench.clock.utc_ns())
            if self.memory.note_changed(noted):
                log.error(
                    "a result was changed in the database after it was stored; the Sparkplug node does not send it: "
                    "run `daq verify`",
                    result=record.id,
                    instrument=record.stream,
                    sequence=record.sequence,
                )
        return frozenset(wrong)

    def _shown(self, device: str, record: ResultRecord | None) -> DeviceResult:
        if record is None:
            return DeviceResult(device, 0, no_result(self._now_ms()))
        return DeviceResult(device, record.audit_seq, result_metrics(record, self.bench.store.uuid))

    def _instrument(self, session: Session) -> tuple[Metric, ...]:
        standing = session.standing
        serial = standing.identity.serial if standing.identity is not None else None
        return instrument_metrics(standing.state, session.driver.kind, serial, self._now_ms())

    def _channels(self, name: str, session: Session) -> tuple[Metric, ...]:
        if self.channels_ns is None:
            return ()
        now = self.bench.clock.mono_ns()
        taken = self._readings.get(name)
        if taken is None or now - taken[0] >= self.channels_ns:
            values, faults = newest_reading(name, session, self.bench.runs)
            taken = (now, tuple(channel_metrics(session.driver.channels, values, faults, self._now_ms())))
            self._readings[name] = taken
        return taken[1]

    def _now_ms(self) -> int:
        return self.bench.clock.utc_ns() // 1_000_000
