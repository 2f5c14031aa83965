"""Simulated instruments of the descriptions beside this file; three of them are in `simulators/dialects`.

Each has `receive`, `advance`, `due_in_s`, as a simulator of the conformance kit, and `readings`: the values that it sent.
"""

from pathlib import Path

from simulators.dialects import DensityMeter, MoistureMeter, WeighingTerminal
from simulators.dialects.timed import Timed

FOLDER = Path(__file__).parent


class StrainAmplifier(Timed):
    """Three readings in each line, with the two's complement of the sum between '$' and '*'."""

    tick_s = 0.3

    def tick(self):
        rows = [(self.rng.randrange(-90_000, 90_000) / 100, self.rng.randrange(-300, 900) / 10) for _ in range(3)]
        self.readings += rows
        text = "D,40," + ",".join(f"{signal:.2f},{celsius:.1f}" for signal, celsius in rows)
        return f"${text}*{-sum(text.encode()) & 0xFF:02X}\r\n".encode()


#: Simulator and options of the driver by the name of the description, with a note behind the comma.
DIALECTS = {
    "density": (DensityMeter, {}),
    "density, stream": (DensityMeter, {"mode": "stream", "interval_ms": 250}),
    "moisture": (MoistureMeter, {}),
    "printer": (WeighingTerminal, {}),
    "tilt": (StrainAmplifier, {}),
}
