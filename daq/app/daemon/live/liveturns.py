"""The order in which a live feed views the runs: spread over time, so that no reading waits for more than one view."""

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Final

TICK_S: Final = 0.05
"""Time in seconds between two turns."""
VIEW_S: Final = 0.25
"""Least time in seconds between two views of a run."""
VALUE_S: Final = 1.5
"""Longest time in seconds that a view shows value and advice of an earlier one, whatever the number of runs is."""
VALUES: Final = 2
"""Number of values and advices that are computed in a turn at least: up to ten runs have new ones in each view."""
_EARLY_S: Final = TICK_S / 2


@dataclass(slots=True)
class ViewTurns:
    """Chooses the runs of each turn.

    Attributes:
        viewed: time (s) of the newest view of each run.
        computed: time (s) at which its value and advice were computed.
    """

    viewed: dict[str, float] = field(default_factory=dict)
    computed: dict[str, float] = field(default_factory=dict)
    turned: float = 0.0
    """Time (s) of the turn before."""

    def turn(self, runs: Collection[str], now: float) -> list[tuple[str, bool]]:
        """Return the runs to view at `now` (s), and for each whether its value and advice are to be computed.

        New runs come first, then those whose view, or whose value, is the oldest.
        """
        for gone in self.viewed.keys() - set(runs):
            del self.viewed[gone], self.computed[gone]
        new = [name for name in runs if name not in self.viewed]
        # A turn that comes late, as on a busy machine, has more of them.
        since, self.turned = max(TICK_S, now - self.turned), now
        values = max(0, math.ceil(since * max(VALUES / TICK_S, len(runs) / VALUE_S)) - len(new))
        known = sorted(self.viewed, key=self.computed.__getitem__)
        overdue = [name for name in known if now - self.computed[name] >= VALUE_S][:values]
        waiting = sorted(self.viewed.keys() - set(overdue), key=self.viewed.__getitem__)
        waiting = [name for name in waiting if now - self.viewed[name] >= VIEW_S - _EARLY_S]
        due = overdue + waiting[: max(0, math.ceil(len(runs) * since / VIEW_S) - len(overdue))]
        computed = [name for name in known if name in due][:values]
        for name in (*new, *due):
            self.viewed[name] = now
        for name in (*new, *computed):
            self.computed[name] = now
        return [(name, True) for name in new] + [(name, name in computed) for name in due]
