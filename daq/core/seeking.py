"""Choose the next speed to try so that the torque comes into a band.

The choice uses only torques and speeds, and one property of the fluid: the torque of a fluid that does not thicken
under shear is a concave function of the speed, and not negative at speed zero.  So the straight line through two
tries, prolonged to higher speeds, is never below the torque, and the power law through them is seldom above it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.core.arguments import Number, finite_result, require_finite, require_instance, require_positive
from daq.core.effects import Kept
from daq.core.errors import ArgumentError
from daq.core.plan import Plan, Seek
from daq.core.remarks import Parameter, Remark, remark

LEAST_INDEX: Final = 0.05
"""Smallest flow behaviour index used: a torque that hardly changes with the speed comes from a yield stress."""
NARROW: Final = 1.01
"""Smallest ratio of the speeds of two tries on either side of the band between which another speed is tried."""
DIFFERENCE: Final = 0.3
"""Share of the error of a torque that remains in the difference of two torques: both contain the error of the zero."""


@dataclass(frozen=True, slots=True)
class Try:
    """A speed (/min) and the mean torque there."""

    speed: float
    torque: float

    def __post_init__(self) -> None:
        require_positive("speed", self.speed)
        require_finite("torque", self.torque)


def power_law_speed(torque: Number, speed: float, target: float, index: float) -> Number:
    """Return the speed at which the torque is `target`, by the power law: speed (target/torque)^(1/index).

    `torque` is a number or an array, in the unit of `target`.  The result has the shape of `torque` and the unit of
    `speed`.

    Raises:
        ArgumentError: an argument that is not greater than 0, or a speed that is not finite.
    """
    require_positive("torque", torque)
    require_positive("speed", speed)
    require_positive("target", target)
    require_positive("index", index)
    try:
        found: Number = speed * (target / torque) ** (1.0 / index)
    except OverflowError:
        raise ArgumentError(f"gives no finite speed for a target of {target:g}", key="torque") from None
    return finite_result("torque", found)


def local_index(first: Try, second: Try) -> float | None:
    """Return the flow behaviour index between two tries, d ln(torque)/d ln(speed).

    It is None for equal speeds and for a torque that is not positive.
    """
    require_instance("first", first, Try)
    require_instance("second", second, Try)
    ratio = second.speed / first.speed
    if ratio == 1.0 or min(first.torque, second.torque) <= 0.0:
        return None
    return math.log(second.torque / first.torque) / math.log(ratio)


def next_speed(seek: Seek, tries: Sequence[Try]) -> float | None:
    """Return the speed (/min) to try after `tries` (at least one, none in the band); None where no speed is left.

    * Between a torque below the band and one above it: the geometric mean of the speeds from the power law and from
      the straight line through the two tries.
    * With only torques below the band: the speed from the power law, limited to the speed at which the straight line
      leaves the band.
    * With only torques above the band: the speed from the power law.

    The power law has the local index of two tries; for a single try it has the index of the product, or 1.

    Raises:
        ArgumentError: no tries, or things that are no tries.
    """
    require_instance("seek", seek, Seek)
    if not isinstance(tries, Sequence) or not tries:
        raise ArgumentError("needs at least one try", key="tries")
    for each in tries:
        require_instance("tries", each, Try)
    below = max((t for t in tries if t.torque < seek.low), key=lambda t: t.speed, default=None)
    above = min((t for t in tries if t.torque > seek.high), key=lambda t: t.speed, default=None)
    found: float | None = None
    if below is not None and above is not None:
        found = _between(seek, below, above)
    elif below is not None and below.speed < seek.fastest:
        found = _faster(seek, below, tries)
    elif above is not None and above.speed > seek.slowest:
        found = _slower(seek, above, tries)
    # Four digits are enough for a set-point, and a person can read them.
    return None if found is None else min(max(float(f"{found:.4g}"), seek.slowest), seek.fastest)


def _middle(seek: Seek) -> float:
    return (seek.low + seek.high) / 2.0


def _between(seek: Seek, below: Try, above: Try) -> float | None:
    if above.speed < below.speed * NARROW:
        return None
    middle = _middle(seek)
    part = (middle - below.torque) / (above.torque - below.torque)
    straight = below.speed + part * (above.speed - below.speed)
    index = local_index(below, above)
    if index is None:
        return straight
    return math.sqrt(straight * power_law_speed(below.torque, below.speed, middle, index))


def _index(seek: Seek, at: Try, tries: Sequence[Try]) -> float:
    """Return the local index between a try and the nearest other one; without one the index of the product, or 1."""
    others = [t for t in tries if t.speed != at.speed and t.torque > seek.doubt]
    if others and at.torque > seek.doubt:
        nearest = min(others, key=lambda t: abs(math.log(t.speed / at.speed)))
        found = local_index(nearest, at)
        if found is not None:
            return max(found, LEAST_INDEX)
    return seek.flow_behaviour_index or 1.0


def _faster(seek: Seek, at: Try, tries: Sequence[Try]) -> float:
    slower = max((t for t in tries if t.speed < at.speed), key=lambda t: t.speed, default=None)
    index = _index(seek, at, tries)
    if slower is None:
        # The straight line starts at the origin; the error of the torque is added, so that the bound is safe.
        bound = at.speed * seek.high / max(at.torque + seek.doubt, seek.doubt)
    else:
        rise = max(at.torque - slower.torque, 0.0) + DIFFERENCE * seek.doubt
        bound = at.speed + (seek.high - at.torque) * (at.speed - slower.speed) / rise
    if index > 1.0:
        # The torque of a fluid that thickens under shear is above the straight line, so the power law bounds it.
        bound = min(bound, power_law_speed(max(at.torque, seek.doubt), at.speed, seek.high, index))
    wanted = power_law_speed(at.torque, at.speed, _middle(seek), index) if at.torque > seek.doubt else bound
    return min(wanted, bound)


def _slower(seek: Seek, at: Try, tries: Sequence[Try]) -> float:
    return power_law_speed(at.torque, at.speed, _middle(seek), _index(seek, at, tries))


class Seeker:
    """The tries of one step, and the speed of the next."""

    def __init__(self, plan: Plan, number: int) -> None:
        """Set up the search of the step `number` of `plan`, which must have a `seek` and a torque band."""
        self._plan, self._number = plan, number
        self._step = step = plan.steps[number]
        assert step.seek is not None  # noqa: S101 - narrows the type
        assert plan.band is not None  # noqa: S101 - narrows the type
        self._seek, self._band = step.seek, plan.band
        self._tries: list[Try] = []
        self._ends = 0
        self.speed = step.speed
        """Speed (/min) to try; None where none is left."""
        self.on_target = False
        self.remark = Remark("")
        """Result of the last try."""

    def plan_of_try(self, t: int) -> Plan:
        """Return the plan with the present try as its step, started at `t` (ns) with the remaining time of the step."""
        self._ends = self._ends or t + self._step.longest_ns
        step = replace(self._step, speed=self.speed, longest_ns=max(self._ends - t, 0))
        steps = self._plan.steps
        return replace(self._plan, steps=(*steps[: self._number], step, *steps[self._number + 1 :]))

    def take(self, kept: Kept) -> None:
        """Evaluate the value of the present try: set `on_target`, or `speed` to the next speed or None."""
        seek, speed = self._seek, self.speed or 0.0
        torque = kept.summaries[self._band.signal].mean
        self.speed = None
        if torque is None:
            self.remark = remark("seek_without_torque", speed=speed)
            return
        self._tries.append(Try(speed, torque))
        found: dict[str, Parameter] = {"torque": torque, "unit": self._band.unit, "speed": speed}
        self.remark = remark("seek_try", **found)
        self.on_target = seek.low <= torque <= seek.high
        if self.on_target:
            return
        following = next_speed(seek, self._tries)
        if following is None:
            speeds: dict[str, Parameter] = {"slowest": seek.slowest, "fastest": seek.fastest}
            self.remark = remark("seek_no_speed_left", low=seek.low, high=seek.high, **speeds, **found)
        elif len(self._tries) >= seek.most:
            self.remark = remark("seek_too_many_tries", tries=seek.most, low=seek.low, high=seek.high, **found)
        else:
            self.speed = following
