"""What to do when the torque is off range: computed from the reading, the flow index and what the method allows."""

import math
from dataclasses import dataclass
from typing import Any

from daq.core.effects import Kept
from daq.core.plan import Plan
from daq.core.units import UNITS, symbol
from daq.methods.conclusion import Advice, Row
from daq.rheology.torque import Advice as Figures
from daq.rheology.torque import advise

OFF_RANGE = ("saturated", "above_band", "below_band")


def advice(plan: Plan, kept: Kept, row: Row, unit: str) -> list[Advice]:
    """What to change for a kept value whose torque is off range; empty where it is in range or nothing turns."""
    band, speed = plan.band, plan.steps[kept.step].speed
    if band is None or speed is None or not any(f in kept.faults for f in OFF_RANGE):
        return []
    scale = 1.0 if band.unit == "%" else 100.0 * _in_unm(band.unit) / plan.context["full_scale_uN_m"]
    low, high, limit = band.low * scale, band.high * scale, band.limit * scale
    saturated = "saturated" in kept.faults
    product: dict[str, Any] = plan.context.get("product") or {}
    index = product.get("flow_index")
    geometry: dict[str, Any] = plan.context.get("geometry") or {}
    full_scale = plan.context.get("full_scale_uN_m")
    figures = advise(
        row.torque_percent,
        speed,
        saturated_at_percent=limit if saturated else None,
        low_percent=low,
        high_percent=high,
        target_percent=(low + high) / 2.0,
        flow_index=index or 1.0,
        full_scale=None if full_scale is None else full_scale * 1e-6,
        viscosity_constant=geometry.get("viscosity_constant"),
    )
    percent = limit if saturated else row.torque_percent
    return _Case(plan, row.name, speed, unit, low, high, percent, index, saturated).advice(figures)


def _in_unm(unit: str) -> float:
    return UNITS[unit].factor / UNITS["uN.m"].factor


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
    """The torque, or where it is saturated what it is at least."""
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
        if self.percent is None or self.percent <= 0.0:
            text = (
                f"the torque at {self.speed:g} min⁻¹ is not above zero: check that the body is immersed and the "
                "zero is right, then choose a higher speed or a larger body"
            )
            return [Advice("no_torque", text, self.step)]
        out = [a for a in (self._allowed_speed(at_least), self._geometry(at_least)) if a is not None]
        if not any(a.code == "other_speed" for a in out):
            out.append(self._computed_speed(figures, at_least))
        return out

    def _situation(self, at_least: float | None) -> str:
        if self.saturated:
            bound = f"; the value is at least {at_least:.3g} {symbol(self.unit)}" if at_least is not None else ""
            return f"the torque is beyond {self.percent:g} % at {self.speed:g} min⁻¹{bound}"
        side = "below" if (self.percent or 0.0) < self.low else "above"
        edge = self.low if side == "below" else self.high
        return f"the torque is {self.percent:.1f} % at {self.speed:g} min⁻¹, {side} {edge:g} %"

    def _expected(self, speed: float) -> float:
        return (self.percent or 0.0) * math.pow(speed / self.speed, self.index or 1.0)

    @property
    def _assumption(self) -> str:
        return f"flow index {self.index:g}" if self.index is not None else "a Newtonian sample assumed"

    def _allowed_speed(self, at_least: float | None) -> Advice | None:
        """The speed among those the method allows that brings the torque nearest to mid-band."""
        speeds = [s for s in self.plan.context.get("allowed_speeds", []) if s != self.speed and s > 0]
        usable = [s for s in speeds if self.low <= self._expected(s) <= self.high]
        if self.saturated:
            # The true torque is higher than the bound: leave room above it where possible.
            usable = [s for s in usable if self._expected(s) <= self.middle] or usable
        if not usable:
            return None
        usable = [s for s in usable if not self._limits_bind("speed", s)] or usable
        best = min(usable, key=lambda s: abs(math.log(self._expected(s) / self.middle)))
        torque = self._expected(best)
        bound = self._limits_bind("speed", best)
        text = (
            f"{self._situation(at_least)}; {best:g} min⁻¹ should give {self.least}{torque:.0f} % "
            f"({self._assumption}). "
            + (
                f"The method allows it, but the product's limits bind to {bound} min⁻¹: "
                "the result will not be comparable"
                if bound
                else "The method allows it; compare only with results at this speed"
            )
        )
        return Advice(
            "other_speed", text, self.step, speed=best, comparable=not bound, is_bound=self.saturated,
            torque_percent=torque, value_at_least=at_least,
        )  # fmt: skip

    def _geometry(self, at_least: float | None) -> Advice | None:
        """The other geometry of this instrument that brings the torque nearest to mid-band at the same speed."""
        have = (self.plan.context.get("geometry") or {}).get("viscosity_constant")
        others: dict[str, float] = self.plan.context.get("other_geometries") or {}
        if not have or not others or not self.percent:
            return None
        expected = {name: self.percent * have / k for name, k in others.items()}
        usable = {n: t for n, t in expected.items() if self.low <= t <= self.high}
        if self.saturated:
            usable = {n: t for n, t in usable.items() if t <= self.middle} or usable
        if not usable:
            return None
        best = min(usable, key=lambda n: abs(math.log(usable[n] / self.middle)))
        bound = self._limits_bind("geometry", best)
        text = (
            f"{self._situation(at_least)}; {best} should give {self.least}{usable[best]:.0f} % at the same speed "
            "(a Newtonian sample assumed). "
            + (
                f"The product's limits bind to {bound}: the result will not be comparable"
                if bound
                else "Compare only with results of this geometry"
            )
        )
        return Advice(
            "other_geometry", text, self.step, geometry=best, comparable=not bound, is_bound=self.saturated,
            torque_percent=usable[best], value_at_least=at_least,
        )  # fmt: skip

    def _computed_speed(self, figures: Figures, at_least: float | None) -> Advice:
        """The speed that would serve, although the method does not allow it."""
        speed = figures.speed_per_min
        highest = self.plan.context.get("highest_speed")
        if speed is None or (highest is not None and speed > highest):
            wanted = "" if speed is None else f"{speed:.3g} min⁻¹ would be needed, above this instrument's limit; "
            text = f"{self._situation(at_least)}; {wanted}use a body that gives a higher torque"
            return Advice("other_body", text, self.step, comparable=False, is_bound=self.saturated)
        word = "at most " if self.saturated else "about "
        text = (
            f"{self._situation(at_least)}; {word}{speed:.3g} min⁻¹ would bring it to mid-band ({self._assumption}), "
            "but the method does not allow that speed: the result will not be comparable"
        )
        return Advice(
            "speed_not_comparable", text, self.step, speed=speed, comparable=False, is_bound=self.saturated,
            torque_percent=self.middle, value_at_least=at_least,
        )  # fmt: skip

    def _limits_bind(self, key: str, wanted: float | str) -> str:
        """What the product's limits bind to instead of `wanted`; "" where one of them admits it."""
        product: dict[str, Any] = self.plan.context.get("product") or {}
        bound = [limit.get(key) for limit in product.get("limits", [])]
        if not bound or any(b is None or b == wanted for b in bound):
            return ""
        return " or ".join(dict.fromkeys(f"{b:g}" if isinstance(b, float) else str(b) for b in bound))
