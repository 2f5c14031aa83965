"""Find the cups that enter the bath now, so that they have the right temperature when their turn comes.  Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

USUAL_CYCLE_S: Final = 600.0
"""Time (s) from one sample to the next where the bench has no run yet (common practice, no source)."""
HANDLING_S: Final = 120.0
"""Time (s) for cleaning and filling between two runs (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Next:
    """A sample of the worklist: its id, its time in the bath (s), and whether its cup is in the bath."""

    sample: str
    equilibrating_s: float
    in_bath: bool = False


def cycle_s(durations: Sequence[float]) -> float:
    """Return the time (s) from one sample to the next, from the durations (s) of the newest runs of the bench."""
    return median(durations) + HANDLING_S if durations else USUAL_CYCLE_S


def enters_now(worklist: Sequence[Next], cycle: float, left_s: float = 0.0) -> tuple[str, ...]:
    """Return the samples whose cups enter the bath now, in the order of the worklist.

    Args:
        worklist: the next samples, the first of them measured first.
        cycle: time (s) from one sample to the next.
        left_s: time (s) until the first of them can be measured.
    """
    return tuple(
        s.sample
        for place, s in enumerate(worklist)
        if s.equilibrating_s and not s.in_bath and left_s + place * cycle <= s.equilibrating_s
    )
