"""Flow models: stress τ (Pa) from shear rate γ̇ (1/s), with derivatives, bounds and starting values.

Parameters in SI units: yield stress τ_y, τ_c (`tau_y`, `tau_c`) in Pa; viscosities η, η_p, η_c, η0, η_inf (`eta`,
`eta_p`, ...) in Pa.s; consistency K in Pa·sⁿ; time λ (`lam`) in s; exponents n and m without unit.  The equations are
those of the rheology handbooks.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CONSISTENCY_UNIT: Final = "Pa·sⁿ"
"""Unit of K as text.  It depends on the parameter n and so has no UCUM code; `FlowModel.units` gives None for it."""


@dataclass(frozen=True)
class FlowModel:
    """One model: its equation, and the bounds and starting values of a fit."""

    name: str
    equation: str
    parameters: tuple[str, ...]
    units: tuple[str | None, ...]
    """UCUM codes; None for K, see `CONSISTENCY_UNIT`."""
    stress: "Callable[[Array, Array], Array]"
    """(parameters, rates) -> stresses."""
    jacobian: "Callable[[Array, Array], Array]"
    """(parameters, rates) -> derivatives of the stress, one column per parameter."""
    upper: tuple[float, ...]
    """Upper bounds; every lower bound is 0."""
    rate_ratio: float
    """Least ratio of the greatest to the smallest rate at which data can show the shape of this model (our choice)."""
    basis: "Callable[[tuple[float, ...], Array], Array] | None" = None
    """(shape parameters, rates) -> one column for each other parameter, in which the stress is linear."""
    shape: "Callable[[Array], list[tuple[float, ...]]] | None" = None
    """rates -> starting values of the shape parameters."""

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.parameters)


def _columns(*columns: "Array") -> "Array":
    import numpy as np

    return np.column_stack(columns)


def _ones(rates: "Array") -> "Array":
    import numpy as np

    return np.ones_like(rates)


def _newtonian(p: "Array", g: "Array") -> "Array":
    stress: Array = p[0] * g
    return stress


def _newtonian_jacobian(_p: "Array", g: "Array") -> "Array":
    return _columns(g)


def _bingham(p: "Array", g: "Array") -> "Array":
    stress: Array = p[0] + p[1] * g
    return stress


def _bingham_jacobian(_p: "Array", g: "Array") -> "Array":
    return _columns(_ones(g), g)


def _power_law(p: "Array", g: "Array") -> "Array":
    stress: Array = p[0] * g ** p[1]
    return stress


def _power_law_jacobian(p: "Array", g: "Array") -> "Array":
    import numpy as np

    power = g ** p[1]
    return _columns(power, p[0] * power * np.log(g))


def _herschel_bulkley(p: "Array", g: "Array") -> "Array":
    stress: Array = p[0] + p[1] * g ** p[2]
    return stress


def _herschel_bulkley_jacobian(p: "Array", g: "Array") -> "Array":
    return _columns(_ones(g), *_power_law_jacobian(p[1:], g).T)


def _casson(p: "Array", g: "Array") -> "Array":
    import numpy as np

    stress: Array = (np.sqrt(p[0]) + np.sqrt(p[1] * g)) ** 2
    return stress


def _casson_jacobian(p: "Array", g: "Array") -> "Array":
    import numpy as np

    return _columns(1.0 + np.sqrt(p[1] * g / p[0]), g + np.sqrt(p[0] * g / p[1]))


def _cross(p: "Array", g: "Array") -> "Array":
    stress: Array = g * (p[1] + (p[0] - p[1]) / (1.0 + (p[2] * g) ** p[3]))
    return stress


def _cross_jacobian(p: "Array", g: "Array") -> "Array":
    import numpy as np

    x = (p[2] * g) ** p[3]
    f = 1.0 / (1.0 + x)
    common = -g * (p[0] - p[1]) * f**2 * x
    return _columns(g * f, g * (1.0 - f), common * p[3] / p[2], common * np.log(p[2] * g))


def _carreau(p: "Array", g: "Array") -> "Array":
    stress: Array = g * (p[1] + (p[0] - p[1]) * (1.0 + (p[2] * g) ** 2) ** ((p[3] - 1.0) / 2.0))
    return stress


def _carreau_jacobian(p: "Array", g: "Array") -> "Array":
    import numpy as np

    q = 1.0 + (p[2] * g) ** 2
    f = q ** ((p[3] - 1.0) / 2.0)
    spread = g * (p[0] - p[1]) * f
    return _columns(g * f, g * (1.0 - f), spread * (p[3] - 1.0) / q * p[2] * g**2, spread * np.log(q) / 2.0)


def _newtonian_basis(_shape: tuple[float, ...], g: "Array") -> "Array":
    return _columns(g)


def _bingham_basis(_shape: tuple[float, ...], g: "Array") -> "Array":
    return _columns(_ones(g), g)


def _power_law_basis(shape: tuple[float, ...], g: "Array") -> "Array":
    return _columns(g ** shape[0])


def _herschel_bulkley_basis(shape: tuple[float, ...], g: "Array") -> "Array":
    return _columns(_ones(g), g ** shape[0])


def _cross_basis(shape: tuple[float, ...], g: "Array") -> "Array":
    f = 1.0 / (1.0 + (shape[0] * g) ** shape[1])
    return _columns(g * f, g * (1.0 - f))


def _carreau_basis(shape: tuple[float, ...], g: "Array") -> "Array":
    f = (1.0 + (shape[0] * g) ** 2) ** ((shape[1] - 1.0) / 2.0)
    return _columns(g * f, g * (1.0 - f))


def _no_shape(_g: "Array") -> list[tuple[float, ...]]:
    return [()]


def _index_shapes(_g: "Array") -> list[tuple[float, ...]]:
    return [(n,) for n in (0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.1, 1.5)]


def _times(g: "Array") -> list[float]:
    import numpy as np

    return [float(x) for x in np.geomspace(0.3 / g.max(), 3.0 / g.min(), 9)]


def _cross_shapes(g: "Array") -> list[tuple[float, ...]]:
    return [(lam, m) for lam in _times(g) for m in (0.4, 0.6, 0.8, 1.0)]


def _carreau_shapes(g: "Array") -> list[tuple[float, ...]]:
    return [(lam, n) for lam in _times(g) for n in (0.0, 0.2, 0.4, 0.6, 0.8)]


_INF = float("inf")

MODELS: dict[str, FlowModel] = {
    model.name: model
    for model in (
        FlowModel(
            "newtonian",
            "τ = η γ̇",
            ("eta",),
            ("Pa.s",),
            _newtonian,
            _newtonian_jacobian,
            (_INF,),
            1.0,
            _newtonian_basis,
            _no_shape,
        ),
        FlowModel(
            "bingham",
            "τ = τ_y + η_p γ̇",
            ("tau_y", "eta_p"),
            ("Pa", "Pa.s"),
            _bingham,
            _bingham_jacobian,
            (_INF, _INF),
            3.0,
            _bingham_basis,
            _no_shape,
        ),
        FlowModel(
            "power_law",
            "τ = K γ̇^n",
            ("K", "n"),
            (None, "1"),
            _power_law,
            _power_law_jacobian,
            (_INF, 5.0),
            3.0,
            _power_law_basis,
            _index_shapes,
        ),
        FlowModel(
            "herschel_bulkley",
            "τ = τ_y + K γ̇^n",
            ("tau_y", "K", "n"),
            ("Pa", None, "1"),
            _herschel_bulkley,
            _herschel_bulkley_jacobian,
            (_INF, _INF, 5.0),
            10.0,
            _herschel_bulkley_basis,
            _index_shapes,
        ),
        FlowModel(
            "casson",
            "√τ = √τ_c + √(η_c γ̇)",
            ("tau_c", "eta_c"),
            ("Pa", "Pa.s"),
            _casson,
            _casson_jacobian,
            (_INF, _INF),
            3.0,
        ),
        FlowModel(
            "cross",
            "τ = γ̇ (η_inf + (η0 - η_inf)/(1 + (λ γ̇)^m))",
            ("eta0", "eta_inf", "lam", "m"),
            ("Pa.s", "Pa.s", "s", "1"),
            _cross,
            _cross_jacobian,
            (_INF, _INF, _INF, 5.0),
            30.0,
            _cross_basis,
            _cross_shapes,
        ),
        FlowModel(
            "carreau",
            "τ = γ̇ (η_inf + (η0 - η_inf) (1 + (λ γ̇)^2)^((n-1)/2))",
            ("eta0", "eta_inf", "lam", "n"),
            ("Pa.s", "Pa.s", "s", "1"),
            _carreau,
            _carreau_jacobian,
            (_INF, _INF, _INF, 1.0),
            30.0,
            _carreau_basis,
            _carreau_shapes,
        ),
    )
}
"""Models by name."""
