"""Convert units: UCUM codes in data, SI symbols on screens, some spellings of the trade on entry.

Factors are exact: SI brochure (2019) and NIST SP 811 for cP, P, dyn.cm.  A unit
converts to the coherent SI unit of its dimension by ``si = value * factor + offset``.
"""

import math
from dataclasses import dataclass
from typing import Final

from daq.core.arguments import require_finite
from daq.core.errors import ArgumentError


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: its UCUM code, the symbol for a screen, its dimension, and factor and offset to the SI unit."""

    code: str
    symbol: str
    dimension: str
    factor: float
    offset: float = 0.0


UNITS: Final[dict[str, Unit]] = {
    u.code: u
    for u in (
        Unit("1", "", "number", 1.0),
        Unit("%", "%", "number", 0.01),
        Unit("mPa.s", "mPa·s", "viscosity", 1e-3),
        Unit("Pa.s", "Pa·s", "viscosity", 1.0),
        Unit("/min", "min⁻¹", "speed", 2 * math.pi / 60),
        Unit("rad/s", "rad/s", "speed", 1.0),
        Unit("/s", "s⁻¹", "rate", 1.0),
        Unit("Cel", "°C", "temperature", 1.0, 273.15),
        Unit("K", "K", "temperature", 1.0),
        Unit("[degF]", "°F", "temperature", 5 / 9, 273.15 - 160 / 9),
        Unit("uN.m", "µN·m", "torque", 1e-6),
        Unit("mN.m", "mN·m", "torque", 1e-3),
        Unit("N.m", "N·m", "torque", 1.0),
        Unit("Pa", "Pa", "pressure", 1.0),
        Unit("hPa", "hPa", "pressure", 1e2),
        Unit("kPa", "kPa", "pressure", 1e3),
        Unit("mbar", "mbar", "pressure", 1e2),
        Unit("bar", "bar", "pressure", 1e5),
        Unit("m2/s", "m²/s", "kinematic viscosity", 1.0),
        Unit("mm2/s", "mm²/s", "kinematic viscosity", 1e-6),
        Unit("St", "St", "kinematic viscosity", 1e-4),
        Unit("ms", "ms", "time", 1e-3),
        Unit("s", "s", "time", 1.0),
        Unit("min", "min", "time", 60.0),
        Unit("h", "h", "time", 3600.0),
        Unit("d", "d", "time", 86400.0),
        Unit("mm", "mm", "length", 1e-3),
        Unit("m", "m", "length", 1.0),
        Unit("mg", "mg", "mass", 1e-6),
        Unit("g", "g", "mass", 1e-3),
        Unit("kg", "kg", "mass", 1.0),
        Unit("mL", "mL", "volume", 1e-6),
        Unit("L", "L", "volume", 1e-3),
        Unit("mL/min", "mL/min", "flow", 1e-6 / 60),
        Unit("L/min", "L/min", "flow", 1e-3 / 60),
        Unit("L/h", "L/h", "flow", 1e-3 / 3600),
        Unit("m3/h", "m³/h", "flow", 1.0 / 3600),
        Unit("g/min", "g/min", "mass flow", 1e-3 / 60),
        Unit("kg/h", "kg/h", "mass flow", 1.0 / 3600),
        Unit("kg/m3", "kg/m³", "density", 1.0),
        Unit("g/mL", "g/mL", "density", 1000.0),
        Unit("[pH]", "pH", "acidity", 1.0),
        Unit("mV", "mV", "voltage", 1e-3),
        Unit("V", "V", "voltage", 1.0),
        Unit("mA", "mA", "current", 1e-3),
        Unit("A", "A", "current", 1.0),
        Unit("W", "W", "power", 1.0),
        Unit("Hz", "Hz", "frequency", 1.0),
        Unit("uS/cm", "µS/cm", "conductivity", 1e-4),
        Unit("mS/cm", "mS/cm", "conductivity", 1e-1),
        Unit("Ohm", "Ω", "resistance", 1.0),
        Unit("kOhm", "kΩ", "resistance", 1000.0),
        Unit("{rev}", "rev", "revolutions", 1.0),
    )
}

#: Spellings accepted on entry, each with its UCUM code and factor.
ENTRY: Final[dict[str, tuple[str, float]]] = {
    "cP": ("mPa.s", 1.0),
    "P": ("Pa.s", 0.1),
    "mPa·s": ("mPa.s", 1.0),
    "Pa·s": ("Pa.s", 1.0),
    "rpm": ("/min", 1.0),
    "1/min": ("/min", 1.0),
    "min⁻¹": ("/min", 1.0),
    "1/s": ("/s", 1.0),
    "s⁻¹": ("/s", 1.0),
    "°C": ("Cel", 1.0),
    "µN·m": ("uN.m", 1.0),
    "mN·m": ("mN.m", 1.0),
    "dyn.cm": ("uN.m", 0.1),
    "dyn/cm2": ("Pa", 0.1),
    "ozf.in": ("mN.m", 0.45359237 / 16 * 9.80665 * 0.0254 * 1e3),  # international pound, standard gravity, inch
    "cSt": ("mm2/s", 1.0),
    "°F": ("[degF]", 1.0),
    "rev": ("{rev}", 1.0),
    "pH": ("[pH]", 1.0),
    "g/cm3": ("g/mL", 1.0),
    "kg/L": ("g/mL", 1.0),
}


def unit(code: str) -> Unit:
    """Return the unit of a UCUM code.

    Raises:
        ArgumentError: the code is not one of `UNITS`.
    """
    try:
        return UNITS[code]
    except (KeyError, TypeError):
        known = ", ".join(sorted(UNITS))
        raise ArgumentError(f"unknown unit {code!r}; known UCUM codes: {known}") from None


def entered(text: str) -> tuple[str, float]:
    """Return UCUM code and factor of a unit as a person writes it (``cP`` -> ``("mPa.s", 1.0)``).

    Raises:
        ArgumentError: the unit is unknown.
    """
    return (ENTRY.get(text) if isinstance(text, str) else None) or (unit(text).code, 1.0)


def convert(value: float, source: str, target: str) -> float:
    """Return `value`, given in the unit `source`, in the unit `target` (UCUM codes).

    Raises:
        ArgumentError: a code is unknown, the two units have different dimensions, or the value is not finite.
    """
    require_finite("value", value)
    a, b = unit(source), unit(target)
    if source == target:
        return value
    if a.dimension != b.dimension:
        raise ArgumentError(f"{source} ({a.dimension}) cannot be expressed in {target} ({b.dimension})")
    return (value * a.factor + a.offset - b.offset) / b.factor


def as_written(value: float) -> float:
    """Return a number in twelve digits, without the rounding errors of binary arithmetic, for a decision on it.

    The limit 1.4 Pa·s is 1400 mPa·s, and not 1399.9999999999998 mPa·s, beyond which a value of 1400 would be; and
    25.3 is in the band 25 ± 0.3.

    Raises:
        ArgumentError: the value is not finite.
    """
    require_finite("value", value)
    return float(f"{value:.12g}")


def symbol(code: str) -> str:
    """Return the symbol of a UCUM code for a screen (``mPa.s`` -> ``mPa·s``); an unknown code is returned unchanged."""
    known = UNITS.get(code)
    return known.symbol if known else code
