"""A thermometer with two probes, each with a lag and a fixed error; a probe may be open or shorted."""

import math
import random
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines
from simulators.scpi import Errors, answer
from simulators.words import Command, CommandError, celsius, number

SPECIAL = {"open": "9.9E37", "short": "-9.9E37"}
NOT_YET = "9.91E37"
FIRST_MEASUREMENT_S = 1.0
PAUSE_NS = 20_000_000
"""Least time between an answer and the next request; an earlier request is lost."""


class ScpiThermometer(Clockwork):
    """One thermometer; errors of both probes are drawn once per seed (uniform, half width `probe_limit_kelvin`)."""

    kind = "scpi-thermometer"
    end = b"\r\n"

    def __init__(
        self,
        seed: int = 1,
        *,
        temperature: float = 25.0,
        serial: str = "T-2044",
        lag_s: float = 5.0,
        probe_limit_kelvin: float = 0.03,
        noise_kelvin: float = 0.002,
    ) -> None:
        super().__init__(serial)
        errors = random.Random(f"errors of thermometer {seed}")
        self._probe_errors = [errors.uniform(-1.0, 1.0) * probe_limit_kelvin for _ in range(2)]
        self._rng = random.Random(f"noise of thermometer {seed}")
        self._noise = noise_kelvin
        self._part = -math.expm1(-self.tick_ns / 1e9 / lag_s)
        self._around = [temperature, temperature]
        self._probes = [temperature, temperature]
        self._faults = ["ok", "ok"]
        self._lines = Lines(b"\n")
        self._errors = Errors()
        self._answered_ns = -PAUSE_NS
        self._handlers = {
            "*IDN?": lambda: f"Kiln Street Works,two-probe thermometer,{self.serial},1.4",
            "*CLS": self._errors.clear,
            "MEAS:TEMP? (@1)": lambda: self._measured(0),
            "MEAS:TEMP? (@2)": lambda: self._measured(1),
            "SYST:ERR?": self._errors.pop,
        }

    def tick(self) -> bytes:
        """Advance both probes towards their surroundings."""
        for i in range(2):
            self._probes[i] += (self._around[i] - self._probes[i]) * self._part
        return b""

    def _measured(self, probe: int) -> str:
        if self.time_s < FIRST_MEASUREMENT_S:
            return NOT_YET
        if self._faults[probe] != "ok":
            return SPECIAL[self._faults[probe]]
        shown = self._probes[probe] + self._probe_errors[probe] + self._noise * self._rng.gauss(0.0, 1.0)
        return f"{round(shown, 3) + 0.0:.3f}"

    def receive(self, data: bytes) -> bytes:
        """Answer every complete line that is not too early after the answer before it."""
        out = b""
        for line in self._lines.take(data):
            if self.now_ns - self._answered_ns < PAUSE_NS:
                continue
            reply = answer(line.decode("ascii", "replace").rstrip("\r"), self._handlers, self._errors)
            if reply is not None:
                out += reply.encode("ascii") + self.end
                self._answered_ns = self.now_ns
        return out

    def commands(self) -> Mapping[str, Command]:
        """Commands: `temperature CEL` (both probes), `first CEL`, `second CEL`, `probe 1|2 ok|open|short`."""
        return {
            "temperature": lambda words: self._place(celsius(number(words)), 0, 1),
            "first": lambda words: self._place(celsius(number(words)), 0),
            "second": lambda words: self._place(celsius(number(words)), 1),
            "probe": self._fault,
        }

    def _place(self, value: float, *probes: int) -> None:
        for probe in probes:
            self._around[probe] = value

    def _fault(self, words: list[str]) -> None:
        if len(words) != 2 or words[0] not in ("1", "2") or words[1] not in ("ok", *SPECIAL):
            raise CommandError("`probe` needs 1 or 2, and ok, open or short")
        self._faults[int(words[0]) - 1] = words[1]

    def state(self) -> dict[str, object]:
        """Return the true state of the probes."""
        return {
            **super().state(),
            "temperature_C": self._probes[0],
            "second_C": self._probes[1],
            "probes": list(self._faults),
            "errors": len(self._errors),
        }
