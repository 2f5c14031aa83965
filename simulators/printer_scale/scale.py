"""A scale with a printer port: the key prints a line; it may print by itself too, with lines of a header."""

import math
import random
from collections.abc import Mapping

from simulators.clockwork import Clockwork
from simulators.words import Command, none, one_of, within

MAX_G = 6200.0
GRAMS_UP_TO = 1000.0
"""The scale prints kg from here on, where its unit is automatic."""
STEADY_WITHIN_G = 0.02


class PrinterScale(Clockwork):
    """One scale, two decimals in g and five in kg; a moving value has a `?` behind its unit.

    The error of the sensitivity is drawn once per seed (uniform, half width 10 parts in a million).
    """

    kind = "printer-scale"
    end = b"\r\n"

    def __init__(self, seed: int = 1, *, serial: str = "", every: float = 0.0, lag_s: float = 0.5) -> None:
        """`every`: seconds after which it prints by itself, 0 for never."""
        super().__init__(serial)
        self._sensitivity = 1.0 + random.Random(f"errors of scale {seed}").uniform(-1.0, 1.0) * 1e-5
        self._rng = random.Random(f"noise of scale {seed}")
        self._part = -math.expm1(-self.tick_ns / 1e9 / lag_s)
        self._every = round(every * 1e9 / self.tick_ns)
        self.streams = self._every > 0
        self._load = self._shown = self._before = 0.0
        self._unit, self._header, self._printed = "auto", True, 0

    def tick(self) -> bytes:
        """Advance the value, and print where it is time."""
        self._before = self._shown
        self._shown += (self._load * self._sensitivity - self._shown) * self._part + 0.001 * self._rng.gauss(0.0, 1.0)
        return self.block() if self._every and self._ticks % self._every == 0 else b""

    def block(self) -> bytes:
        """Return the lines that the key prints."""
        self._printed += 1
        head = [f"No. {self._printed}", "Date 2031-05-06"] if self._header and self._printed % 3 == 1 else []
        return b"".join(line.encode("ascii") + self.end for line in (*head, self._line()))

    def _line(self) -> str:
        kilograms = self._unit == "kg" or (self._unit == "auto" and self._shown >= GRAMS_UP_TO)
        unit = "kg" if kilograms else "g"
        if self._shown > MAX_G:
            return f"{'------':>10} {unit}"
        text = f"{abs(self._shown) / 1000:.5f}" if kilograms else f"{abs(self._shown):.2f}"
        mark = " ?" if abs(self._shown - self._before) > STEADY_WITHIN_G else ""
        return f"{'-' if self._shown < 0 else '+'}{text:>9} {unit}{mark}"

    def receive(self, data: bytes) -> bytes:
        """Ignore everything: the port only prints."""
        del data
        return b""

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `load G`, `unit g|kg|auto`, `header on|off`, `key`."""
        return {
            "load": lambda words: setattr(self, "_load", within(words, -100.0, 9000.0, "g")),
            "unit": lambda words: setattr(self, "_unit", one_of(words, "g", "kg", "auto")),
            "header": lambda words: setattr(self, "_header", one_of(words, "on", "off") == "on"),
            "key": self._press,
        }

    def _press(self, words: list[str]) -> None:
        none(words)
        self.later(0.0, self.block())

    def state(self) -> dict[str, object]:
        """Return the true load, the displayed value, and the number of printed blocks."""
        return {**super().state(), "load_g": self._load, "shown_g": self._shown, "printed": self._printed}
