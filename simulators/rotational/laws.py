"""Flow laws: shear rate at a shear stress, at the fluid's reference temperature and full structure."""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Of the simulators, which are started often, only the rotational ones compute with arrays: numpy takes most of the time
# of a start, so it is imported where arrays are made. What is done here is done by methods of the arrays.


class FlowLaw(Hashable, Protocol):
    """A law of steady shear; stresses in Pa, rates in 1/s, viscosities in Pa.s, consistencies in Pa·sⁿ."""

    @property
    def yield_stress(self) -> float:
        """Stress below which the fluid does not flow, Pa; 0 for a fluid that flows at any stress."""
        ...

    def rate(self, stress: "Array") -> "Array":
        """Shear rate (1/s) at each shear stress (Pa, not negative); 0 at or below the yield stress."""
        ...


@dataclass(frozen=True)
class Newtonian:
    """Stress = viscosity * rate."""

    viscosity: float
    yield_stress: float = 0.0

    def rate(self, stress: "Array") -> "Array":
        """Shear rate (1/s) at each shear stress (Pa)."""
        return stress / self.viscosity


@dataclass(frozen=True)
class PowerLaw:
    """Stress = consistency * rate**index (Ostwald and de Waele)."""

    consistency: float
    index: float
    yield_stress: float = 0.0

    def rate(self, stress: "Array") -> "Array":
        """Shear rate (1/s) at each shear stress (Pa)."""
        return (stress / self.consistency) ** (1.0 / self.index)


@dataclass(frozen=True)
class HerschelBulkley:
    """Stress = yield stress + consistency * rate**index, at rest below the yield stress."""

    yield_stress: float
    consistency: float
    index: float

    def rate(self, stress: "Array") -> "Array":
        """Shear rate (1/s) at each shear stress (Pa)."""
        excess = (stress - self.yield_stress).clip(min=0.0)
        return (excess / self.consistency) ** (1.0 / self.index)


@dataclass(frozen=True)
class Casson:
    """sqrt(stress) = sqrt(yield stress) + sqrt(viscosity * rate), at rest below the yield stress."""

    yield_stress: float
    viscosity: float

    def rate(self, stress: "Array") -> "Array":
        """Shear rate (1/s) at each shear stress (Pa)."""
        import numpy as np  # noqa: PLC0415 - see above

        excess = np.maximum(np.sqrt(stress) - self.yield_stress**0.5, 0.0)
        return np.asarray(excess**2 / self.viscosity)
