"""Whether work leaves more memory behind each time it is done."""

import gc
import tracemalloc
from collections.abc import Callable
from typing import Final

TIMES: Final = 4


def growth(work: Callable[[], None], most: int) -> list[int]:
    """Bytes that Python holds more after `work` than before, each time; at most `TIMES` of them.

    It ends as soon as there were no more than `most`: what a leak keeps it keeps every time; caches that fill and other
    threads of the process do not.  Where the last is above `most`, something grows.
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
