"""Platinum resistance thermometers (IEC 60751): resistance and temperature, both ways.

Resistance in ohm, temperature in degC (ITS-90), -200 to 850 degC.  Numbers or numpy arrays.
"""

import math

from daq.core.arguments import Number, require_within

A = 3.9083e-3
"""1/degC, IEC 60751."""
B = -5.775e-7
"""1/degC^2, IEC 60751."""
C = -4.183e-12
"""1/degC^4, IEC 60751; below 0 degC only."""
NOMINAL_OHM = (1.0, 1e5)
"""Resistances at 0 degC of thermometers that are made: 10 to 10,000 ohm."""


def resistance(celsius: Number, r0: float = 100.0) -> Number:
    """Resistance, ohm: r0 (1 + A t + B t^2), below 0 degC also + C (t - 100) t^3 (IEC 60751)."""
    require_within("celsius", celsius, -200.0, 850.0, "degC")
    require_within("r0", r0, *NOMINAL_OHM, "ohm")
    t = celsius
    return r0 * (1.0 + A * t + B * t**2 + (t < 0.0) * (C * (t - 100.0) * t**3))


def sensitivity(celsius: Number, r0: float = 100.0) -> Number:
    """Return dR/dt, ohm/K: r0 (A + 2 B t), below 0 degC also + C (4 t^3 - 300 t^2)."""
    require_within("celsius", celsius, -200.0, 850.0, "degC")
    require_within("r0", r0, *NOMINAL_OHM, "ohm")
    t = celsius
    return r0 * (A + 2.0 * B * t + (t < 0.0) * (C * (4.0 * t**3 - 300.0 * t**2)))


def temperature(ohm: Number, r0: float = 100.0) -> Number:
    """Return the temperature (degC) of a resistance (ohm), the inverse of `resistance` to better than 1e-9 K.

    At 0 degC and above the quadratic equation is solved; below 0 degC Newton's method is used.

    Raises:
        ArgumentError: a resistance outside -200..850 degC.
    """
    require_within("r0", r0, *NOMINAL_OHM, "ohm")
    require_within("ohm", ohm, resistance(-200.0, r0), resistance(850.0, r0), "ohm")
    if isinstance(ohm, (int, float)):
        return _temperature(ohm / r0)
    import numpy as np

    flat = [_temperature(float(x) / r0) for x in ohm.ravel()]
    return np.asarray(flat, dtype=np.float64).reshape(ohm.shape)


def _temperature(ratio: float) -> float:
    """Return the temperature of a resistance over r0, within the range."""
    t = (-A + math.sqrt(A * A - 4.0 * B * (1.0 - ratio))) / (2.0 * B)
    if ratio >= 1.0:
        return t
    for _ in range(20):
        t = max(t, -200.0)
        step = (resistance(t, 1.0) - ratio) / sensitivity(t, 1.0)
        t -= step
        if abs(step) < 1e-12:
            break
    return t
