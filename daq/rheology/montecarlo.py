"""Propagation of distributions by JCGM 101, with an explicit seed so that a result can be computed again."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daq.rheology.elementary import ArgumentError
from daq.rheology.uncertainty import HALF_WIDTH_FACTOR, Component, Distribution

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TRIALS = 200_000
"""Trials where nothing else is asked: the end points of a 95 % interval are then good to about 0.5 % of u."""


@dataclass(frozen=True, slots=True)
class Propagated:
    """What the trials say; everything in the unit of the result."""

    mean: float
    u: float
    """Standard deviation of the trials."""
    coverage: float
    low: float
    high: float
    """Probabilistically symmetric coverage interval (JCGM 101 7.7.2)."""
    shortest_low: float
    shortest_high: float
    """Shortest coverage interval (JCGM 101 7.7.3)."""
    trials: int
    seed: int

    @property
    def half_width(self) -> float:
        """Half the width of the symmetric interval."""
        return (self.high - self.low) / 2.0


def draw(
    generator: "np.random.Generator", component: Component, trials: int, centre: float = 0.0
) -> "NDArray[np.float64]":
    """`trials` values of one component's own quantity around `centre` (JCGM 101 6.4); its sensitivity is not applied.

    Student's t is scaled by u, so its standard deviation is larger than u (JCGM 101 6.4.9).
    """
    import numpy as np

    u = component.u
    kind = component.distribution
    if kind == Distribution.RECTANGULAR:
        half = u * HALF_WIDTH_FACTOR[kind]
        return centre + generator.uniform(-half, half, trials)
    if kind == Distribution.TRIANGULAR:
        half = u * HALF_WIDTH_FACTOR[kind]
        return centre + half * (generator.random(trials) + generator.random(trials) - 1.0)
    if kind == Distribution.ARCSINE:
        half = u * HALF_WIDTH_FACTOR[kind]
        return centre + half * np.sin(2.0 * np.pi * generator.random(trials))
    if kind == Distribution.STUDENT and component.dof < 1e6:
        return centre + u * generator.standard_t(component.dof, trials)
    return centre + u * generator.standard_normal(trials)


def propagate(
    model: "Callable[[Mapping[str, NDArray[np.float64]]], NDArray[np.float64]]",
    inputs: Sequence[tuple[float, Component]],
    *,
    seed: int,
    trials: int = TRIALS,
    coverage: float = 0.95,
) -> Propagated:
    """Distribution of `model` over its inputs (JCGM 101 clause 7).

    Args:
        model: takes a mapping of component name to an array of `trials` values, returns an array of that length.
        inputs: estimate and component of each input; the component's name is that of the input.
        seed: of the numpy generator; the same seed gives the same numbers.
        trials: at least 1,000.
        coverage: probability of the intervals, between 0 and 1.

    Raises:
        ArgumentError: no or repeated inputs, too few trials, a coverage outside 0..1, or a model that gives values
            that are not finite.
    """
    import numpy as np

    names = [c.name for _, c in inputs]
    if not names or len(set(names)) != len(names):
        raise ArgumentError("inputs must have names, each only once", key="inputs")
    if trials < 1000:
        raise ArgumentError(f"must be at least 1000, is {trials}", key="trials")
    if not 0.0 < coverage < 1.0:
        raise ArgumentError(f"must be between 0 and 1, is {coverage}", key="coverage")
    generator = np.random.default_rng(seed)
    y = np.asarray(model({c.name: draw(generator, c, trials, centre) for centre, c in inputs}), dtype=float)
    if y.shape != (trials,) or not np.all(np.isfinite(y)):
        raise ArgumentError("must give one finite value per trial", key="model")
    y = np.sort(y)
    q = round(coverage * trials)
    r = (trials - q) // 2
    widths = y[q:] - y[: trials - q]
    best = int(np.argmin(widths))
    return Propagated(
        mean=float(y.mean()),
        u=float(y.std(ddof=1)),
        coverage=coverage,
        low=float(y[r]),
        high=float(y[r + q]),
        shortest_low=float(y[best]),
        shortest_high=float(y[best + q]),
        trials=trials,
        seed=seed,
    )


def propagate_budget(
    value: float, components: Sequence[Component], *, seed: int, trials: int = TRIALS, coverage: float = 0.95
) -> Propagated:
    """Distribution of `value` plus every component times its sensitivity: the linear model of a budget.

    For a budget dominated by a rectangular term this interval is shorter than U = k u_c, which over-covers there.
    Components need different names.
    """
    weights = {c.name: c.sensitivity for c in components}

    def model(drawn: "Mapping[str, NDArray[np.float64]]") -> "NDArray[np.float64]":
        import numpy as np

        total: NDArray[np.float64] = np.full(trials, value)
        for name, sample in drawn.items():
            total += weights[name] * sample
        return total

    return propagate(model, [(0.0, c) for c in components], seed=seed, trials=trials, coverage=coverage)
