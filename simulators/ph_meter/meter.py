"""A pH meter: a glass electrode with slope, offset and lag, in a sample that is constant, drifts or is titrated."""

import math
import random
from collections import deque
from collections.abc import Mapping

from simulators.clockwork import Clockwork, Lines
from simulators.words import Command, celsius, number, one_of, within

GAS_CONSTANT, FARADAY = 8.314462618, 96485.33212
"""J/(mol K) and C/mol; both follow from the exact constants of the SI (SI brochure, 9th edition, 2019)."""
KELVIN = 273.15
COMPENSATED_WITHOUT_PROBE = 25.0
NEUTRAL_PH = 7.0
WATER_PRODUCT = 1e-14
"""Ion product of water at 25 Cel, mol2/L2 (general chemistry)."""
ACID_ML, ACID_MOL_PER_L, BASE_MOL_PER_L = 50.0, 0.01, 0.1
"""Titration of a strong acid with a strong base; the equivalence point is at 5 mL."""
END_POINT_LINES, END_POINT_MV = 6, 0.2


def nernst_slope_mv(kelvin: float) -> float:
    """Return the change of the voltage (mV) per unit of pH: R T ln(10)/F; 59.16 mV at 25 Cel (IUPAC, Green Book)."""
    return 1e3 * GAS_CONSTANT * kelvin * math.log(10.0) / FARADAY


def titrated_ph(base_ml: float) -> float:
    """Return the pH after a volume of base was added to the acid (ideal solutions, charge balance)."""
    excess = (ACID_ML * ACID_MOL_PER_L - base_ml * BASE_MOL_PER_L) / (ACID_ML + base_ml)
    root = math.sqrt(excess**2 + 4.0 * WATER_PRODUCT)
    # The smaller root from the larger one avoids cancellation.
    hydrogen = (excess + root) / 2.0 if excess > 0.0 else 2.0 * WATER_PRODUCT / (root - excess)
    return -math.log10(hydrogen)


def comma(value: float, decimals: int) -> str:
    """Return a number as sent: decimal comma, a sign only when negative."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace(".", ",")


def checked(text: str) -> bytes:
    """Return a line as sent: text with its last `;`, two's complement of the byte sum as two hex digits, CR."""
    raw = text.encode("ascii")
    return b"%s%02X\r" % (raw, -sum(raw) & 0xFF)


class PhMeter(Clockwork):
    """One meter with its electrode; slope and offset differ slightly from those of its calibration.

    Drawn once per seed, uniform: slope within 0.3 %, offset within 0.5 mV; temperature probe within 0.1 K.
    """

    kind = "ph-meter"
    end = b"\r"
    tick_ns = 1_000_000_000
    streams = True

    def __init__(
        self, seed: int = 1, *, serial: str = "P-0330", temperature: float = 23.0, ph: float = 7.0, lag_s: float = 2.0
    ) -> None:
        super().__init__(serial)
        errors = random.Random(f"errors of ph meter {seed}")
        self._slope = 1.0 + errors.uniform(-1.0, 1.0) * 0.003
        self._offset_mv = errors.uniform(-1.0, 1.0) * 0.5
        self._probe_error = errors.uniform(-1.0, 1.0) * 0.1
        self._rng = random.Random(f"noise of ph meter {seed}")
        self._part = -math.expm1(-self.tick_ns / 1e9 / lag_s)
        self._lines = Lines(self.end)
        self._ph, self._celsius = ph, temperature
        self._drift_per_s = 0.0
        self._base_ml = 0.0
        self._dosing_ml_per_s: float | None = None
        self._electrode_ok = self._probe_ok = True
        self._overdue = False
        self._voltage_mv = self._at_once_mv
        self._latest: deque[float] = deque(maxlen=END_POINT_LINES)

    @property
    def _at_once_mv(self) -> float:
        """Return the voltage of the electrode without its lag, mV."""
        return self._offset_mv - self._slope * nernst_slope_mv(self._celsius + KELVIN) * (self._ph - NEUTRAL_PH)

    def tick(self) -> bytes:
        """Advance sample and electrode, and return a line."""
        seconds = self.tick_ns / 1e9
        if self._dosing_ml_per_s is not None:
            self._base_ml += self._dosing_ml_per_s * seconds
            self._ph = titrated_ph(self._base_ml)
        else:
            self._ph = min(max(self._ph + self._drift_per_s * seconds, -1.0), 15.0)
        self._voltage_mv += (self._at_once_mv - self._voltage_mv) * self._part
        return self._line()

    def _line(self) -> bytes:
        voltage = self._voltage_mv + 0.03 * self._rng.gauss(0.0, 1.0)
        measured = self._celsius + self._probe_error + 0.01 * self._rng.gauss(0.0, 1.0)
        self._latest.append(voltage)
        temperature = comma(measured, 1) if self._probe_ok else ""
        if not self._electrode_ok:
            return checked(f"PH;--,--;----,-;{temperature};E;")
        compensated = measured if self._probe_ok else COMPENSATED_WITHOUT_PROBE
        ph = NEUTRAL_PH - voltage / nernst_slope_mv(compensated + KELVIN)
        return checked(f"PH;{comma(ph, 2)};{comma(voltage, 1)};{temperature};{self._mark};")

    @property
    def _mark(self) -> str:
        if self._overdue:
            return "C"
        enough = len(self._latest) == END_POINT_LINES
        return "A" if enough and max(self._latest) - min(self._latest) <= END_POINT_MV else "B"

    def receive(self, data: bytes) -> bytes:
        """Answer `SN?`; ignore all else."""
        return checked(f"SN;{self.serial};1.7;") * self._lines.take(data).count(b"SN?")

    def commands(self) -> Mapping[str, Command]:
        """Commands: `ph PH`, `drift PER_MIN`, `titrate ML_PER_MIN`, `temperature CEL`, and what may be wrong."""
        return {
            "ph": self._set_ph,
            "drift": self._drift,
            "titrate": self._titrate,
            "temperature": lambda words: setattr(self, "_celsius", celsius(number(words))),
            "electrode": lambda words: setattr(self, "_electrode_ok", one_of(words, "ok", "fault") == "ok"),
            "probe": lambda words: setattr(self, "_probe_ok", one_of(words, "ok", "open") == "ok"),
            "calibration": lambda words: setattr(self, "_overdue", one_of(words, "ok", "overdue") == "overdue"),
        }

    def _set_ph(self, words: list[str]) -> None:
        self._ph, self._dosing_ml_per_s, self._drift_per_s = within(words, -1.0, 15.0, "pH"), None, 0.0

    def _drift(self, words: list[str]) -> None:
        self._drift_per_s, self._dosing_ml_per_s = within(words, -10.0, 10.0, "pH a minute") / 60.0, None

    def _titrate(self, words: list[str]) -> None:
        self._dosing_ml_per_s, self._base_ml = within(words, 0.0, 60.0, "mL a minute") / 60.0, 0.0

    def state(self) -> dict[str, object]:
        """Return the true state of the sample."""
        return {
            **super().state(),
            "ph": self._ph,
            "voltage_mV": self._voltage_mv,
            "temperature_C": self._celsius,
            "base_mL": self._base_ml,
            "mark": self._mark,
        }
