"""The computations of a daemon: in a process of their own, or in a thread of this one; the numbers are the same."""

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from daq.adapters.clock import TimeSource
from daq.adapters.store.store import Store
from daq.app.daemon.computing.computing_process import ComputingProcess, NoProcessError
from daq.app.daemon.computing.tasks import ComputeConclusion, Place, Task
from daq.app.run.results import Compute
from daq.core.effects import Facts
from daq.core.plan import Plan
from daq.core.replay import MakeDriver
from daq.methods.concluding.conclusion import Conclusion

T = TypeVar("T")


class Computations:
    """Carries out tasks.

    Attributes:
        process: the process for computations; None where they are carried out in threads.
    """

    def __init__(
        self, store: Store, make: MakeDriver, clock: TimeSource, process: ComputingProcess | None = None
    ) -> None:
        """`make` makes the drivers of recorded runs; `process` is started with the first run or task."""
        self._store, self._make, self._clock = store, make, clock
        self.process = process

    async def carry_out(self, task: Task[T]) -> T:
        """Return the value of a task.

        Only a whole journal waits for a process that is still being started; no result waits for it.

        Raises:
            DaqError: it could not be computed or stored, or the daemon ends.
        """
        now = self._clock.utc_ns()
        if self.process is not None and (task.queue == "journal" or self.process.answers()):
            try:
                return await asyncio.wrap_future(self.process.ask(task, now))
            except NoProcessError:
                pass
        return await asyncio.to_thread(task.carry_out, Place(self._store, self._make, now))

    def conclusion_of(self, plan: Plan) -> Compute | None:
        """Return what computes the conclusion of a run with a plan; None where it is computed where it is needed."""
        if self.process is None:
            return None
        self.process.start()  # it imports its libraries during the run

        def compute(facts: Facts) -> Awaitable[Conclusion]:
            return self.carry_out(ComputeConclusion(plan, facts))

        return compute

    async def close(self) -> None:
        """End the process; a task that it still has raises an error."""
        if self.process is not None:
            await asyncio.to_thread(self.process.close)
