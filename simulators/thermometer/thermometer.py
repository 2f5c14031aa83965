"""An external thermometer: a first-order probe with a fixed error, and a line every second, unasked."""

import functools
import math
import operator
import random
from collections.abc import Mapping

from simulators.words import Command, celsius, number, one_of

LINE_NS = 1_000_000_000
LONGEST_REQUEST = 96


def checked(text: str) -> bytes:
    """Return a line as sent: text, `*`, exclusive-or of its bytes as two upper-case hex digits, CR LF."""
    raw = text.encode("ascii")
    return b"%s*%02X\r\n" % (raw, functools.reduce(operator.xor, raw, 0))


class Thermometer:
    """One thermometer, whose time is set by the caller.

    The probe's error is drawn once per seed from a uniform distribution of half width `probe_limit_kelvin`; every line
    adds normal noise of standard deviation `noise_kelvin`. The probe follows the temperature around it with a lag.
    """

    kind = "thermometer"
    end = b"\r\n"

    def __init__(
        self,
        seed: int = 1,
        *,
        temperature: float = 25.0,
        lag_s: float = 8.0,
        probe_limit_kelvin: float = 0.05,
        noise_kelvin: float = 0.002,
        serial: str = "T-0310",
        firmware: str = "1.0",
    ) -> None:
        """Start in equilibrium with the temperature around the probe (Cel)."""
        self.serial = serial
        self.probe_open = False
        self.probe_error_kelvin = random.Random(f"errors of thermometer {seed}").uniform(-1.0, 1.0) * probe_limit_kelvin
        self._firmware = firmware
        self._rng = random.Random(f"noise of thermometer {seed}")
        self._noise_kelvin = noise_kelvin
        self._part = -math.expm1(-LINE_NS / 1e9 / lag_s)
        self._now_ns = 0
        self._lines = 0
        self._around = self._probe = temperature
        self._request = b""

    def set_temperature(self, celsius: float) -> None:
        """Change the temperature around the probe (Cel); the probe follows with its lag."""
        self._around = celsius

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the lines sent meanwhile."""
        self._now_ns += round(dt_s * 1e9)
        return b"".join(self._line() for _ in range(self._now_ns // LINE_NS - self._lines))

    def due_in_s(self) -> float | None:
        """Return the time to the next line, s."""
        return ((self._lines + 1) * LINE_NS - self._now_ns) / 1e9

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; answer each line `id`, ignore every other line."""
        *lines, rest = (self._request + data).split(b"\r\n")
        self._request = rest[-LONGEST_REQUEST:]
        answer = checked(f"I {self.kind} serial={self.serial} firmware={self._firmware}")
        return answer * lines.count(b"id")

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `temperature CEL` and `probe open|ok`."""
        return {
            "temperature": lambda words: self.set_temperature(celsius(number(words))),
            "probe": lambda words: setattr(self, "probe_open", one_of(words, "open", "ok") == "open"),
        }

    def state(self) -> dict[str, object]:
        """Return the true state at the probe, for tests and demonstrations."""
        return {
            "kind": self.kind,
            "serial": self.serial,
            "time_s": self._lines * LINE_NS / 1e9,
            "temperature_C": self._probe,
            "around_C": self._around,
            "probe_open": self.probe_open,
        }

    def _line(self) -> bytes:
        self._lines += 1
        self._probe += (self._around - self._probe) * self._part
        shown = self._probe + self.probe_error_kelvin + self._noise_kelvin * self._rng.gauss(0.0, 1.0)
        return checked("T --- open" if self.probe_open else f"T {shown:+.3f} ok")
