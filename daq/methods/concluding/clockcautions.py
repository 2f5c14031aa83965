"""Cautions about the times of a result: steps of the machine's clock, and a clock without a time source."""

from collections.abc import Iterator

from daq.core.clocks import ClockFacts
from daq.methods.parts.statement import Statement, state


def clock_cautions(clock: ClockFacts) -> Iterator[Statement]:
    """Give a caution where the clock was stepped in the run, and one where it is not synchronised."""
    if clock.largest_step is not None:
        count = len(clock.steps)
        yield state("clock_stepped", step=clock.largest_step, count=count if count > 1 else None)
    if clock.synchronised is False:
        yield state("clock_not_synchronised")
