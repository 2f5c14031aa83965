"""Advice for a torque off range, from the reading, the flow behaviour index and the speeds the method allows.

Torques at other speeds and on other measuring geometries come from `daq.rheology.ranges`, as those of a plan do.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.effects import Facts, Kept, LimitReached
from daq.core.plan import Plan
from daq.core.remarks import Parameter
from daq.core.units import UNITS
from daq.methods.concluding.budget import percent_of_full_scale, torque_at_rest
from daq.methods.parts.judged import Advice
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.rheology.ranges import Candidate, Expected, FlowConstants, FlowGeometry, plan_ranges
from daq.rheology.torque import Advice as Figures
from daq.rheology.torque import advise

OFF_RANGE: Final = ("saturated", "above_band", "below_band")
LARGEST_ZERO: Final = 1.0
"""Largest zero error (% of full scale) that is assumed where the instrument's file states none."""
THIS: Final = ""
"""Name of the fitted geometry where the plan has none."""


def advice(plan: Plan, facts: Facts, kept: Kept, row: KeptValue, unit: str) -> list[Advice]:
    """Return advice for a kept value whose torque is off range; empty where it is in range or nothing turns."""
    if row.set_speed is None or not any(f in kept.faults for f in OFF_RANGE):
        return []
    saturated = "saturated" in kept.faults
    zero = 0.0 if saturated else zero_of(plan, facts)
    return _advice(plan, row.name, row.set_speed, row.torque_percent, unit, zero=zero, saturated=saturated)


def advice_from_limit(plan: Plan, limit: LimitReached, unit: str) -> list[Advice]:
    """Return advice after the torque reached its limit and the motor was stopped: every number is a bound."""
    # While the motor accelerates, the torque belongs to the confirmed speed, not to the set speed.
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
    """The torque as read (% of full scale); where it is saturated, its lower bound."""
    zero: float
    """The part of it that the sensor shows at rest, % of full scale."""
    index: float | None
    saturated: bool

    @property
    def middle(self) -> float:
        """Return the torque to aim at: the middle of the band."""
        return (self.low + self.high) / 2.0

    def advice(self, figures: Figures) -> list[Advice]:
        at_least = None
        if self.saturated and figures.viscosity is not None and UNITS[self.unit].dimension == "viscosity":
            at_least = figures.viscosity / UNITS[self.unit].factor
        if self.percent is None or self.percent - self.zero <= 0.0:
            return [Advice(**dict(state("no_torque", speed=self.speed)), step=self.step)]
        out = [a for a in (self._allowed_speed(at_least), self._geometry(at_least)) if a is not None]
        if not any(a.code == "other_speed" for a in out):
            # A seek may start at any speed.  A method prescribes its speed, so another geometry is advised first.
            out.insert(0 if self._seeks else len(out), self._computed_speed(figures, at_least))
        return out

    def _situation(self, at_least: float | None) -> dict[str, Parameter]:
        """Return the parameters that say where the torque is."""
        if self.saturated:
            bound: dict[str, Parameter] = {} if at_least is None else {"value_at_least": at_least, "unit": self.unit}
            return {"beyond": self.percent, "speed": self.speed, **bound}
        is_below = (self.percent or 0.0) < self.low
        edge = {"low": self.low} if is_below else {"high": self.high}
        return {"torque": self.percent, "speed": self.speed, **edge}

    def _expected(self, torque: float) -> dict[str, Parameter]:
        """Return the parameters of an expected torque (% of full scale), which may be a bound, and its assumption."""
        return {"expected_least" if self.saturated else "expected": torque, **self._assumption}

    def _planned(self, geometries: Mapping[str, FlowGeometry], speeds: Iterable[float]) -> list[Candidate]:
        """Return the torques expected on `geometries` at `speeds` (/min), from the reading on the fitted geometry."""
        context = self.plan.context
        full_scale = (context.full_scale_unm or 1e6) * 1e-6
        # Without constants the torque at another speed still follows from the torque read.
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
        """Return the candidate whose torque is nearest to the middle of the band, with the torque as it will be read.

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
    def _assumption(self) -> dict[str, Parameter]:
        return {"assumed_index": 1.0} if self.index is None else {"index": self.index}

    def _allowed_speed(self, at_least: float | None) -> Advice | None:
        """Return advice for the allowed speed that brings the torque nearest to the middle of the band, or None."""
        if self._seeks:
            return None  # a seek may try any speed, so the computed one is advised
        speeds = [s for s in self.plan.context.allowed_speeds if s != self.speed and s > 0]
        best = self._best(self._planned({}, speeds), lambda c: not self._limits_bind("speed", c.speed_per_min))
        if best is None:
            return None
        speed, torque = best[0].speed_per_min, best[1]
        bound = self._limits_bind("speed", speed)
        statement = state(
            "other_speed",
            new_speed=speed,
            limit_speeds=tuple(b for b in bound if isinstance(b, float)),
            **self._situation(at_least),
            **self._expected(torque),
        )
        return self._advice(statement, torque, at_least).model_copy(update={"speed": speed, "comparable": not bound})

    def _geometry(self, at_least: float | None) -> Advice | None:
        """Return advice for another geometry of this instrument that serves at the same speed, or None."""
        have = self.plan.context.viscosity_constant
        others = other_geometries(self.plan)
        if not have or not others:
            return None
        best = self._best(self._planned(others, [self.speed]))
        if best is None:
            return None
        name, torque = best[0].geometry, best[1]
        bound = self._limits_bind("geometry", name)
        statement = state(
            "other_geometry",
            geometry=name,
            limit_geometries=tuple(str(b) for b in bound),
            **self._situation(at_least),
            **self._expected(torque),
        )
        return self._advice(statement, torque, at_least).model_copy(update={"geometry": name, "comparable": not bound})

    def _computed_speed(self, figures: Figures, at_least: float | None) -> Advice:
        """Return advice for the computed speed, which the method need not allow."""
        speed = figures.speed_per_min
        highest = self.plan.context.highest_speed
        if speed is None or (highest is not None and speed > highest):
            wanted: dict[str, Parameter] = {}
            if speed is not None and highest is not None:
                is_near = speed < 10.0 * highest
                wanted = {"needed": speed, "highest": highest} if is_near else {"fastest": highest}
            statement = state("higher_torque_needed", **self._situation(at_least), **wanted)
            return Advice(**dict(statement), step=self.step, comparable=False, is_bound=self.saturated)
        given = {**self._situation(at_least), **self._assumption, "at_most" if self.saturated else "about": speed}
        if self._seeks:
            advised = self._advice(state("start_seek_at", **given), self.middle, at_least)
        else:
            advised = self._advice(state("speed_not_comparable", **given), self.middle + self.zero, at_least)
        return advised.model_copy(update={"speed": speed})

    def _advice(self, statement: Statement, torque: float, at_least: float | None) -> Advice:
        """Return advice with the torque (% of full scale) that is to be expected."""
        return Advice(
            **dict(statement), step=self.step, comparable=False, is_bound=self.saturated, torque_percent=torque,
            value_at_least=at_least,
        )  # fmt: skip

    def _limits_bind(self, key: Literal["speed", "geometry"], wanted: float | str) -> tuple[float | str, ...]:
        """Return what all limits of the product apply to instead of `wanted`; empty where one of them admits it."""
        product = self.plan.context.product
        limits = () if product is None else product.limits
        own = f"{self.plan.method} {self.plan.version}"
        limits = tuple(x for x in limits if own in x.methods) or limits
        bound = [x.speed if key == "speed" else x.geometry for x in limits]
        if not bound or any(b is None or b == wanted for b in bound):
            return ()
        return tuple(dict.fromkeys(b for b in bound if b is not None))


def zero_of(plan: Plan, facts: Facts) -> float:
    """Return the torque (% of full scale) at rest, a part of every reading that does not grow with the speed.

    That of this run, otherwise of the last one that saw it, otherwise 0.  More than the instrument's zero may be off by
    is not taken for it: a sample with a yield stress holds a torque at rest.
    """
    given = plan.context.specification
    now = torque_at_rest(plan, facts)
    zero = (plan.context.last_torque_at_rest if now is None else now) or 0.0
    return zero if abs(zero) <= (given.zero or given.torque or LARGEST_ZERO) else 0.0


def other_geometries(plan: Plan) -> dict[str, FlowGeometry]:
    """Return the other geometries of the plan's instrument that measure a viscosity, by name."""
    found = plan.context.other_geometries
    return {name: FlowConstants(c.viscosity_constant, c.rate_per_omega) for name, c in found.items()}
