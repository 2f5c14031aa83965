"""The gate for readings of the lead instrument: repeats left out, faults named, turns counted."""

import math
from collections.abc import Sequence

from daq.core.driver import Driver, Values
from daq.core.plan import Plan

Values_ = Sequence[float | None]


class Intake:
    """Checks each reading once, and integrates the confirmed speed to revolutions (trapezoidal rule)."""

    __slots__ = (
        "_last_speed", "_last_t", "_last_values", "_limit", "_ranges", "_refresh", "_speed_at", "_stale", "_torque_at",
        "highs", "keys_used", "last", "lows", "repeats",
    )  # fmt: skip

    def __init__(self, plan: Plan, driver: Driver) -> None:
        self._ranges = [(c.name, c.low, c.high) for c in driver.channels]
        names = [c.name for c in driver.channels]
        self._speed_at = names.index(plan.speed_signal) if plan.speed_signal else -1
        self._torque_at = names.index(plan.band.signal) if plan.band else -1
        self._limit = plan.band.limit if plan.band else 0.0
        # One comparison a channel decides for the usual reading; saturation is the torque's own range.
        self.lows = tuple(c.low for c in driver.channels)
        self.highs = tuple(c.high for c in driver.channels)
        if self._torque_at >= 0:
            inside = (max(self.lows[self._torque_at], -self._limit), min(self.highs[self._torque_at], self._limit))
            self.lows = (*self.lows[: self._torque_at], inside[0], *self.lows[self._torque_at + 1 :])
            self.highs = (*self.highs[: self._torque_at], inside[1], *self.highs[self._torque_at + 1 :])
        self._refresh = driver.refresh_ns
        self._stale = driver.stale_after_ns
        self._last_t = 0
        self._last_values: Values_ = ()
        self.last: tuple[float, ...] | Values = ()
        self._last_speed = 0.0
        self.repeats = 0
        self.keys_used = False

    def take(self, t: int, item: tuple[float, ...] | Values) -> tuple[tuple[float, ...] | Values, float] | None:
        """The checked reading and the revolutions since the last one; None for a repeat.

        A reading equal to the last within the instrument's refresh interval is a repeat.
        Times when the speed is unknown, or the instrument was silent, count no turns.
        """
        if isinstance(item, Values):
            raw: Values_ = item.values
            if self._is_repeat(t, raw):
                return None
            checked: tuple[float, ...] | Values = self._faulty(item)
        else:
            raw = item
            if self._is_repeat(t, raw):
                return None
            checked = item
            for low, value, high in zip(self.lows, item, self.highs, strict=True):
                if not low < value < high:
                    checked = self._faulty(Values(item, ()))
                    break
        turned = 0.0
        if self._speed_at >= 0:
            values: Values_ = checked.values if isinstance(checked, Values) else checked
            speed = abs(values[self._speed_at] or 0.0)
            gap = t - self._last_t
            if 0 < gap < self._stale:
                turned = (self._last_speed + speed) * gap / 120e9
            self._last_speed = speed
        self._last_t, self._last_values, self.last = t, raw, checked
        return checked, turned

    def take_clean(self, t: int, rows: list[tuple[float, ...]]) -> bool:
        """Whether `rows`, read at the time of the last reading, are all without fault and none a repeat; if so they are taken."""
        if self._refresh or t != self._last_t:
            return False
        for low, column, high in zip(self.lows, zip(*rows, strict=True), self.highs, strict=True):
            # A NaN fails the sum; an infinity fails a bound.
            if not (low < min(column) and max(column) < high) or math.isnan(sum(column)):
                return False
        self._last_values = self.last = rows[-1]
        if self._speed_at >= 0:
            self._last_speed = abs(rows[-1][self._speed_at])
        return True

    def _is_repeat(self, t: int, raw: Values_) -> bool:
        if self._refresh and t - self._last_t < self._refresh and raw == self._last_values:
            self.repeats += 1
            return True
        return False

    def _faulty(self, item: Values) -> Values:
        values = list(item.values)
        faults = list(item.faults)
        for i, (name, low, high) in enumerate(self._ranges):
            value = values[i]
            if value is None:
                continue
            if value - value != 0.0:
                values[i] = None
                faults.append((name, "not_a_number"))
            elif i == self._torque_at and abs(value) >= self._limit:
                values[i] = None
                faults.append((name, "saturated"))
            elif not low <= value <= high:
                faults.append((name, "beyond_range"))
        self.keys_used = self.keys_used or ("", "keys_used") in faults
        return Values(tuple(values), tuple(dict.fromkeys(faults)))
