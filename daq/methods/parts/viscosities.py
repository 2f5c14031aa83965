"""Names of the quantities that are viscosities, and of the channel of an instrument that computes one itself."""

from typing import Final

VISCOSITIES: Final = ("viscosity", "apparent_viscosity")
OWN_VISCOSITY: Final = "own_viscosity"
"""The channel of an instrument that computes a viscosity itself."""
