"""Viscosity and temperature: curves of a product, coefficient, correction to a reference temperature.

Temperatures in degC (`celsius`) unless a name ends in `kelvin`; viscosities in any one unit (a curve returns the unit
of its points).  A fitted curve contains the range of its points and its relative scatter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.arguments import (
    ZERO_CELSIUS_K,
    Number,
    ends,
    finite_result,
    require_celsius,
    require_finite,
    require_instance,
    require_not_negative,
    require_numbers,
    require_order,
    require_positive,
    require_positives,
    require_same_length,
)
from daq.core.errors import ArgumentError
from daq.core.statistics import StraightLine
from daq.rheology.elementary import exp
from daq.rheology.leastsquares import fit_curve, linear_fit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_SPAN_K: Final = 1e-6
"""Smallest span (K) of the temperatures of a curve."""
LOWEST: Final = (-math.inf, -math.inf, math.log(0.1))
HIGHEST: Final = (math.inf, math.inf, math.log(5e3))
"""Bounds of a fitted Vogel curve: a, b and the logarithm of the coldest point's distance (K) from t0."""


@dataclass(frozen=True, slots=True)
class Andrade:
    """Arrhenius-Andrade: ln(η) = a + b/T, T in K.  Good for simple liquids over some tens of kelvin."""

    a: float
    b_kelvin: float
    low_celsius: float
    high_celsius: float
    relative_sd: float | None = None
    """Scatter of the points about the curve (1), None where it passes through them all."""

    def __post_init__(self) -> None:
        _check_curve(self)

    def viscosity(self, celsius: Number) -> Number:
        """Return the viscosity in the unit of the points."""
        require_celsius("celsius", celsius)
        return exp(self.a + self.b_kelvin / (celsius + ZERO_CELSIUS_K), "celsius")

    def coefficient(self, celsius: Number) -> Number:
        """Return -dln(η)/dT, 1/K: b/T^2."""
        require_celsius("celsius", celsius)
        return self.b_kelvin / (celsius + ZERO_CELSIUS_K) ** 2


@dataclass(frozen=True, slots=True)
class Vft:
    """Vogel-Fulcher-Tammann: ln(η) = a + b/(T - t0), T in K.  For liquids that do not follow Arrhenius."""

    a: float
    b_kelvin: float
    t0_kelvin: float
    low_celsius: float
    high_celsius: float
    relative_sd: float | None = None
    """Scatter of the points about the curve (1), None where it passes through them all."""

    def __post_init__(self) -> None:
        _check_curve(self)
        require_finite("t0_kelvin", self.t0_kelvin)
        if not self.t0_kelvin < self.low_celsius + ZERO_CELSIUS_K:
            raise ArgumentError(f"must be below the points, is {self.t0_kelvin:g} K", key="t0_kelvin")

    def viscosity(self, celsius: Number) -> Number:
        """Return the viscosity in the unit of the points; above t0 only."""
        return exp(self.a + self.b_kelvin / self._above_t0(celsius), "celsius")

    def coefficient(self, celsius: Number) -> Number:
        """Return -dln(η)/dT, 1/K: b/(T - t0)^2; above t0 only."""
        return self.b_kelvin / self._above_t0(celsius) ** 2

    def _above_t0(self, celsius: Number) -> Number:
        require_celsius("celsius", celsius)
        above: Number = celsius + (ZERO_CELSIUS_K - self.t0_kelvin)
        if not ends("celsius", above)[0] > 1e-6:
            raise ArgumentError(f"must be above t0 ({self.t0_kelvin - ZERO_CELSIUS_K:g} degC)", key="celsius")
        return above


Curve = Andrade | Vft


def _check_curve(curve: Curve) -> None:
    require_finite("a", curve.a)
    require_finite("b_kelvin", curve.b_kelvin)
    require_celsius("low_celsius", curve.low_celsius)
    require_celsius("high_celsius", curve.high_celsius)
    require_order("low_celsius", curve.low_celsius, "high_celsius", curve.high_celsius)
    if curve.relative_sd is not None:
        require_not_negative("relative_sd", curve.relative_sd)


def fit_andrade(celsius: Sequence[float], viscosity: Sequence[float]) -> Andrade:
    """Least squares of ln(η) on 1/T; two points give the exact curve.

    Raises:
        ArgumentError: fewer than 2 different temperatures, or a viscosity not positive.
    """
    t, y = _points(celsius, viscosity, 2)
    line = StraightLine.through([1.0 / x for x in t], [math.log(v) for v in y])
    assert line is not None  # noqa: S101 - the temperatures differ
    spare = len(t) - 2
    relative_sd = math.sqrt(line.residual_squares / spare) if spare else None
    return Andrade(line.intercept, line.slope, *_range(t), relative_sd)


def vft_through_three(celsius: Sequence[float], viscosity: Sequence[float]) -> Vft:
    """Return the curve through exactly three points, in closed form.

    With y = ln(η): q = (y1-y2)(T3-T2)/((y2-y3)(T2-T1)), t0 = (T3 - q T1)/(1 - q).
    Vogel 1921, Fulcher 1925, Tammann 1926.

    Raises:
        ArgumentError: not three different temperatures, or points that no such curve with t0 below them passes.
    """
    require_numbers("celsius", celsius)
    if len(celsius) != 3:
        raise ArgumentError(f"needs exactly 3 points, got {len(celsius)}", key="celsius")
    t, eta = _points(celsius, viscosity, 3)
    y = [math.log(v) for v in eta]
    below = (y[1] - y[2]) * (t[1] - t[0])
    q = (y[0] - y[1]) * (t[2] - t[1]) / below if below != 0.0 else math.inf
    t0 = (t[2] - q * t[0]) / (1.0 - q) if q != 1.0 and math.isfinite(q) else math.nan
    if not (math.isfinite(t0) and t0 < t[0]):
        raise ArgumentError("no Vogel curve with t0 below the points passes through them", key="viscosity")
    b = (y[0] - y[2]) * (t[0] - t0) * (t[2] - t0) / (t[2] - t[0])
    return Vft(y[0] - b / (t[0] - t0), b, t0, *_range(t))


def fit_vft(celsius: Sequence[float], viscosity: Sequence[float]) -> Vft:
    """Least squares in ln(η) (so relative), from three points (then exact) up.

    Raises:
        ArgumentError: fewer than 3 different temperatures, a viscosity not positive, points that do not fix t0, or a
            search that does not end at a minimum (then use `fit_andrade`).
    """
    require_numbers("celsius", celsius)
    if len(celsius) == 3:
        return vft_through_three(celsius, viscosity)
    import numpy as np

    t, eta = _points(celsius, viscosity, 4)
    # Parameters a, b and ln(Tmin - t0), so that t0 stays below the points.
    x, y = np.asarray(t) - t[0], np.log(np.asarray(eta))

    def columns(distance: float) -> "Array":
        return np.column_stack([np.ones_like(x), 1.0 / (x + distance)])

    def law(p: "Array", x: "Array") -> "Array":
        return np.asarray(p[0] + p[1] / (x + math.exp(p[2])))

    def slopes(p: "Array", x: "Array") -> "Array":
        distance = math.exp(p[2])
        return np.column_stack([columns(distance), -p[1] * distance / (x + distance) ** 2])

    found = []
    for distance in (10.0, 30.0, 60.0, 120.0, 240.0):
        # For a given t0 the rest is a line.
        a, b = linear_fit(columns(distance), y).parameters
        start = [float(a), float(b), math.log(distance)]
        found.append(fit_curve(law, x, y, start, jacobian=slopes, lower=LOWEST, upper=HIGHEST))
    best = min(found, key=lambda s: s.sum_of_squares)
    if best.status != "converged":
        raise ArgumentError(
            "the search for a, b and t0 did not end at a minimum; use an Andrade curve", key="viscosity"
        )
    a, b, log_distance = (float(p) for p in best.parameters)
    distance = math.exp(log_distance)
    if distance > 2e3 or distance < 0.11:
        raise ArgumentError("the points do not fix t0; use an Andrade curve", key="viscosity")
    return Vft(a, b, t[0] - distance, *_range(t), best.residual_sd)


@dataclass(frozen=True, slots=True)
class Corrected:
    """Viscosity corrected to the reference temperature, in the unit of the measured one."""

    corrected: float
    factor: float
    """corrected over measured: η(reference)/η(measured temperature) of the curve."""


def correct_to_reference(viscosity: float, celsius: float, reference_celsius: float, curve: Curve) -> Corrected:
    """Correct `viscosity` at `celsius` to `reference_celsius` with the product's own curve: times η(ref)/η(t).

    Both temperatures must be inside the range of the curve's points.  The correction of a fluid that is not Newtonian
    holds only at the shear rate of the curve.

    Raises:
        ArgumentError: a temperature outside the curve's range; viscosity not positive.
    """
    require_positive("viscosity", viscosity)
    require_instance("curve", curve, (Andrade, Vft))
    for name, t in (("celsius", celsius), ("reference_celsius", reference_celsius)):
        require_celsius(name, t)
        if not curve.low_celsius <= t <= curve.high_celsius:
            raise ArgumentError(
                f"{t:g} degC is outside the range of the product's curve ({curve.low_celsius:g} to "
                f"{curve.high_celsius:g} degC); no correction is made",
                key=name,
            )
    factor = curve.viscosity(reference_celsius) / curve.viscosity(celsius)
    return Corrected(finite_result("curve", viscosity * factor), factor)


def _points(celsius: Sequence[float], viscosity: Sequence[float], least: int) -> tuple[list[float], list[float]]:
    """Return the temperatures in K, ascending, and their viscosities; refuse points that cannot make a curve."""
    require_numbers("celsius", celsius, least, "temperatures")
    require_positives("viscosity", viscosity, least, "viscosities")
    require_same_length("celsius", celsius, "viscosity", viscosity)
    if len(set(celsius)) < least:
        raise ArgumentError(f"needs at least {least} different temperatures, got {len(set(celsius))}", key="celsius")
    if max(celsius) - min(celsius) < LEAST_SPAN_K:
        raise ArgumentError(f"must span at least {LEAST_SPAN_K:g} K", key="celsius")
    pairs = sorted(zip(celsius, viscosity, strict=True))
    for t, _ in pairs:
        require_celsius("celsius", t)
    return [float(t) + ZERO_CELSIUS_K for t, _ in pairs], [float(v) for _, v in pairs]


def _range(kelvin: list[float]) -> tuple[float, float]:
    # Rounded so that 20.0 degC is inside a range that begins at 20 degC.
    return round(kelvin[0] - ZERO_CELSIUS_K, 9), round(kelvin[-1] - ZERO_CELSIUS_K, 9)
