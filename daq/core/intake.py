"""Check readings: values that are not finite become null, faults are named, repeats left out, revolutions counted."""

import math
from collections.abc import Sequence
from typing import Final

from daq.core.driver import Channel, Driver, Values, silent_after
from daq.core.faults import CHECKS, FAULTS
from daq.core.framing import NEVER
from daq.core.plan import Plan

RawValues = Sequence[float | None]
LARGEST: Final = 1e60
"""Greatest value accepted, in any unit.  No instrument measures more, and squares of products stay finite below it."""
TURNS_BY_SILENCE: Final = 4
"""Number of the checks since which revolutions are counted over every interval that is no silence."""


class ReadingCheck:
    """Check of the values of a reading: finite, inside the range of the channel, and the torque below its limit."""

    __slots__ = ("_channels", "_limit", "_torque_at", "highs", "lows")

    def __init__(self, channels: Sequence[Channel], torque: str = "", limit: float = LARGEST) -> None:
        """Set up the check.

        Args:
            channels: channels of the instrument.
            torque: name of the channel that is saturated from `limit` (absolute) on; "" where there is none.
            limit: in the unit of `torque`.
        """
        self._channels = tuple(channels)
        self._torque_at = [c.name for c in channels].index(torque) if torque else -1
        self._limit = limit
        # One comparison for each channel decides the usual case; the limit is a part of the range of the torque.
        reach = [limit if i == self._torque_at else LARGEST for i in range(len(channels))]
        self.lows = tuple(max(c.low, -r) for c, r in zip(channels, reach, strict=True))
        self.highs = tuple(min(c.high, r) for c, r in zip(channels, reach, strict=True))

    def check(self, item: tuple[float, ...] | Values) -> tuple[float, ...] | Values:
        """Return `item` itself where it has no fault; otherwise the usable values, None for the others, and faults."""
        if isinstance(item, Values):
            return self._faulty(item)
        for low, value, high in zip(self.lows, item, self.highs, strict=True):
            if not low < value < high:
                return self._faulty(Values(item, ()))
        return item

    def all_clean(self, rows: Sequence[tuple[float, ...]]) -> bool:
        """Return whether `check` would return each of `rows` unchanged."""
        for low, column, high in zip(self.lows, zip(*rows, strict=True), self.highs, strict=True):
            # The sum detects a NaN, which comparisons with the bounds may miss; the bounds detect an infinity.
            if not (low < min(column) and max(column) < high) or math.isnan(sum(column)):
                return False
        return True

    def _faulty(self, item: Values) -> Values:
        values = list(item.values)
        faults = list(item.faults)
        nulls = {channel for channel, fault in faults if not FAULTS[fault].keeps_value}
        for i, channel in enumerate(self._channels):
            value = values[i]
            if "" in nulls or channel.name in nulls:
                values[i] = None
            elif value is None or not abs(value) <= LARGEST:
                values[i] = None
                faults.append((channel.name, "not_a_number"))
            elif i == self._torque_at and abs(value) >= self._limit:
                values[i] = None
                faults.append((channel.name, "saturated"))
            elif not channel.low <= value <= channel.high:
                faults.append((channel.name, "beyond_range"))
        return Values(tuple(values), tuple(dict.fromkeys(faults)))


class Intake:
    """Check of all readings of one connection, and integral of the confirmed speed (revolutions)."""

    __slots__ = (
        "_check",
        "_last_speed",
        "_last_t",
        "_last_values",
        "_refresh",
        "_silent",
        "_speed_at",
        "keys_used",
        "last",
        "repeats",
    )  # fmt: skip

    def __init__(
        self, driver: Driver, speed: str = "", torque: str = "", limit: float = LARGEST, *, checks: int = CHECKS
    ) -> None:
        """Set up the check.

        Args:
            driver: driver of the instrument.
            speed: channel of the confirmed speed (/min); "" where nothing turns.
            torque: channel that is saturated from `limit` (absolute) on; "" where there is none.
            limit: in the unit of `torque`.
            checks: number of the checks of the daq whose rules count the revolutions.
        """
        names = [c.name for c in driver.channels]
        self._speed_at = names.index(speed) if speed else -1
        self._check = ReadingCheck(driver.channels, torque, limit)
        # Where polls are not faster than the renewal of the values, a poll may be early by jitter, but not by half
        # an interval.
        faster = driver.interval_ns < driver.refresh_ns
        self._refresh = driver.refresh_ns if faster else driver.refresh_ns // 2
        # Before `TURNS_BY_SILENCE` an instrument read at long intervals was silent for the integral, and nowhere else.
        silent = silent_after(driver) if checks >= TURNS_BY_SILENCE else driver.stale_after_ns
        self._silent = silent or NEVER
        self._last_t = 0
        self._last_values: RawValues = ()
        self.last: tuple[float, ...] | Values = ()
        self._last_speed: float | None = None
        self.repeats = 0
        self.keys_used = False

    @property
    def raw(self) -> RawValues:
        """Values of the latest reading as they were read, in channel order."""
        return self._last_values

    @property
    def read_at(self) -> int:
        """Time (ns) of the latest reading; 0 before the first."""
        return self._last_t

    @classmethod
    def of_lead(cls, plan: Plan, driver: Driver, checks: int = CHECKS) -> "Intake":
        """Return the check of the readings of the lead instrument of `plan`, by the rules of the checks `checks`."""
        band = plan.band
        if band is None:
            return cls(driver, plan.speed_signal, checks=checks)
        return cls(driver, plan.speed_signal, band.signal, band.limit, checks=checks)

    def clear(self) -> None:
        """Discard the last reading: the next one is new, and no revolutions are counted up to it."""
        self._last_t, self._last_values, self.last, self._last_speed = 0, (), (), None

    def take(self, t: int, item: tuple[float, ...] | Values) -> tuple[tuple[float, ...] | Values, float] | None:
        """Return the reading `item` of time `t` (ns), checked, and the revolutions since the last; None for a repeat.

        A reading equal to the last within the refresh interval of the instrument is a repeat.  Revolutions are the
        trapezoidal integral of the speed.  They are 0 where the speed is unknown at either end, or where the
        instrument was silent in between.
        """
        raw: RawValues = item.values if isinstance(item, Values) else item
        if self._refresh and t - self._last_t < self._refresh and raw == self._last_values:
            self.repeats += 1
            return None
        checked = self._check.check(item)
        if isinstance(checked, Values) and ("", "keys_used") in checked.faults:
            self.keys_used = True
        turned = 0.0
        if self._speed_at >= 0:
            speed = (checked.values if isinstance(checked, Values) else checked)[self._speed_at]
            interval = t - self._last_t
            if speed is not None and self._last_speed is not None and 0 < interval < self._silent:
                turned = (abs(self._last_speed) + abs(speed)) * interval / 120e9
            self._last_speed = speed
        self._last_t, self._last_values, self.last = t, raw, checked
        return checked, turned

    def take_clean(self, t: int, rows: list[tuple[float, ...]]) -> bool:
        """Take `rows`, read at `t` (ns) like the last reading; False where one has a fault or may be a repeat."""
        if self._refresh or t != self._last_t or not self._check.all_clean(rows):
            return False
        self._last_values = self.last = rows[-1]
        if self._speed_at >= 0:
            self._last_speed = rows[-1][self._speed_at]
        return True
