"""Flow laws: shear rate at a shear stress, at the fluid's reference temperature and full structure."""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class FlowLaw(Hashable, Protocol):
    """A law of steady shear; stresses in Pa, rates in 1/s, viscosities in Pa.s, consistencies in Pa·sⁿ."""

    @property
    def yield_stress(self) -> float:
        """Stress below which the fluid does not flow, Pa; 0 for a fluid that flows at any stress."""
        ...

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa, not negative); 0 at or below the yield stress."""
        ...


@dataclass(frozen=True)
class Newtonian:
    """Stress = viscosity * rate."""

    viscosity: float
    yield_stress: float = 0.0

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        return stress / self.viscosity


@dataclass(frozen=True)
class PowerLaw:
    """Stress = consistency * rate**index (Ostwald and de Waele)."""

    consistency: float
    index: float
    yield_stress: float = 0.0

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        return np.asarray((stress / self.consistency) ** (1.0 / self.index))


@dataclass(frozen=True)
class HerschelBulkley:
    """Stress = yield stress + consistency * rate**index, at rest below the yield stress."""

    yield_stress: float
    consistency: float
    index: float

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        excess = np.maximum(stress - self.yield_stress, 0.0)
        return np.asarray((excess / self.consistency) ** (1.0 / self.index))


@dataclass(frozen=True)
class Casson:
    """sqrt(stress) = sqrt(yield stress) + sqrt(viscosity * rate), at rest below the yield stress."""

    yield_stress: float
    viscosity: float

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        excess = np.maximum(np.sqrt(stress) - self.yield_stress**0.5, 0.0)
        return np.asarray(excess**2 / self.viscosity)
