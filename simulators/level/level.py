"""A level sensor that sends sentences in the style of NMEA 0183: level, temperature and density of a tank."""

import random
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines, xor
from simulators.words import Command, celsius, number, one_of, within

HIGHEST_M = 5.0
DENSITY_EVERY, IDENTITY_EVERY, REMARK_EVERY = 5, 10, 15
"""Seconds."""


def sentence(text: str) -> bytes:
    """Return a sentence as sent: `$`, text, `*`, exclusive-or of the text as two upper-case hex digits, CR LF."""
    raw = text.encode("ascii")
    return b"$%s*%02X\r\n" % (raw, xor(raw))


class LevelSensor(Clockwork):
    """One sensor; its offset is drawn once per seed (uniform, half width 3 mm), every sentence adds 1 mm of noise."""

    kind = "level"
    end = b"\r\n"
    tick_ns = 1_000_000_000
    streams = True

    def __init__(
        self, seed: int = 1, *, serial: str = "L-0088", temperature: float = 18.5, level: float = 1.234
    ) -> None:
        super().__init__(serial)
        self._offset_m = random.Random(f"errors of level {seed}").uniform(-1.0, 1.0) * 0.003
        self._rng = random.Random(f"noise of level {seed}")
        self._level, self._celsius, self._density = level, temperature, 1785.0
        self._drawn_m_per_s = 0.0
        self._valid = True
        self._lines = Lines(self.end)

    def tick(self) -> bytes:
        """Draw slip off, and return the sentences of this second."""
        self._level = max(self._level - self._drawn_m_per_s * self.tick_ns / 1e9, 0.0)
        second = round(self.time_s)
        sent = self._tank()
        if second % DENSITY_EVERY == 0:
            density = f"{self._density + 1.5 * self._rng.gauss(0.0, 1.0):.0f}" if self._valid else ""
            sent += sentence(f"KSDEN,{density},{self._mark}")
        if second % IDENTITY_EVERY == 0:
            sent += self._identity()
        if second % REMARK_EVERY == 0:
            sent += sentence("KSTXT,01,agitator on")
        return sent

    @property
    def _mark(self) -> str:
        return "A" if self._valid else "V"

    def _tank(self) -> bytes:
        if not self._valid:
            return sentence("KSTNK,,M,,C,V")
        level = min(max(self._level + self._offset_m + 0.001 * self._rng.gauss(0.0, 1.0), 0.0), HIGHEST_M)
        celsius_shown = round(self._celsius + 0.03 * self._rng.gauss(0.0, 1.0), 1) + 0.0
        return sentence(f"KSTNK,{level:.3f},M,{celsius_shown:.1f},C,A")

    def _identity(self) -> bytes:
        return sentence(f"KSIDN,{self.serial},0.9")

    def receive(self, data: bytes) -> bytes:
        """Answer the identity request; ignore a sentence with a wrong checksum."""
        asked = sentence("KSQID").removesuffix(self.end)
        return self._identity() * self._lines.take(data).count(asked)

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `level M`, `draw M_PER_MIN`, `density KG_PER_M3`, `temperature CEL`, `echo ok|lost`."""
        return {
            "level": lambda words: setattr(self, "_level", within(words, 0.0, HIGHEST_M, "m")),
            "draw": lambda words: setattr(self, "_drawn_m_per_s", within(words, 0.0, 10.0, "m a minute") / 60.0),
            "density": lambda words: setattr(self, "_density", within(words, 500.0, 5000.0, "kg/m3")),
            "temperature": lambda words: setattr(self, "_celsius", celsius(number(words))),
            "echo": lambda words: setattr(self, "_valid", one_of(words, "ok", "lost") == "ok"),
        }

    def state(self) -> dict[str, object]:
        """Return the true state of the tank."""
        return {
            **super().state(),
            "level_m": self._level,
            "temperature_C": self._celsius,
            "density_kg_m3": self._density,
            "valid": self._valid,
        }
