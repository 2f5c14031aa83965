"""Advice for a torque off range, from the reading, the flow behaviour index and the speeds the method allows.

Torques at other speeds and on other geometries come from `daq.rheology.ranges`, as those of a plan do.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.effects import Facts, Kept, LimitReached
from daq.core.plan import Plan
from daq.core.units import UNITS, symbol
from daq.methods.concluding.budget import percent_of_full_scale, torque_at_rest
from daq.methods.parts.judged import Advice
from daq.methods.parts.measured import KeptValue
from daq.rheology.ranges import Candidate, Expected, FlowConstants, FlowGeometry, plan_ranges
from daq.rheology.torque import Advice as Figures
from daq.rheology.torque import advise

OFF_RANGE: Final = ("saturated", "above_band", "below_band")
LARGEST_ZERO: Final = 1.0
"""What a zero may be off by (% of full scale) where the instrument's file states nothing."""
THIS: Final = ""
"""Stands for the body that is fitted where a plan has no name for it."""


def advice(plan: Plan, facts: Facts, kept: Kept, row: KeptValue, unit: str) -> list[Advice]:
    """What to change for a kept value whose torque is off range; empty where it is in range or nothing turns."""
    if row.set_speed is None or not any(f in kept.faults for f in OFF_RANGE):
        return []
    saturated = "saturated" in kept.faults
    zero = 0.0 if saturated else zero_of(plan, facts)
    return _advice(plan, row.name, row.set_speed, row.torque_percent, unit, zero=zero, saturated=saturated)


def advice_from_limit(plan: Plan, limit: LimitReached, unit: str) -> list[Advice]:
    """What to change where the torque came to its limit and the motor was stopped: every number is a bound."""
    # While the motor gathers speed the torque belongs to the speed it has, not to the one it was told.
    speed = limit.set_speed
    if limit.speed and abs(limit.speed) < speed * (1.0 - plan.speed_tolerance):
        speed = abs(limit.speed)
    negative = limit.torque is not None and limit.torque < 0.0
    percent = percent_of_full_scale(plan, limit.torque) if negative else None
    stage = plan.steps[limit.step].name if limit.state in ("measuring", "seeking") else limit.state
    return _advice(plan, stage, speed, percent, unit, zero=0.0, saturated=not negative)


def _advice(
    plan: Plan, step: str, speed: float, percent: float | None, unit: str, *, zero: float, saturated: bool
) -> list[Advice]:
    band, full_scale = plan.band, plan.context.full_scale_unm
    if band is None or speed <= 0.0:
        return []
    low, high, limit = (percent_of_full_scale(plan, x) or 0.0 for x in (band.low, band.high, band.limit))
    index = plan.context.flow_behaviour_index
    figures = advise(
        None if percent is None else percent - zero,
        speed,
        saturated_at_percent=limit if saturated else None,
        target_percent=(low + high) / 2.0,
        flow_behaviour_index=index or 1.0,
        full_scale=None if full_scale is None else full_scale * 1e-6,
        viscosity_constant=plan.context.viscosity_constant,
    )
    shown = limit if saturated else percent
    return _Case(plan, step, speed, unit, low, high, shown, zero, index, saturated).advice(figures)


@dataclass(frozen=True, slots=True)
class _Case:
    """One torque off range and the ways out of it."""

    plan: Plan
    step: str
    speed: float
    unit: str
    low: float
    high: float
    percent: float | None
    """The torque as read, or where it is saturated what it is at least."""
    zero: float
    """What of it was there at rest already, % of full scale."""
    index: float | None
    saturated: bool

    @property
    def middle(self) -> float:
        """The torque aimed at."""
        return (self.low + self.high) / 2.0

    @property
    def least(self) -> str:
        """The words in front of a bound."""
        return "at least " if self.saturated else ""

    def advice(self, figures: Figures) -> list[Advice]:
        at_least = None
        if self.saturated and figures.viscosity is not None and UNITS[self.unit].dimension == "viscosity":
            at_least = figures.viscosity / UNITS[self.unit].factor
        if self.percent is None or self.percent - self.zero <= 0.0:
            text = (
                f"the torque at {self.speed:.4g} min⁻¹ is not above zero: check that the body is immersed and the "
                "zero is right, then choose a higher speed or a larger body"
            )
            return [Advice(code="no_torque", text=text, step=self.step)]
        out = [a for a in (self._allowed_speed(at_least), self._geometry(at_least)) if a is not None]
        if not any(a.code == "other_speed" for a in out):
            # A seek may begin at any speed; a method prescribes its own, and another body is the nearer way out.
            out.insert(0 if self._seeks else len(out), self._computed_speed(figures, at_least))
        return out

    def _situation(self, at_least: float | None) -> str:
        if self.saturated:
            bound = f"; the value is at least {at_least:.3g} {symbol(self.unit)}" if at_least is not None else ""
            return f"the torque is beyond {self.percent:g} % at {self.speed:.4g} min⁻¹{bound}"
        side = "below" if (self.percent or 0.0) < self.low else "above"
        edge = self.low if side == "below" else self.high
        return f"the torque is {self.percent:.1f} % at {self.speed:.4g} min⁻¹, {side} {edge:g} %"

    def _planned(self, geometries: Mapping[str, FlowGeometry], speeds: Iterable[float]) -> list[Candidate]:
        """The torque to be expected on `geometries` at `speeds`, from what was read on the fitted one."""
        context = self.plan.context
        full_scale = (context.full_scale_unm or 1e6) * 1e-6
        # Without constants the torque still says what the torque will be at another speed.
        rate = None if context.geometry is None else context.geometry.rate_per_omega
        fitted = FlowConstants(context.viscosity_constant or 1.0, rate)
        net = (self.percent or 0.0) - self.zero
        expected = Expected.from_torque(net, self.speed, full_scale, fitted, self.index or 1.0)
        return plan_ranges(
            full_scale,
            geometries or {THIS: fitted},
            list(speeds),
            expected,
            low_percent=self.low,
            high_percent=self.high,
        )

    def _best(
        self, found: list[Candidate], preferred: Callable[[Candidate], bool] = lambda _: True
    ) -> tuple[Candidate, float] | None:
        """Of the candidates in the band that with the torque nearest to its middle, and the torque as it will be read.

        From a bound the true torque is higher: room is left above it where possible.  Then those that are `preferred`
        come first.
        """
        usable = [(c, t) for c in found if self.low <= (t := c.torque_percent + self.zero) <= self.high]
        if self.saturated:
            usable = [(c, t) for c, t in usable if t <= self.middle * (1 + 1e-9)] or usable
        usable = [(c, t) for c, t in usable if preferred(c)] or usable
        return min(usable, key=lambda ct: abs(math.log(ct[1] / self.middle)), default=None)

    @property
    def _seeks(self) -> bool:
        return any(step.seek is not None for step in self.plan.steps)

    @property
    def _assumption(self) -> str:
        return f"flow behaviour index {self.index:g}" if self.index is not None else "a Newtonian sample assumed"

    def _allowed_speed(self, at_least: float | None) -> Advice | None:
        """The speed among those the method allows that brings the torque nearest to mid-band."""
        if self._seeks:
            return None  # any speed it may try, and so the computed one
        speeds = [s for s in self.plan.context.allowed_speeds if s != self.speed and s > 0]
        best = self._best(self._planned({}, speeds), lambda c: not self._limits_bind("speed", c.speed_per_min))
        if best is None:
            return None
        speed, torque = best[0].speed_per_min, best[1]
        bound = self._limits_bind("speed", speed)
        text = (
            f"{self._situation(at_least)}; {speed:g} min⁻¹ should give {self.least}{torque:.0f} % "
            f"({self._assumption}). "
            + (
                f"The method allows it, but the product's limits apply at {bound} min⁻¹: "
                "the result will not be comparable"
                if bound
                else "The method allows it; compare only with results at this speed"
            )
        )
        return self._said("other_speed", text, torque, at_least).model_copy(
            update={"speed": speed, "comparable": not bound}
        )

    def _geometry(self, at_least: float | None) -> Advice | None:
        """The other geometry of this instrument that brings the torque nearest to mid-band at the same speed."""
        have = self.plan.context.viscosity_constant
        others = other_geometries(self.plan)
        if not have or not others:
            return None
        best = self._best(self._planned(others, [self.speed]))
        if best is None:
            return None
        name, torque = best[0].geometry, best[1]
        bound = self._limits_bind("geometry", name)
        text = (
            f"{self._situation(at_least)}; {name} should give {self.least}{torque:.0f} % at the same speed "
            f"({self._assumption}). "
            + (
                f"The product's limits apply at {bound}: the result will not be comparable"
                if bound
                else "Compare only with results of this geometry"
            )
        )
        return self._said("other_geometry", text, torque, at_least).model_copy(
            update={"geometry": name, "comparable": not bound}
        )

    def _computed_speed(self, figures: Figures, at_least: float | None) -> Advice:
        """The speed that would serve, although the method does not allow it."""
        speed = figures.speed_per_min
        highest = self.plan.context.highest_speed
        if speed is None or (highest is not None and speed > highest):
            wanted = ""
            if speed is not None and highest is not None:
                said = f"{speed:.3g} min⁻¹ would be needed" if speed < 10.0 * highest else "no speed is enough"
                wanted = f"{said}: this instrument's highest is {highest:g} min⁻¹; "
            text = f"{self._situation(at_least)}; {wanted}use a body that gives a higher torque"
            return Advice(code="other_body", text=text, step=self.step, comparable=False, is_bound=self.saturated)
        word = "at most " if self.saturated else "about "
        if self._seeks:
            text = f"{self._situation(at_least)}; begin the seek at {word}{speed:.3g} min⁻¹ ({self._assumption})"
            return self._said("other_speed", text, self.middle, at_least).model_copy(update={"speed": speed})
        text = (
            f"{self._situation(at_least)}; {word}{speed:.3g} min⁻¹ would bring it to mid-band ({self._assumption}), "
            "but the method does not allow that speed: the result will not be comparable"
        )
        return self._said("speed_not_comparable", text, self.middle + self.zero, at_least).model_copy(
            update={"speed": speed}
        )

    def _said(self, code: str, text: str, torque: float, at_least: float | None) -> Advice:
        """Advice with the torque (% of full scale) that is to be expected."""
        return Advice(
            code=code, text=text, step=self.step, comparable=False, is_bound=self.saturated, torque_percent=torque,
            value_at_least=at_least,
        )  # fmt: skip

    def _limits_bind(self, key: Literal["speed", "geometry"], wanted: float | str) -> str:
        """What the product's limits apply at instead of `wanted`; "" where one of them admits it."""
        product = self.plan.context.product
        limits = () if product is None else product.limits
        bound = [x.speed if key == "speed" else x.geometry for x in limits]
        if not bound or any(b is None or b == wanted for b in bound):
            return ""
        return " or ".join(dict.fromkeys(f"{b:g}" if isinstance(b, float) else str(b) for b in bound))


def zero_of(plan: Plan, facts: Facts) -> float:
    """What the torque (% of full scale) shows at rest: a part of every reading that does not grow with the speed.

    That of this run, otherwise of the last one that saw it, otherwise 0.  More than the instrument's zero may be off by
    is not taken for it: a sample with a yield stress holds a torque at rest.
    """
    given = plan.context.specification
    now = torque_at_rest(plan, facts)
    zero = (plan.context.last_torque_at_rest if now is None else now) or 0.0
    return zero if abs(zero) <= (given.zero or given.torque or LARGEST_ZERO) else 0.0


def other_geometries(plan: Plan) -> dict[str, FlowGeometry]:
    """The other geometries of the plan's instrument that measure a viscosity, by name."""
    found = plan.context.other_geometries
    return {name: FlowConstants(c.viscosity_constant, c.rate_per_omega) for name, c in found.items()}
