"""Specification of the instrument, and the errors of a single instrument within it."""

import random
from dataclasses import dataclass


@dataclass(frozen=True)
class Specification:
    """Stated limits and properties.

    Every limit is the half width of a rectangular (uniform) distribution from which the error of an instrument is drawn
    once. Torques are in % of full scale, the gain in % of the reading; gain and zero together are within
    `torque_limit_percent`. Noise is normal, given by its standard deviation.
    """

    full_scale_unm: float = 1000.0
    torque_limit_percent: float = 1.0
    gain_limit_percent: float = 0.7
    zero_limit_percent: float = 0.3
    geometry_limit_percent: float = 0.5
    speed_limit_percent: float = 0.1
    probe_limit_kelvin: float = 0.05
    torque_noise_percent: float = 0.03
    speed_noise_percent: float = 0.005
    probe_noise_kelvin: float = 0.002
    ripple_percent_of_reading: float = 0.4
    ripple_percent: float = 0.05
    stop_percent: float = 110.0
    lowest_speed_per_min: float = 0.01
    highest_speed_per_min: float = 200.0
    ramp_per_min_per_s: float = 30.0
    has_bath: bool = True
    coolest_bath_celsius: float = 5.0
    hottest_bath_celsius: float = 90.0
    bath_lag_s: float = 240.0
    sample_lag_s: float = 90.0
    sample_heat_capacity_j_per_k: float = 80.0
    wind_up_revolutions: float = 0.22
    unwind_s: float = 0.4
    creep_s: float = 15.0
    rotor_frequency_hz: float = 1.5
    rotor_damping: float = 0.7

    def __post_init__(self) -> None:
        """Raise `ValueError` where gain and zero together exceed the limit of the torque."""
        if self.gain_limit_percent + self.zero_limit_percent > self.torque_limit_percent + 1e-12:
            raise ValueError(
                f"gain ({self.gain_limit_percent} %) and zero ({self.zero_limit_percent} %) errors exceed the stated "
                f"maximum permissible error of the torque ({self.torque_limit_percent} %): lower one of them",
            )


@dataclass(frozen=True)
class Errors:
    """Fixed errors of one instrument: fractions, % of full scale, and K."""

    gain: float
    zero_percent: float
    geometry: float
    speed: float
    probe_kelvin: float
    ripple_phase: float

    @classmethod
    def draw(cls, spec: Specification, seed: int) -> "Errors":
        """Draw the errors of the instrument with this seed; the same seed gives the same instrument."""
        rng = random.Random(f"errors of instrument {seed}")
        return cls(
            gain=rng.uniform(-1.0, 1.0) * spec.gain_limit_percent / 100.0,
            zero_percent=rng.uniform(-1.0, 1.0) * spec.zero_limit_percent,
            geometry=rng.uniform(-1.0, 1.0) * spec.geometry_limit_percent / 100.0,
            speed=rng.uniform(-1.0, 1.0) * spec.speed_limit_percent / 100.0,
            probe_kelvin=rng.uniform(-1.0, 1.0) * spec.probe_limit_kelvin,
            ripple_phase=rng.uniform(0.0, 6.283185307179586),
        )
