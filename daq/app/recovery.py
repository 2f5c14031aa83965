"""After a kill or a power cut: every run that was under way gets its one result, and no motor is forgotten."""

import json
from collections.abc import Callable, Mapping
from typing import Any

import structlog

from daq.adapters.clock import Clock
from daq.adapters.store import Store
from daq.adapters.store_rows import RunRecord
from daq.adapters.store_transactions import EndRun
from daq.app.results import ResultMaker
from daq.core.driver import Driver
from daq.core.effects import Facts
from daq.core.errors import DaqError, JournalError
from daq.core.journal import read_records
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan, plan_from_json
from daq.core.run import OUTCOMES, State

log = structlog.get_logger()

MakeDriver = Callable[[str, Mapping[str, Any]], Driver]
MakeMaker = Callable[[RunRecord, Plan], ResultMaker]

REASON = "the daemon ended while the run was under way"


def recover(
    store: Store,
    make_driver: MakeDriver,
    clock: Clock,
    maker: MakeMaker,
) -> list[str]:
    """Bring unfinished runs to their end; names of the instruments whose motor may still be turning.

    A run whose measuring was journaled to its end is concluded as what it was; any other is
    ``interrupted``.  Nothing is started again.
    """
    turning: list[str] = []
    with store.reader() as reader:
        unfinished = reader.unfinished_runs()
        for record in unfinished:
            raw = b"".join(block.raw for block in reader.journal(record.id))
            pipeline = _again(record, raw, make_driver)
            if record.state == "running":
                facts = _facts(pipeline)
                plan = pipeline.plan if pipeline is not None else _plan(record)
                store.submit(maker(record, plan).conclude(facts, None)).result()
            moved = pipeline is None or pipeline.moved
            if pipeline is not None and pipeline.state is State.ENDED:
                motor = pipeline.motor
            else:
                motor = "may still be turning" if moved else "not moved"
            if motor == "may still be turning":
                turning.append(record.instrument)
            store.submit(EndRun(record.id, motor, clock.utc_ns(), "daemon")).result()
            log.warning("run recovered", run=record.id, instrument=record.instrument, motor=motor)
    return turning


def _plan(record: RunRecord) -> Plan:
    return plan_from_json(json.loads(record.header)["plan"])


def _again(record: RunRecord, raw: bytes, make_driver: MakeDriver) -> Pipeline | None:
    """The pipeline as it stood at the last journaled event, or None where the journal cannot be read."""
    pipeline: Pipeline | None = None
    try:
        for item in read_records(raw):
            if item.header is not None:
                plan = plan_from_json(item.header["plan"])
                drivers: dict[str, Driver] = {}
                for name, said in item.header["drivers"].items():
                    drivers[name] = make_driver(said["kind"], said["options"])
                    drivers[name].restore(said["state"])
                pipeline = Pipeline(plan, drivers)
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
