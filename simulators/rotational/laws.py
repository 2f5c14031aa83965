"""Flow laws: shear rate of a fluid at a shear stress, at its reference temperature and full structure."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class FlowLaw(Protocol):
    """A law of steady shear. `yield_stress_Pa` is 0 for fluids that flow at any stress."""

    @property
    def yield_stress_Pa(self) -> float:  # noqa: N802 - the unit's symbol is part of the name
        """Stress below which the fluid does not flow, Pa."""
        ...

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa, not negative); 0 at or below the yield stress."""
        ...


@dataclass(frozen=True)
class Newtonian:
    """Stress = viscosity * rate."""

    viscosity_Pa_s: float
    yield_stress_Pa: float = 0.0

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        return stress / self.viscosity_Pa_s


@dataclass(frozen=True)
class PowerLaw:
    """Stress = consistency * rate**index (Ostwald and de Waele)."""

    consistency_Pa_sn: float
    index: float
    yield_stress_Pa: float = 0.0

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        return np.asarray((stress / self.consistency_Pa_sn) ** (1.0 / self.index))


@dataclass(frozen=True)
class HerschelBulkley:
    """Stress = yield stress + consistency * rate**index, at rest below the yield stress."""

    yield_stress_Pa: float
    consistency_Pa_sn: float
    index: float

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        excess = np.maximum(stress - self.yield_stress_Pa, 0.0)
        return np.asarray((excess / self.consistency_Pa_sn) ** (1.0 / self.index))


@dataclass(frozen=True)
class Casson:
    """sqrt(stress) = sqrt(yield stress) + sqrt(viscosity * rate), at rest below the yield stress."""

    yield_stress_Pa: float
    viscosity_Pa_s: float

    def rate(self, stress: Array) -> Array:
        """Shear rate (1/s) at each shear stress (Pa)."""
        excess = np.maximum(np.sqrt(stress) - self.yield_stress_Pa**0.5, 0.0)
        return np.asarray(excess**2 / self.viscosity_Pa_s)
