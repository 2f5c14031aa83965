"""The model of the rotational instrument with another protocol: other units, a stream, and its own viscosity."""

import math
import re
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines, crc16_modbus
from simulators.rotational import FLUIDS, GEOMETRIES, Fluid, Geometry, RotationalInstrument, Specification
from simulators.rotational.geometry import wall_stress
from simulators.words import Command, within

PER_MINUTE = 60.0 / (2.0 * math.pi)
SLOWEST, FASTEST = 0.0105, 26.2
"""rad/s"""
AT_REST_BELOW = 0.01
"""Speed below which no viscosity is sent, rad/s."""
NUMBER = re.compile(r"\d{1,3}\.\d{4}")
SATURATED, NO_PROBE, KEYS, BLOCKED = 1, 2, 4, 8


def checked(text: str) -> bytes:
    """Return a line as sent: text, `!`, CRC-16/MODBUS as four lower-case hex digits, CR LF."""
    raw = text.encode("ascii")
    return b"%s!%04x\r\n" % (raw, crc16_modbus(raw))


def text_of(line: bytes) -> str | None:
    """Return the text of a line without its end; None where its checksum is missing or wrong."""
    raw, mark, digits = line.rpartition(b"!")
    return raw.decode("ascii", "replace") if mark and digits == b"%04x" % crc16_modbus(raw) else None


class StreamingRotational(Clockwork):
    """One instrument: motor, spring, sample and noise are those of `RotationalInstrument`, without a bath."""

    kind = "streaming-rotational"
    end = b"\r\n"
    tick_ns = 200_000_000

    def __init__(
        self,
        geometry: Geometry | None = None,
        fluid: Fluid | None = None,
        seed: int = 1,
        *,
        temperature: float = 25.0,
        full_scale_unm: float = 1000.0,
        serial: str = "V-0915",
    ) -> None:
        super().__init__(serial)
        spec = Specification(
            full_scale_unm=full_scale_unm, has_bath=False, lowest_speed_per_min=0.1, highest_speed_per_min=250.2
        )
        geometry = geometry or GEOMETRIES["coaxial-15"]
        self.inner = RotationalInstrument(
            spec, geometry, fluid or FLUIDS["air"], seed, temperature=temperature, ambient=temperature, serial=serial
        )
        narrowing = 1.0 - (geometry.inner_radius_m / geometry.outer_radius_m) ** 2
        self.constant = wall_stress(geometry, 1.0) * narrowing / 2.0
        """K, 1/m3: the viscosity of a Newtonian fluid is K T/ω."""
        self._lines = Lines(self.end)

    def tick(self) -> bytes:
        """Advance the model and return a line where it streams."""
        self.inner.advance(self.tick_ns / 1e9)
        return self._line() if self.streams else b""

    def _line(self) -> bytes:
        shown = self.inner.shown()
        torque = shown.torque_percent / 100.0 * self.inner.spec.full_scale_unm / 1e3
        omega = shown.speed_per_min / PER_MINUTE
        state = (
            SATURATED * shown.saturated
            + NO_PROBE * self.inner.probe_open
            + KEYS * shown.keys_used
            + BLOCKED * shown.blocked
        )
        unknown = shown.saturated or omega < AT_REST_BELOW
        viscosity = "*" if unknown else f"{_plus(self.constant * torque * 1e-3 / omega * 1e3, 1):.1f}"
        cells = (
            "D",
            f"{round(self.time_s * 1e3)}",
            "*" if shown.saturated else f"{_plus(torque, 5):.5f}",
            f"{_plus(omega, 4):.4f}",
            "*" if self.inner.probe_open else f"{shown.temperature_celsius * 1.8 + 32.0:.2f}",
            viscosity,
            str(state),
        )
        return checked(";".join(cells))

    def receive(self, data: bytes) -> bytes:
        """Answer every line with a correct checksum; other lines get no answer."""
        texts = (text_of(line) for line in self._lines.take(data))
        return b"".join(checked(self._answer(text)) for text in texts if text is not None)

    def _answer(self, text: str) -> str:
        word, _, rest = text.partition(";")
        if text == "HI":
            full_scale = self.inner.spec.full_scale_unm / 1e3
            return f"HI;{self.kind};{self.serial};4.2;{full_scale:.4f};{self.constant:.1f}"
        if text in ("GO", "NOGO"):
            self.streams = text == "GO"
        elif text == "ON":
            self.inner.turn()
        elif text == "OFF":
            self.inner.halt()
        elif text == "NULL":
            if self.inner.zero().startswith("no"):
                return "ERR;NULL;turning"
        elif word == "RUN" and NUMBER.fullmatch(rest):
            wanted = float(rest)
            if not SLOWEST <= wanted <= FASTEST:
                return "ERR;RUN;range"
            self.inner.set_speed(wanted * PER_MINUTE)
            return f"OK;RUN;{wanted:.4f}"
        else:
            return f"ERR;{''.join(c if c.isprintable() and c.isascii() else '?' for c in word)};unknown"
        return f"OK;{text}"

    def commands(self) -> Mapping[str, Command]:
        """Return the commands of the rotational instrument, and `constant K` for another geometry."""
        return {**self.inner.commands(), "constant": self._set_constant}

    def _set_constant(self, words: list[str]) -> None:
        self.constant = within(words, 1.0, 1e9, "1/m3")

    def state(self) -> dict[str, object]:
        """Return the true state of sample and shaft."""
        return {
            **self.inner.state(),
            **super().state(),
            "streams": self.streams,
            "constant_per_m3": self.constant,
        }


def _plus(value: float, decimals: int) -> float:
    """Return `value` rounded, without a negative zero."""
    return round(value, decimals) + 0.0
