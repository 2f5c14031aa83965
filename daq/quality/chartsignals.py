"""Signals of a control chart of individual values: patterns that chance alone seldom makes.

Sources: ISO 7870-2; L. S. Nelson, J. Quality Technology 16 (1984) 237-239; NIST/SEMATECH e-Handbook 6.3.2.  Values of
one call are in one unit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from daq.core.arguments import require_finite, require_numbers, require_one_of, require_positive
from daq.quality.charts import RUN_RULES, constants, ewma_chart
from daq.quality.limits import in_sigmas

LENGTHS: Final[Mapping[str, int]] = {
    "one_beyond_3s": 1,
    "nine_one_side": 9,
    "six_trend": 6,
    "two_of_three_2s": 3,
    "four_of_five_1s": 5,
}
"""Number of points of each run rule that is used, by its name in `daq.quality.charts.RUN_RULES`.

The others answer questions that a chart of samples does not ask, and each more rule adds false alarms.
"""
MOVING_RANGE: Final = "moving_range"
EWMA: Final = "ewma"
RULES: Final = (*LENGTHS, MOVING_RANGE, EWMA)
_ZONE: Final = {"two_of_three_2s": 2.0, "four_of_five_1s": 1.0}
"""Distance (sigma) beyond which a point is a part of the pattern."""


@dataclass(frozen=True, slots=True)
class Signal:
    """A pattern on a chart.

    Attributes:
        rule: one of `RULES`.
        side: 1 above the centre or rising, -1 below or falling, 0 for a moving range.
        points: indices (from 0) of the points that make it, in order.
    """

    rule: str
    side: int
    points: tuple[int, ...]


def find_signals(values: Sequence[float], centre: float, sigma: float, weight: float = 0.3) -> tuple[Signal, ...]:
    """Return the signals of values in their order, sorted by their first point.

    Completions of one rule that follow each other are one signal.

    Args:
        values: the values in order of time.
        centre: centre line.
        sigma: standard deviation of single values, above 0.
        weight: weight of the newest value in the EWMA, whose limits narrow towards the first point.
    """
    require_numbers("values", values)
    require_finite("centre", centre)
    require_positive("sigma", sigma)
    z = [in_sigmas(v, centre, sigma) for v in values]
    require_numbers("values", z)
    found = [s for rule, length in LENGTHS.items() for s in _by_rule(z, rule, length)]
    found += _moving_ranges(z)
    if values:
        chart = ewma_chart(z, 0.0, 1.0, weight, exact=True)
        sides = {i: 1 if chart.averages[i] > 0.0 else -1 for i in chart.signals}
        found += [Signal(EWMA, side, run) for run, side in _runs(sides)]
    return tuple(sorted(found, key=lambda s: (s.points[0], RULES.index(s.rule))))


def _by_rule(z: Sequence[float], rule: str, length: int) -> list[Signal]:
    is_complete = RUN_RULES[rule]
    sides: dict[int, int] = {}
    for i in range(len(z)):
        window = z[max(0, i + 1 - length) : i + 1]
        if is_complete(window):
            sides[i] = _side(rule, window)
    out = []
    for run, side in _runs(sides):
        reach = range(max(0, run[0] + 1 - length), run[-1] + 1)
        zone = _ZONE.get(rule)
        points = tuple(i for i in reach if zone is None or side * z[i] > zone)
        out.append(Signal(rule, side, points))
    return out


def _side(rule: str, window: Sequence[float]) -> int:
    height = window[-1] - window[0] if rule == "six_trend" else window[-1]
    return 1 if height > 0.0 else -1


def _runs(sides: Mapping[int, int]) -> list[tuple[tuple[int, ...], int]]:
    """Return indices that follow each other on one side as runs with their side."""
    out: list[tuple[tuple[int, ...], int]] = []
    for i, side in sides.items():
        if out and out[-1][0][-1] == i - 1 and out[-1][1] == side:
            out[-1] = ((*out[-1][0], i), side)
        else:
            out.append(((i,), side))
    return out


def _moving_ranges(z: Sequence[float]) -> list[Signal]:
    limit = constants(2).D4 * constants(2).d2
    return [Signal(MOVING_RANGE, 0, (i, i + 1)) for i, (a, b) in enumerate(pairwise(z)) if abs(b - a) > limit]


def _below(z: float) -> float:
    """Return the probability that a standard normal value is below `z`; it is exact in the lower tail, too."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def false_alarm(rule: str) -> float:
    """Return the probability that a point completes a rule by chance: independent normal values, known limits.

    It is that of a point behind which the chart is long enough for the rule.  Elementary probability, except for the
    moving range, where it is P(|z2 - z1| > D4 d2) with z2 - z1 normal of variance 2.
    """
    require_one_of("rule", rule, RULES)
    one, two = _below(-1.0), _below(-2.0)
    c = constants(2)
    return {
        "one_beyond_3s": 2.0 * _below(-3.0),
        "nine_one_side": 2.0 * 0.5**9,
        "six_trend": 2.0 / math.factorial(6),
        "two_of_three_2s": 2.0 * two * (1.0 - (1.0 - two) ** 2),
        "four_of_five_1s": 2.0 * one * (4.0 * one**3 * (1.0 - one) + one**4),
        MOVING_RANGE: 2.0 * _below(-c.D4 * c.d2 / math.sqrt(2.0)),
        EWMA: 2.0 * _below(-3.0),
    }[rule]
