"""A circulating bath: heats and cools towards its set-point within its power, with its values in Modbus registers."""

import random
import struct
from collections.abc import Mapping

from simulators.bath.modbus import (
    BROADCAST,
    DEVICE_FAILURE,
    ILLEGAL_ADDRESS,
    ILLEGAL_VALUE,
    AsciiFrames,
    ModbusError,
    RtuFrames,
    carried_out,
)
from simulators.clockwork import Clockwork
from simulators.words import Command, celsius, number, one_of

LOWEST_SET, HIGHEST_SET = -30.0, 150.0
HEATING_K_PER_S, COOLING_K_PER_S = 0.08, 0.05
CONTROL_S, SAMPLE_LAG_S = 30.0, 60.0
AROUND_CELSIUS = 22.0
NOT_CONNECTED = 0x8000
WRITABLE = {0: 2, 2: 1}
"""First register of each writable value, and its number of registers."""


class Bath(Clockwork):
    """One bath at one address; answers after 5 to 30 ms."""

    kind = "bath"

    def __init__(
        self,
        seed: int = 1,
        *,
        serial: str = "H-00712A",
        temperature: float = 25.0,
        address: int = 17,
        mode: str = "rtu",
    ) -> None:
        super().__init__(serial)
        if not 1 <= address <= 247:
            raise ValueError(f"a Modbus address is 1 to 247, got {address}")
        self.address = address
        self._frames: RtuFrames | AsciiFrames = RtuFrames() if mode == "rtu" else AsciiFrames()
        self.end = self._frames.end
        self._rng = random.Random(f"noise of bath {seed}")
        self._probe_error = random.Random(f"errors of bath {seed}").uniform(-1.0, 1.0) * 0.05
        self._bath = self._set = self._outside = temperature
        self._circulates = True
        self._probe_ok = True
        self._alarm = self._fails = False
        self._rate = 0.0

    def tick(self) -> bytes:
        """Advance bath and sample by one tick."""
        seconds = self.tick_ns / 1e9
        wanted = (self._set - self._bath) / CONTROL_S if self._circulates else (AROUND_CELSIUS - self._bath) / 3600.0
        self._rate = min(max(wanted, -COOLING_K_PER_S), HEATING_K_PER_S)
        self._bath += self._rate * seconds
        self._outside += (self._bath - self._outside) * seconds / SAMPLE_LAG_S
        return b""

    def receive(self, data: bytes) -> bytes:
        """Carry out every complete frame for this address; the answers follow after a delay."""
        for frame in self._frames.take(self.now_ns, data):
            if frame[0] not in (self.address, BROADCAST):
                continue
            answer = carried_out(frame[1:], self)
            if frame[0] == self.address:
                self.later(self._rng.uniform(0.005, 0.030), self._frames.wrapped(frame[:1] + answer))
        return b""

    # ---- registers

    def _input(self) -> dict[int, int]:
        shown = self._bath + self._probe_error + 0.002 * self._rng.gauss(0.0, 1.0)
        high, low = struct.unpack(">HH", struct.pack(">f", shown))
        outside = round(self._outside * 100.0) & 0xFFFF if self._probe_ok else NOT_CONNECTED
        heats = self._circulates and self._rate > 1e-4
        cools = self._circulates and self._rate < -1e-4
        pump = 1200 + round(3.0 * self._rng.gauss(0.0, 1.0)) if self._circulates else 0
        return {0: high, 1: low, 2: outside, 3: pump, 4: heats | cools << 1 | self._alarm << 2}

    def _holding(self) -> dict[int, int]:
        high, low = struct.unpack(">HH", struct.pack(">f", self._set))
        name = self.serial.encode("ascii", "replace")[:8].ljust(8)
        text = struct.unpack(">HHHH", name)
        return {0: high, 1: low, 2: int(self._circulates), **dict(zip(range(10, 14), text, strict=True)), 14: 215}

    def read_input(self, address: int, count: int) -> list[int]:
        """Return bath temperature, external probe, pump and status."""
        return self._read(self._input(), address, count)

    def read_holding(self, address: int, count: int) -> list[int]:
        """Return set-point, circulation, serial number and firmware."""
        return self._read(self._holding(), address, count)

    def _read(self, registers: dict[int, int], address: int, count: int) -> list[int]:
        if self._fails:
            raise ModbusError(DEVICE_FAILURE)
        try:
            return [registers[i] for i in range(address, address + count)]
        except KeyError:
            raise ModbusError(ILLEGAL_ADDRESS) from None

    def write(self, address: int, values: list[int]) -> None:
        """Set the set-point or switch the circulation."""
        if WRITABLE.get(address) != len(values):
            raise ModbusError(ILLEGAL_ADDRESS)
        if self._fails:
            raise ModbusError(DEVICE_FAILURE)
        if address == 2:
            if values[0] not in (0, 1):
                raise ModbusError(ILLEGAL_VALUE)
            self._circulates = bool(values[0])
            return
        (wanted,) = struct.unpack(">f", struct.pack(">HH", *values))
        if not LOWEST_SET <= wanted <= HIGHEST_SET:
            raise ModbusError(ILLEGAL_VALUE)
        self._set = wanted

    # ---- commands and state

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `temperature CEL` (all at once), `probe ok|open`, `alarm on|off`, `failure on|off`."""
        return {
            "temperature": lambda words: self._place(celsius(number(words))),
            "probe": lambda words: setattr(self, "_probe_ok", one_of(words, "ok", "open") == "ok"),
            "alarm": lambda words: setattr(self, "_alarm", one_of(words, "on", "off") == "on"),
            "failure": lambda words: setattr(self, "_fails", one_of(words, "on", "off") == "on"),
        }

    def _place(self, value: float) -> None:
        self._bath = self._set = self._outside = value

    def state(self) -> dict[str, object]:
        """Return the true state of the bath."""
        return {
            **super().state(),
            "address": self.address,
            "temperature_C": self._bath,
            "set_point_C": self._set,
            "external_C": self._outside,
            "circulates": self._circulates,
        }
