"""A sign of wall slip: one fluid measured in two gaps has a lower apparent viscosity in the narrower one.

A layer at the wall that slips at the speed v adds 2 v/h to the apparent rate in a gap h, so that at one stress the
apparent rate is higher in the narrower gap.  Sources: M. Mooney, J. Rheol. 2 (1931) 210; for two gaps of plates or
cylinders A. Yoshimura and R. K. Prud'homme, J. Rheol. 32 (1988) 53.

Rates of cylinders are to be corrected to the wall before, because otherwise the curvature of a wide gap alone makes the
curves of a fluid that is not Newtonian differ.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from daq.core.arguments import (
    require_length,
    require_listed,
    require_not_negative,
    require_positive,
    require_positives,
    require_within,
)
from daq.core.errors import ArgumentError

COVERAGE_FACTOR: Final = 2.0
"""Standard uncertainties by which the apparent viscosities must differ: about 95 % (JCGM 100, 6.3.3)."""
LEAST_POINTS: Final = 2
WIDEST_GAP_M: Final = 0.1
"""m; a wider one is no gap of a measuring geometry, or is given in millimetres."""


@dataclass(frozen=True, slots=True)
class GapCurve:
    """Apparent flow curve of one gap: stresses and rates at the wall, both rising."""

    gap: float
    """m."""
    stresses: tuple[float, ...]
    """Pa."""
    rates: tuple[float, ...]
    """1/s."""
    relative_u: float
    """Relative standard uncertainty of a viscosity."""

    def __post_init__(self) -> None:
        """Refuse what is no rising curve of positive numbers."""
        require_length("gap", self.gap, WIDEST_GAP_M)
        for name, values in (("stresses", self.stresses), ("rates", self.rates)):
            require_listed(name, values, LEAST_POINTS)
            require_positives(name, values, LEAST_POINTS)
            # Steps below a millionth have no slope in double precision.
            if any(b < a * (1.0 + 1e-6) for a, b in pairwise(values)):
                raise ArgumentError("must rise", key=name)
        if len(self.stresses) != len(self.rates):
            raise ArgumentError(f"needs as many as stresses ({len(self.stresses)})", key="rates")
        require_not_negative("relative_u", self.relative_u)
        require_within("relative_u", self.relative_u, 0.0, 10.0)

    def rate_at(self, stress: float) -> tuple[float, float]:
        """Return rate and slope d ln(rate)/d ln(stress) at a stress inside the curve, by a power law between points.

        Raises:
            ArgumentError: a stress outside of the curve.
        """
        require_positive("stress", stress)
        require_within("stress", stress, self.stresses[0], self.stresses[-1], "Pa")
        i = min(max(bisect_right(self.stresses, stress), 1), len(self.stresses) - 1)
        (s1, s2), (g1, g2) = self.stresses[i - 1 : i + 1], self.rates[i - 1 : i + 1]
        slope = math.log(g2 / g1) / math.log(s2 / s1)
        return g1 * (stress / s1) ** slope, slope


@dataclass(frozen=True, slots=True)
class GapComparison:
    """The apparent viscosities of two gaps at equal stresses.

    `verdict` is ``slip`` where that of the narrow gap is lower beyond the uncertainty at every common stress, ``none``
    where no difference is shown, and ``other`` where it is higher: that is no slip, but an error of a gap or of an end.
    """

    verdict: Literal["slip", "none", "other"]
    stress: float
    """Stress (Pa) in the middle of the common range, for which the other figures are."""
    difference: float
    """Apparent viscosity in the narrow gap less that in the wide one, over that in the wide one."""
    uncertainty: float
    """Expanded uncertainty of `difference` (k = 2)."""
    slip_speed: float
    """Speed at the wall, m/s; without meaning where the verdict is not ``slip``."""
    rate: float
    """Rate without slip, 1/s; negative where slip alone does not explain the difference."""


def compare_gaps(narrow: GapCurve, wide: GapCurve) -> GapComparison | None:
    """Return the comparison of two gaps at equal stress; None where the curves have no stresses in common.

    The relative uncertainty of a rate at a given stress is that of the viscosity times the slope of the curve, because
    an error of the stress moves the point along it.  Both uncertainties are taken as independent: a common error, as
    of one torque sensor, cancels in part, so that the comparison errs to the side of no sign.

    Raises:
        ArgumentError: `narrow` is not the narrower gap.
    """
    for name, given in (("narrow", narrow), ("wide", wide)):
        if not isinstance(given, GapCurve):
            raise ArgumentError(f"must be a GapCurve, is {given!r}", key=name)
    if not narrow.gap < wide.gap:
        raise ArgumentError(f"must be below that of the wide one ({wide.gap:g} m), is {narrow.gap:g} m", key="narrow")
    low = max(narrow.stresses[0], wide.stresses[0])
    high = min(narrow.stresses[-1], wide.stresses[-1])
    if not low < high:
        return None
    inside = sorted({s for s in (*narrow.stresses, *wide.stresses, low, high) if low <= s <= high})
    compared = [_at(narrow, wide, s) for s in inside]
    signs = {_sign(excess, u) for excess, u in compared}
    middle = math.sqrt(low * high)
    excess, u = _at(narrow, wide, middle)
    g_narrow, g_wide = narrow.rate_at(middle)[0], wide.rate_at(middle)[0]
    return GapComparison(
        verdict="slip" if signs == {1} else "other" if signs == {-1} else "none",
        stress=middle,
        difference=math.exp(-excess) - 1.0,
        uncertainty=COVERAGE_FACTOR * u,
        slip_speed=(g_narrow - g_wide) / (2.0 / narrow.gap - 2.0 / wide.gap),
        rate=(wide.gap * g_wide - narrow.gap * g_narrow) / (wide.gap - narrow.gap),
    )


def _at(narrow: GapCurve, wide: GapCurve, stress: float) -> tuple[float, float]:
    """Return ln(rate in the narrow gap / rate in the wide one) at a stress, and its standard uncertainty."""
    (g_narrow, n_narrow), (g_wide, n_wide) = narrow.rate_at(stress), wide.rate_at(stress)
    return math.log(g_narrow / g_wide), math.hypot(n_narrow * narrow.relative_u, n_wide * wide.relative_u)


def _sign(excess: float, u: float) -> int:
    return 0 if abs(excess) <= COVERAGE_FACTOR * u else 1 if excess > 0.0 else -1
