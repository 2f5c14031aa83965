"""Torsion spring, rotor and read-out: torque on the shaft to displayed torque, in % of full scale."""

import math
import random
from collections import deque

from simulators.rotational.specification import Errors, Specification

ZERO_READINGS = 10


class TorqueSensor:
    """One torque sensor, stepped at its refresh interval.

    The turning shaft winds up the spring: the deflection approaches the torque by a fixed part per angle, to within 1 %
    in about one revolution at any speed (common practice, no source). At rest the spring unwinds in time; a deflection
    held by a yield stress creeps away slowly. The rotor follows the spring as a damped oscillator, solved exactly for
    a step of constant deflection.
    """

    def __init__(self, spec: Specification, errors: Errors, rng: random.Random, interval_s: float) -> None:
        self._gauss = rng.gauss
        self._stop = spec.stop_percent
        self._gain = (1.0 + errors.gain) * (1.0 + errors.geometry)
        self._zero_error = errors.zero_percent
        self._noise = spec.torque_noise_percent
        self._ripple = spec.ripple_percent
        self._ripple_part = spec.ripple_percent_of_reading / 100.0
        self._phase = errors.ripple_phase
        self._per_radian = 1.0 / (2.0 * math.pi * spec.wind_up_revolutions)
        self._unwind = -math.expm1(-interval_s / spec.unwind_s)
        self._creep = -math.expm1(-interval_s / spec.creep_s)
        self._rotor = _oscillator_step(spec.rotor_frequency_hz, spec.rotor_damping, interval_s)
        self._at_rest: deque[float] = deque(maxlen=ZERO_READINGS)
        self.deflection = 0.0
        self._position = 0.0
        self._velocity = 0.0
        self._raw = 0.0
        self.offset = 0.0
        self.shown = 0.0
        self.saturated = False

    def step(self, torque_percent: float, turned_rad: float, angle_rad: float, held_percent: float) -> None:
        """Advance by one refresh.

        Args:
            torque_percent: torque on the shaft, % of full scale.
            turned_rad: angle turned since the last refresh, rad.
            angle_rad: angle of the shaft, rad.
            held_percent: greatest torque that the yield stress holds at rest, % of full scale.
        """
        if turned_rad > 0.0:
            part = -math.expm1(-turned_rad * self._per_radian)
            deflection = self.deflection + (torque_percent - self.deflection) * part
        else:
            held = min(max(self.deflection, -held_percent), held_percent)
            deflection = held * (1.0 - self._creep) + (self.deflection - held) * (1.0 - self._unwind)
        self.deflection = deflection = min(max(deflection, -self._stop), self._stop)
        a, b, c, d = self._rotor
        away, velocity = self._position - deflection, self._velocity
        self._position = position = deflection + a * away + b * velocity
        self._velocity = c * away + d * velocity
        raw = position * self._gain + self._zero_error + self._noise * self._gauss(0.0, 1.0)
        if turned_rad > 0.0:
            raw += (self._ripple + self._ripple_part * position) * math.sin(angle_rad + self._phase)
            self._at_rest.clear()
        else:
            self._at_rest.append(raw)
        self._raw = raw
        self._show()

    def _show(self) -> None:
        shown = self._raw - self.offset
        self.saturated = abs(self.deflection) >= self._stop or abs(shown) >= self._stop
        if self.saturated:
            shown = math.copysign(self._stop, shown)
        self.shown = shown

    def take_zero(self) -> float:
        """Set the zero to the mean of the latest readings at rest and return it, % of full scale."""
        readings = self._at_rest or (self._raw,)
        self.offset = round(math.fsum(readings) / len(readings), 2)
        self._show()
        return self.offset

    def release(self) -> None:
        """Relax the spring, as when the vessel is removed."""
        self.deflection = self._position = self._velocity = 0.0


def _oscillator_step(frequency_hz: float, damping: float, seconds: float) -> tuple[float, float, float, float]:
    """Return the matrix of one step of x'' = -w^2 x - 2 z w x', z below 1: (x, x') -> (a x + b x', c x + d x')."""
    w = 2.0 * math.pi * frequency_hz
    decay, ringing = damping * w, w * math.sqrt(1.0 - damping**2)
    shrink = math.exp(-decay * seconds)
    sine, cosine = math.sin(ringing * seconds), math.cos(ringing * seconds)
    return (
        shrink * (cosine + decay / ringing * sine),
        shrink * sine / ringing,
        -shrink * w**2 / ringing * sine,
        shrink * (cosine - decay / ringing * sine),
    )
