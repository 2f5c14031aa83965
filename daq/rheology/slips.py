"""Dry content of a slip from its density, by the balance of masses and volumes.

Densities in kg/m3, temperatures in degC.  The water holds nothing dissolved and no air; the volumes add.
"""

import math
from dataclasses import dataclass
from typing import Final

from daq.core.arguments import Number, require_density, require_not_negative, require_within
from daq.core.errors import ArgumentError

COLDEST_CELSIUS: Final = 0.0
HOTTEST_CELSIUS: Final = 100.0
"""Ends of the range of `water_density`, degC."""
LEAST_DIFFERENCE: Final = 10.0
"""kg/m3; smallest difference of solid and water from which a density tells the dry content."""


def water_density(celsius: Number) -> Number:
    """Return the density of air-free water at normal pressure, kg/m3; 0 to 100 degC.

    The polynomial of G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, equation 16.

    Raises:
        ArgumentError: a temperature outside the range.
    """
    require_within("celsius", celsius, COLDEST_CELSIUS, HOTTEST_CELSIUS, "degC")
    t = celsius
    above = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return above / (1.0 + 16.879850e-3 * t)


@dataclass(frozen=True, slots=True)
class DryContent:
    """Dry content of a slip: mass of the solid over the mass of the slip, with its standard uncertainty."""

    fraction: float
    """1; multiply by 100 for percent."""
    u: float
    """Standard uncertainty of `fraction` from the arguments' (JCGM 100 equation 10)."""
    by_volume: float
    """Volume of the solid over the volume of the slip, 1."""
    per_density: float
    """Change of `fraction` with the density of the slip, m3/kg."""
    per_solid_density: float
    """Change of `fraction` with the density of the solid, m3/kg."""


def dry_content(
    density: float,
    solid_density: float,
    celsius: float = 20.0,
    *,
    u_density: float = 0.0,
    u_solid_density: float = 0.0,
    u_celsius: float = 0.0,
) -> DryContent:
    """Return the dry content w of a slip from its density: w = ρs (ρ - ρw)/(ρ (ρs - ρw)).

    Balance of masses and volumes (textbook): 1/ρ = w/ρs + (1 - w)/ρw.

    Args:
        density: ρ of the slip, kg/m3; from that of water to that of the solid.
        solid_density: ρs of the dry solid without pores, kg/m3; greater than that of water.
        celsius: temperature of the slip, for the density ρw of its water.
        u_density: standard uncertainty of `density`, kg/m3.
        u_solid_density: standard uncertainty of `solid_density`, kg/m3.
        u_celsius: standard uncertainty of `celsius`, K.

    Raises:
        ArgumentError: a density in another unit, or not between those of water and solid.
    """
    require_density("density", density)
    require_density("solid_density", solid_density)
    water = water_density(celsius)
    for name, u, most in (
        ("u_density", u_density, density),
        ("u_solid_density", u_solid_density, solid_density),
        ("u_celsius", u_celsius, HOTTEST_CELSIUS),
    ):
        require_not_negative(name, u)
        require_within(name, u, 0.0, most)
    if solid_density < water + LEAST_DIFFERENCE:
        raise ArgumentError(
            f"must be at least {water + LEAST_DIFFERENCE:.1f} kg/m3, more than water at {celsius:g} degC, "
            f"is {solid_density:g}",
            key="solid_density",
        )
    if not water <= density <= solid_density:
        raise ArgumentError(
            f"must be between that of water at {celsius:g} degC ({water:.1f} kg/m3) and that of the solid "
            f"({solid_density:g} kg/m3), is {density:g}",
            key="density",
        )
    # In specific volumes the balance is a straight line.
    of_water, of_solid, of_slip = 1.0 / water, 1.0 / solid_density, 1.0 / density
    span = of_water - of_solid
    w = (of_water - of_slip) / span
    per_density = of_slip**2 / span
    per_solid = -w * of_solid**2 / span
    step = 0.01
    low, high = max(celsius - step, COLDEST_CELSIUS), min(celsius + step, HOTTEST_CELSIUS)
    per_kelvin = (water_density(high) - water_density(low)) / (high - low) * -(1.0 - w) * of_water**2 / span
    u = math.hypot(per_density * u_density, per_solid * u_solid_density, per_kelvin * u_celsius)
    return DryContent(w, u, w * density / solid_density, per_density, per_solid)
