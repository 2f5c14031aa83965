"""A balance: the pan settles after a load, the load dries, and a mark shows a steady reading."""

import math
import random
from collections import deque
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines, xor
from simulators.words import Command, none, number, one_of, within

MAX_G = 620.0
LEAST_G = -5.0
BEYOND = ("over", "under")
PAN_G = 80.0
"""Mass of the pan, missing when it is removed."""
STEADY_TICKS = 10
STEADY_WITHIN_G = 0.003


def checked(text: str) -> bytes:
    """Return a line as sent: text, `*`, exclusive-or of its bytes as two upper-case hex digits, CR LF."""
    raw = text.encode("ascii")
    return b"%s*%02X\r\n" % (raw, xor(raw))


class Balance(Clockwork):
    """One balance.

    The pan follows its load with a first-order lag; the error of the sensitivity is drawn once per seed (uniform, half
    width 5 parts in a million), every renewal of the value adds normal noise.
    """

    kind = "balance"
    end = b"\r\n"

    def __init__(self, seed: int = 1, *, serial: str = "B-0207", lag_s: float = 0.4, noise_g: float = 0.0005) -> None:
        super().__init__(serial)
        self._sensitivity = 1.0 + random.Random(f"errors of balance {seed}").uniform(-1.0, 1.0) * 5e-6
        self._rng = random.Random(f"noise of balance {seed}")
        self._noise_g = noise_g
        self._part = -math.expm1(-self.tick_ns / 1e9 / lag_s)
        self._lines = Lines(self.end)
        self._load = self._pan = self._tare = self._shown = 0.0
        self._pan_on = True
        self._drying_g_per_s = 0.0
        self._latest: deque[float] = deque(maxlen=STEADY_TICKS)

    def tick(self) -> bytes:
        """Advance load and pan, and refresh the value."""
        self._load = max(self._load - self._drying_g_per_s * self.tick_ns / 1e9, 0.0)
        carried = self._load if self._pan_on else -PAN_G
        self._pan += (carried - self._pan) * self._part
        self._shown = self._pan * self._sensitivity + self._noise_g * self._rng.gauss(0.0, 1.0)
        self._latest.append(self._shown)
        return b""

    @property
    def _state(self) -> str:
        if self._shown > MAX_G:
            return "over"
        if self._shown < LEAST_G:
            return "under"
        steady = len(self._latest) == STEADY_TICKS and max(self._latest) - min(self._latest) <= STEADY_WITHIN_G
        return "steady" if steady else "moving"

    def line(self) -> bytes:
        """Return the line with the present value."""
        state = self._state
        mass = "none" if state in BEYOND else f"{round(self._shown - self._tare, 3) + 0.0:.3f}"
        return checked(f"mass={mass} g; {state}")

    def receive(self, data: bytes) -> bytes:
        """Answer every complete line."""
        return b"".join(self._answer(line.decode("ascii", "replace")) for line in self._lines.take(data))

    def _answer(self, asked: str) -> bytes:
        if asked == "mass?":
            return self.line()
        if asked == "identity?":
            return checked(f"identity: balance serial={self.serial} firmware=2.1 most_g={MAX_G:.3f} step_g=0.001")
        if asked == "tare":
            if self._state in BEYOND:
                return checked("refused: tare load")
            if self._state == "moving":
                return checked("refused: tare moving")
            self._tare = self._shown
            return checked("done: tare")
        word = "".join(c if c.isascii() and c.isprintable() else "?" for c in asked.partition(" ")[0])
        return checked(f"refused: {word} unknown")

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `load G`, `add G`, `dry G_PER_MIN`, `pan on|off`, `key`."""
        return {"load": self._put, "add": self._add, "dry": self._dry, "pan": self._take_pan, "key": self._print}

    def _put(self, words: list[str]) -> None:
        self._load = within(words, 0.0, 5000.0, "g")

    def _add(self, words: list[str]) -> None:
        self._load = min(max(self._load + number(words), 0.0), 5000.0)

    def _dry(self, words: list[str]) -> None:
        self._drying_g_per_s = within(words, 0.0, 100.0, "g a minute") / 60.0

    def _take_pan(self, words: list[str]) -> None:
        self._pan_on = one_of(words, "on", "off") == "on"

    def _print(self, words: list[str]) -> None:
        none(words)
        self.later(0.0, self.line())

    def state(self) -> dict[str, object]:
        """Return the true load and the displayed value."""
        return {
            **super().state(),
            "load_g": self._load,
            "shown_g": self._shown - self._tare,
            "tare_g": self._tare,
            "mark": self._state,
        }
