"""A logger that prints columns: seconds since power-on and two temperatures, without a checksum."""

import math
import random
from collections.abc import Mapping

from simulators.clockwork import Clockwork
from simulators.words import Command, CommandError, celsius, none, number

HEADER = b"# t_s T1_Cel T2_Cel\n"


class ColumnLogger(Clockwork):
    """One logger; two probes with a first-order lag and noise.  It answers no request."""

    kind = "column-logger"
    end = b"\n"
    tick_ns = 200_000_000
    streams = True

    def __init__(self, seed: int = 1, *, serial: str = "", temperature: float = 25.0, lag_s: float = 4.0) -> None:
        super().__init__(serial)
        self._rng = random.Random(f"noise of logger {seed}")
        self._part = -math.expm1(-self.tick_ns / 1e9 / lag_s)
        self._around = [temperature, temperature]
        self._probes = [temperature, temperature]
        self._missing = [False, False]
        self._since_power_on = 0
        self.later(0.0, HEADER)

    def tick(self) -> bytes:
        """Advance the probes and return a line."""
        self._since_power_on += 1
        cells = f"{self._since_power_on * self.tick_ns / 1e9:8.1f}"
        for i in range(2):
            self._probes[i] += (self._around[i] - self._probes[i]) * self._part
            shown = round(self._probes[i] + 0.01 * self._rng.gauss(0.0, 1.0), 2) + 0.0
            cells += "     NAN" if self._missing[i] else f"{shown:8.2f}"
        return cells.encode("ascii") + self.end

    def receive(self, data: bytes) -> bytes:
        """Ignore all bytes."""
        del data
        return b""

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `temperature CEL`, `second CEL`, `probe 1|2 ok|missing`, `power` (off and on again)."""
        return {
            "temperature": self._place,
            "second": lambda words: self._around.__setitem__(1, celsius(number(words))),
            "probe": self._probe,
            "power": self._power,
        }

    def _place(self, words: list[str]) -> None:
        self._around = [celsius(number(words))] * 2

    def _probe(self, words: list[str]) -> None:
        if len(words) != 2 or words[0] not in ("1", "2") or words[1] not in ("ok", "missing"):
            raise CommandError("`probe` needs 1 or 2, and ok or missing")
        self._missing[int(words[0]) - 1] = words[1] == "missing"

    def _power(self, words: list[str]) -> None:
        none(words)
        self._since_power_on = 0
        self.later(0.0, HEADER)

    def state(self) -> dict[str, object]:
        """Return the true state of the probes."""
        return {
            **super().state(),
            "temperature_C": self._probes[0],
            "second_C": self._probes[1],
            "missing": list(self._missing),
        }
