"""Recovery after a kill or a power cut: every interrupted run gets its one result, and every motor is accounted for."""

from collections.abc import Callable

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import EndRun
from daq.app.run.results import ResultMaker
from daq.core.effects import Facts
from daq.core.errors import DaqError, FormatError, JournalError, StoreError
from daq.core.header import read_header
from daq.core.journal import read_records
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan
from daq.core.remarks import remark
from daq.core.replay import MakeDriver, pipeline_of
from daq.core.run import OUTCOMES, State

log = structlog.get_logger()

MakeMaker = Callable[[RunRecord, Plan], ResultMaker]

REASON = remark("daemon_ended")


def recover(
    store: Store,
    make_driver: MakeDriver,
    clock: Clock,
    maker: MakeMaker,
) -> list[str]:
    """End unfinished runs; return the names of the instruments whose motor may still be turning.

    If the journal shows that the measurement was complete, the run is concluded with that outcome; otherwise its
    outcome is ``interrupted``.  No run is started again.  A run that cannot be ended now stays unfinished until the
    next start, and does not keep anything else from starting.
    """
    turning: list[str] = []
    with store.reader() as reader:
        for record in reader.unfinished_runs():
            try:
                motor = _recover_one(store, reader, record, make_driver, clock, maker)
            except (StoreError, FormatError) as error:
                motor = "may_still_be_turning"
                log.error("run not recovered", run=record.id, reason=str(error))
            except Exception:
                motor = "may_still_be_turning"
                log.exception("run not recovered", run=record.id)
            if motor == "may_still_be_turning":
                turning.append(record.instrument)
        # Add motors of runs that an earlier recovery ended: the daemon was killed again before it saw them at rest.
        return sorted({*turning, *reader.motors_in_doubt()})


def _recover_one(
    store: Store, reader: Reader, record: RunRecord, make_driver: MakeDriver, clock: Clock, maker: MakeMaker
) -> str:
    raw = b"".join(block.raw for block in reader.journal(record.id))
    pipeline = _again(record, raw, make_driver)
    plan = pipeline.plan if pipeline is not None else read_header(record.header).plan
    if record.state == "running":
        store.submit(maker(record, plan).conclude(_facts(pipeline))).result()
    if pipeline is not None and pipeline.state is State.ENDED:
        motor = pipeline.motor.value
    else:
        # The motor may have started in the moment before the kill, which the stored journal does not show.
        motor = "may_still_be_turning" if _moves(plan) else "not_moved"
    store.submit(EndRun(record.id, motor, clock.utc_ns(), "daemon")).result()
    log.warning("run recovered", run=record.id, instrument=record.instrument, motor=motor)
    return motor


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
