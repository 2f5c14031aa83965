"""The decimals of the live values of a run: those of the interval to expect, and of the instrument's resolution."""

from collections.abc import Mapping
from decimal import Decimal

from daq.core.derive import roots
from daq.core.effects import Facts, Kept
from daq.core.plan import Plan
from daq.methods.concluding.claims import expected_expanded, raw_value
from daq.quality.digits import decimals_for


class LiveDigits:
    """Decimals by signal; within a step, and within one try of a seek, they only become fewer."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._resolution = decimals_of_resolution(plan)
        self._least = dict(self._resolution)
        self._place: tuple[int, float | None] | None = None
        self._seen: set[str] = set()
        derivations = {d.name: d for d in plan.derivations}
        signal = "" if plan.band is None else plan.band.signal
        # They have the relative uncertainty of the torque, as the value has.
        self._of_torque = {name for name in derivations if signal in roots(name, derivations)}

    def decimals(
        self, place: tuple[int, float | None], facts: Facts, kept: Kept | None, signals: Mapping[str, float | None]
    ) -> dict[str, int]:
        """Return the decimals of every signal for which they are known; negative ones are tens, hundreds.

        Args:
            place: number and set-point (/min) of the step.
            facts: of the run so far.
            kept: the value that the step would give if it ended now; None: the decimals stay.
            signals: newest readings.
        """
        value = None if kept is None else raw_value(self._plan, kept)
        expanded = None if kept is None else expected_expanded(self._plan, facts, kept)
        if value is None or expanded is None:
            return dict(self._least)
        if place != self._place:
            self._place, self._seen = place, set()
        self._take(self._plan.primary, expanded)
        for name in self._of_torque - {self._plan.primary}:
            newest = signals.get(name)
            if newest and value:
                self._take(name, abs(newest) * expanded / abs(value))
        return dict(self._least)

    def _take(self, signal: str, expanded: float) -> None:
        """Take an expanded uncertainty (unit of the signal): the first of a step, or one with fewer decimals."""
        places = decimals_for(expanded)
        if signal in self._resolution:
            places = min(places, self._resolution[signal])
        if signal in self._seen:
            places = min(places, self._least[signal])
        self._seen.add(signal)
        self._least[signal] = places


def decimals_of_resolution(plan: Plan) -> dict[str, int]:
    """Return the number of decimals of every signal whose resolution the instrument's file states."""
    stated = plan.context.specification.resolution
    places = {name: Decimal(repr(step)).normalize().as_tuple().exponent for name, step in stated.items()}
    return {name: max(0, -place) for name, place in places.items() if isinstance(place, int)}
