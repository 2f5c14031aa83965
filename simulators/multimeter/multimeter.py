"""A multimeter on a voltage, or on a platinum probe whose resistance follows a temperature."""

import random
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines
from simulators.scpi import INTERRUPTED, Errors, answer
from simulators.words import Command, CommandError, celsius, number, one_of, within

PT100_OHM = 100.0
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751."""
HIGHEST_V, HIGHEST_OHM = 1000.0, 100e6
OVERLOAD, NOT_A_NUMBER = 9.9e37, 9.91e37
"""Special numbers of SCPI-1999, 7.2.1.4 and 7.2.1.5: infinity and not a number."""
MEASURING_S = 0.05


class Multimeter(Clockwork):
    """One multimeter: a gain error drawn once per seed (uniform, half width 50 parts in a million) and noise."""

    kind = "multimeter"
    end = b"\n"

    def __init__(
        self,
        seed: int = 1,
        *,
        serial: str = "M-0610",
        function: str = "voltage",
        temperature: float = 25.0,
        voltage: float = 1.25,
    ) -> None:
        super().__init__(serial)
        self.function = function
        self._gain = 1.0 + random.Random(f"errors of multimeter {seed}").uniform(-1.0, 1.0) * 5e-5
        self._rng = random.Random(f"noise of multimeter {seed}")
        self._lines = Lines(self.end)
        self._errors = Errors()
        self._voltage, self._celsius = voltage, temperature
        self._leads = "ok"
        self._handlers = {
            "*IDN?": lambda: f"Kiln Street Works,bench multimeter,{self.serial},3.0",
            "*CLS": self._errors.clear,
            "READ?": self._read,
            "FUNC?": lambda: '"VOLT"' if self.function == "voltage" else '"RES"',
            "SYST:ERR?": self._errors.pop,
        }

    def tick(self) -> bytes:
        """Return nothing: the instrument sends nothing unasked."""
        return b""

    @property
    def true_value(self) -> float:
        """Return the true value between the leads: V, or Ohm of the platinum probe."""
        if self.function == "voltage":
            return self._voltage
        t = self._celsius
        cold = PT_C * (t - 100.0) * t**3 if t < 0.0 else 0.0
        return PT100_OHM * (1.0 + PT_A * t + PT_B * t * t + cold)

    def _read(self) -> str:
        value = self.true_value * self._gain
        value += (2e-6 if self.function == "voltage" else 1e-3) * self._rng.gauss(0.0, 1.0)
        if self._leads == "open" and self.function == "resistance":
            value = OVERLOAD
        elif self._leads == "none":
            value = NOT_A_NUMBER
        else:
            highest = HIGHEST_V if self.function == "voltage" else HIGHEST_OHM
            value = OVERLOAD if value > highest else -OVERLOAD if value < -highest else value
        return f"{value:+.6E}"

    def receive(self, data: bytes) -> bytes:
        """Answer every complete message after a delay; a message before the answer interrupts it."""
        for line in self._lines.take(data):
            if self._later:
                self._later.clear()
                self._errors.push(INTERRUPTED)
            reply = answer(line.decode("ascii", "replace").rstrip("\r"), self._handlers, self._errors)
            if reply is not None:
                self.later(MEASURING_S, reply.encode("ascii") + self.end)
        return b""

    def commands(self) -> Mapping[str, Command]:
        """`voltage V`, `temperature CEL`, `function voltage|resistance`, `leads ok|open|none`, `error CODE TEXT`."""
        return {
            "voltage": self._set_voltage,
            "temperature": lambda words: setattr(self, "_celsius", celsius(number(words))),
            "function": lambda words: setattr(self, "function", one_of(words, "voltage", "resistance")),
            "leads": lambda words: setattr(self, "_leads", one_of(words, "ok", "open", "none")),
            "error": self._push,
        }

    def _set_voltage(self, words: list[str]) -> None:
        self._voltage = within(words, -1e6, 1e6, "V")

    def _push(self, words: list[str]) -> None:
        if len(words) < 2 or not words[0].lstrip("-").isdigit() or '"' in " ".join(words):
            raise CommandError("`error` needs a code and a text, for example `error -222 Data out of range`")
        self._errors.push((int(words[0]), " ".join(words[1:])))

    def state(self) -> dict[str, object]:
        """Return the true values between the leads, and the number of queued errors."""
        return {
            **super().state(),
            "function": self.function,
            "value": self.true_value,
            "leads": self._leads,
            "errors": len(self._errors),
        }
