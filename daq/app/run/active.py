"""A run in progress, as the parts that show or publish it need it."""

import asyncio
from dataclasses import dataclass, field

from daq.adapters.store.rows import RunRecord
from daq.app.run.results import ResultMaker
from daq.app.run.runner import Runner, RunOutcome


@dataclass(slots=True)
class Active:
    """A run in progress; the events in `subscribers` are set at every change."""

    record: RunRecord
    runner: Runner
    task: "asyncio.Task[RunOutcome]"
    maker: ResultMaker
    subscribers: set[asyncio.Event] = field(default_factory=set)
    warnings: tuple[str, ...] = ()
    """Lines for a person before anything moves."""
