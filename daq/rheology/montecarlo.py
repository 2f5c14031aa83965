"""Propagation of distributions by JCGM 101, with an explicit seed so that a result can be reproduced."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daq.core.arguments import require_count, require_finite, require_instance, require_listed, require_probability
from daq.core.errors import ArgumentError
from daq.rheology.uncertainty import HALF_WIDTH_FACTOR, Component, Distribution

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_TRIALS = 10_000_000
"""Greatest number of trials: 80 MB for each component."""
TRIALS = 200_000
"""Default number of trials: gives the end points of a 95 % interval within about 0.5 % of u."""


@dataclass(frozen=True, slots=True)
class Propagated:
    """Result of the trials; everything in the unit of the result."""

    mean: float
    u: float
    """Standard deviation of the trials."""
    coverage: float
    low: float
    high: float
    """Probabilistically symmetric coverage interval (JCGM 101 7.7.2)."""
    trials: int
    seed: int


def draw(rng: "np.random.Generator", component: Component, trials: int) -> "NDArray[np.float64]":
    """Draw `trials` values of one component's quantity around 0 (JCGM 101 6.4); its sensitivity is not applied.

    Student's t is scaled by u, so its standard deviation is larger than u (JCGM 101 6.4.9).
    """
    require_instance("component", component, Component)
    require_count("trials", trials, 1, MOST_TRIALS, "trials")
    import numpy as np

    u = component.u
    kind = component.distribution
    if kind == Distribution.RECTANGULAR:
        half = u * HALF_WIDTH_FACTOR[kind]
        return rng.uniform(-half, half, trials)
    if kind == Distribution.TRIANGULAR:
        half = u * HALF_WIDTH_FACTOR[kind]
        return half * (rng.random(trials) + rng.random(trials) - 1.0)
    if kind == Distribution.ARCSINE:
        half = u * HALF_WIDTH_FACTOR[kind]
        return half * np.sin(2.0 * np.pi * rng.random(trials))
    if kind == Distribution.STUDENT and component.dof < 1e6:
        return u * rng.standard_t(component.dof, trials)
    return u * rng.standard_normal(trials)


def propagate_budget(
    value: float, components: Sequence[Component], *, seed: int, trials: int = TRIALS, coverage: float = 0.95
) -> Propagated:
    """Return the distribution of `value` plus every component times its sensitivity (JCGM 101 clause 7, linear model).

    For a budget dominated by a rectangular term this interval is shorter than U = k u_c, which over-covers there.

    Args:
        value: the result, in its unit.
        components: with different names.
        seed: seed of numpy's random generator; the same seed gives the same numbers.
        trials: at least 1,000.
        coverage: probability of the interval, between 0 and 1.

    Raises:
        ArgumentError: no or repeated components, too few trials, or a coverage outside 0..1.
    """
    import numpy as np

    require_finite("value", value)
    require_listed("components", components)
    for component in components:
        require_instance("components", component, Component)
    names = [c.name for c in components]
    if not names or len(set(names)) != len(names):
        raise ArgumentError("components must have names, each only once", key="components")
    require_count("trials", trials, 1000, MOST_TRIALS, "trials")
    require_count("seed", seed, 0, 2**63, "as seed")
    require_probability("coverage", coverage)
    rng = np.random.default_rng(seed)
    y: NDArray[np.float64] = np.full(trials, float(value))
    for component in components:
        y += component.sensitivity * draw(rng, component, trials)
    y.sort()
    q = round(coverage * trials)
    r = (trials - q) // 2
    return Propagated(
        mean=float(y.mean()), u=float(y.std(ddof=1)), coverage=coverage, low=float(y[r]), high=float(y[r + q]),
        trials=trials, seed=seed,
    )  # fmt: skip
