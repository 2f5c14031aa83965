"""Detect memory that grows each time the same work is done."""

import gc
import tracemalloc
from collections.abc import Callable
from typing import Final

TIMES: Final = 4


def growth(work: Callable[[], None], most: int) -> list[int]:
    """Return the growth of Python's memory by each call of `work`, bytes; at most `TIMES` calls.

    The calls end as soon as one grows by at most `most`: a leak grows at every call, but filling caches and other
    threads do not.  There is a leak where the last value is above `most`.
    """
    grown: list[int] = []
    tracemalloc.start()
    try:
        while len(grown) < TIMES and not (grown and grown[-1] <= most):
            gc.collect()
            before = tracemalloc.get_traced_memory()[0]
            work()
            gc.collect()
            grown.append(tracemalloc.get_traced_memory()[0] - before)
    finally:
        tracemalloc.stop()
    return grown
