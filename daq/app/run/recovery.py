"""Recovery after a kill or a power cut: every interrupted run gets its one result, and every motor is accounted for."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import EndRun
from daq.app.run.clock_watch import unknown_evidence
from daq.app.run.results import ResultMaker
from daq.core.clocks import ClockFacts
from daq.core.effects import Facts
from daq.core.errors import DaqError, FormatError, JournalError, StoreError
from daq.core.header import read_header
from daq.core.journal import read_records
from daq.core.linkstates import Motor
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan
from daq.core.remarks import remark
from daq.core.replay import MakeDriver, pipeline_of
from daq.core.run import OUTCOMES, State

log = structlog.get_logger()

MakeMaker = Callable[[RunRecord, Plan], ResultMaker]

REASON = remark("daemon_ended")
MOTOR_KNOWN: Final = (State.CONCLUDED, State.ENDED)
"""States of a run in which the journal shows the state of the motor that belongs to the result."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """A run that was ended by the recovery: its record, its plan, and the state of its motor."""

    record: RunRecord
    plan: Plan
    motor: Motor


@dataclass(slots=True)
class Recovery:
    """The recovery of a database's unfinished runs.

    A run that cannot be ended now stays unfinished, and does not keep anything else from starting.  It can be tried
    again with `one`.

    Attributes:
        failed: runs that could not be ended, with the error of each.
    """

    store: Store
    make_driver: MakeDriver
    clock: Clock
    maker: MakeMaker
    failed: list[tuple[RunRecord, Exception]] = field(default_factory=list)

    def all(self) -> list[str]:
        """End unfinished runs; return the names of the instruments whose motor may still be turning.

        If the journal shows that the measurement was complete, the run is concluded with that outcome; otherwise its
        outcome is ``interrupted``.  No run is started again.
        """
        turning: list[str] = []
        with self.store.reader() as reader:
            unfinished = reader.unfinished_runs()
        for record in unfinished:
            try:
                motor = self.one(record).motor
            except (StoreError, FormatError) as error:
                motor = Motor.IN_DOUBT
                self.failed.append((record, error))
                log.error("run not recovered", run=record.id, reason=str(error))
            except Exception as error:
                motor = Motor.IN_DOUBT
                self.failed.append((record, error))
                log.exception("run not recovered", run=record.id)
            if motor is Motor.IN_DOUBT:
                turning.append(record.instrument)
        # Add motors of runs that an earlier recovery ended: the daemon was killed again before it saw them at rest.
        with self.store.reader() as reader:
            return sorted({*turning, *reader.motors_in_doubt()})

    def one(self, record: RunRecord) -> Recovered:
        """End one unfinished run; it waits for the store.

        Raises:
            StoreError: the result cannot be stored now.
            FormatError: the header of the run is of an unknown format.
        """
        with self.store.reader() as reader:
            raw = b"".join(block.raw for block in reader.journal(record.id))
        pipeline = _again(record, raw, self.make_driver)
        plan = pipeline.plan if pipeline is not None else read_header(record.header).plan
        if pipeline is not None and pipeline.state is State.ENDED:
            motor = pipeline.motor
        else:
            # The motor may have started in the moment before the kill, which the stored journal does not show.
            motor = Motor.IN_DOUBT if _moves(plan) else Motor.NOT_MOVED
        if record.state == "running":
            facts = _facts(pipeline)
            if pipeline is None or pipeline.state not in MOTOR_KNOWN:
                facts = replace(facts, motor=motor)
            self.store.submit(self.maker(record, plan).conclude(facts)).result()
        # A clock that was set back since then must not end the run before its start.
        ended = max(self.clock.utc_ns(), record.began_utc_ns)
        known = pipeline.facts().clock if pipeline is not None else ClockFacts()
        clock = unknown_evidence(record.began_utc_ns, known.synchronised)
        self.store.submit(EndRun(record.id, motor, ended, "daemon", clock=clock)).result()
        log.warning("run recovered", run=record.id, instrument=record.instrument, motor=motor.value)
        return Recovered(record, plan, motor)


def _moves(plan: Plan) -> bool:
    return plan.conditioning.preshear_speed is not None or any(step.speed is not None for step in plan.steps)


def _again(record: RunRecord, raw: bytes, make_driver: MakeDriver) -> Pipeline | None:
    """Return the pipeline after the last journaled event; None if the journal cannot be read."""
    pipeline: Pipeline | None = None
    try:
        for item in read_records(raw):
            if item.header is not None:
                pipeline = pipeline_of(item.header, make_driver)
            elif item.event is not None and pipeline is not None:
                pipeline.step((item.event,))
    except (JournalError, DaqError) as error:
        log.error("journal cannot be computed again", run=record.id, reason=str(error))
        return pipeline
    return pipeline


def _facts(pipeline: Pipeline | None) -> Facts:
    if pipeline is None:
        return Facts(0, 0, OUTCOMES["link lost"], REASON)
    facts = pipeline.facts()
    if not facts.outcome:
        facts.outcome, facts.reason = OUTCOMES["link lost"], REASON
    return facts
