"""Simulate an instrument from its description: it answers and streams as the description says."""

import math
from collections.abc import Mapping
from typing import Final

from daq.core.errors import SettingError
from daq.descriptions.compose import Composer
from daq.descriptions.driver import DescribedDriver

PERIOD_S: Final = 120.0
"""Period in seconds of the sine that the values follow."""
SWINGS: Final = (0.4, 0.1, 0.01, 0.0)
"""Amplitudes as parts of half the range; the first whose values fit the lines is used."""
HELD: Final = 4096
"""Largest number of bytes kept of an incomplete request."""


class DescribedDevice:
    """Answers bytes with bytes; values follow a slow sine in each channel's range, or stay at a fixed value."""

    def __init__(self, driver: DescribedDriver, fixed: Mapping[str, float] | None = None) -> None:
        """`fixed`: constant values by channel.

        Raises:
            SettingError: a channel is unknown, or the values fit no line of the description.
        """
        names = {c.name for c in driver.channels}
        for name in fixed or {}:
            if name not in names:
                raise SettingError(f"there is no channel {name!r}; channels: {', '.join(sorted(names))}", key="--set")
        self._driver, self._composer = driver, Composer(driver)
        self._fixed = dict(fixed or {})
        self._interval_s = driver.interval_ns / 1e9
        self._now_s, self._told = 0.0, 0
        self._held = b""
        self._streaming = driver.streams and driver.start_stream() is None
        self._started_s = 0.0
        self._swing = self._largest_swing()

    def advance(self, dt_s: float) -> bytes:
        """Advance the time by `dt_s` (s) and return the lines that the stream sends meanwhile."""
        self._now_s += dt_s
        out = b""
        while self._streaming and self._due_s() <= self._now_s:
            out += b"".join(self._composer.readings(self._values(self._due_s())))
            self._told += 1
        return out

    def due_in_s(self) -> float | None:
        """Return the seconds until the next line of the stream; None if it does not stream."""
        return max(0.0, self._due_s() - self._now_s) if self._streaming else None

    def receive(self, data: bytes) -> bytes:
        """Take bytes and return the answers to the requests in them."""
        self._held = (self._held + data)[-HELD:]
        _, end = self._driver.request_marks
        if not end:
            whole, self._held = [self._held], b""
            if self._composer.heard(whole[0]) is None:
                self._held = whole[0]
                return b""
        else:
            *parts, self._held = self._held.split(end)
            whole = [part + end for part in parts]
        return b"".join(map(self._answer, whole))

    def _answer(self, request: bytes) -> bytes:
        echoed = request if self._driver.echoes else b""
        wake = self._driver.wake
        asked = self._composer.heard(request.removeprefix(wake) if wake else request)
        if asked is None:
            return echoed + (self._composer.refusal() or b"")
        start = self._driver.start_stream()
        if start is not None and asked.expects == start.expects:
            self._streaming, self._started_s, self._told = True, self._now_s, 0
        return echoed + (self._composer.answer(asked, self._values(self._now_s)) or b"")

    def _due_s(self) -> float:
        return self._started_s + (self._told + 1) * self._interval_s

    def _values(self, t_s: float, swing: float | None = None) -> dict[str, float]:
        part = self._swing if swing is None else swing
        phase = math.sin(2.0 * math.pi * t_s / PERIOD_S)
        out: dict[str, float] = {}
        for i, channel in enumerate(self._driver.channels):
            half = (channel.high - channel.low) / 2.0
            moving = channel.low + half * (1.0 + part * phase / (1 + i))
            out[channel.name] = self._fixed.get(channel.name, moving)
        return out

    def _largest_swing(self) -> float:
        for swing in SWINGS:
            try:
                for t in (0.0, PERIOD_S / 4.0, PERIOD_S * 3.0 / 4.0):
                    self._composer.readings(self._values(t, swing))
            except SettingError:
                if swing == SWINGS[-1]:
                    raise
                continue
            return swing
        return 0.0
