"""A run in progress, as the parts that show or publish it need it."""

import asyncio
from dataclasses import dataclass, field

from daq.adapters.store.rows import RunRecord
from daq.app.run.live_digits import LiveDigits
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
    digits: LiveDigits = field(init=False)

    def __post_init__(self) -> None:
        """Begin with the digits of the instrument's resolution."""
        self.digits = LiveDigits(self.runner.pipeline.plan)
