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


def minutes_in_bath(in_bath_s: float, needed_s: float | None) -> tuple[str, str | None]:
    """Return the minutes that a cup is in the bath, and those that it needs; None where that is not known.

    Both are whole minutes, and tenths of them where the cup needs a part of a minute; they are rounded down, so that a
    cup with its whole time never shows less than it needs.
    """
    whole = needed_s is None or needed_s % 60 == 0
    return _minutes(in_bath_s, whole=whole), None if needed_s is None else _minutes(needed_s, whole=whole)


def _minutes(seconds: float, *, whole: bool) -> str:
    return str(int(seconds // 60)) if whole else f"{int(seconds // 6) / 10:.1f}"
