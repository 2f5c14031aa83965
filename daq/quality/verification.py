"""Verification with a certified fluid: the certified value at a temperature, the band, the decision.

The band is common practice (no single source): the certified value ± (a part of the full-scale viscosity of that
geometry and speed + the certified uncertainty of the fluid).  The comparison is in decimal arithmetic, both ends
included.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from itertools import pairwise
from typing import Final

from daq.core.arguments import (
    LARGEST,
    SMALLEST,
    ZERO_CELSIUS_K,
    finite_result,
    require_celsius,
    require_finite,
    require_not_negative,
    require_positive,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.quality.limits import Figure, decimal_of

_WIDE = Context(prec=60)
LEAST_STEP_K: Final = 1e-3
"""Smallest distance (K) of two rows of a certificate's table."""
MOST_PERCENT: Final = 1000
"""Greatest percentage of a limit or an uncertainty."""
FARTHEST_K: Final = 50.0
"""Greatest distance (K) to which a certificate's table is extrapolated."""


@dataclass(frozen=True, slots=True)
class AcceptanceBand:
    """Acceptance band of a verification; unit of the certified value."""

    certified: Decimal
    low: Decimal
    high: Decimal

    def accepts(self, measured: Figure) -> bool:
        """Return True where a measured value is in the band, ends included."""
        return self.low <= decimal_of(measured, "measured") <= self.high

    def deviation_percent(self, measured: Figure) -> float:
        """Return measured minus certified value, percent of the certified value."""
        return finite_result(
            "measured", float(100 * (decimal_of(measured, "measured") - self.certified) / self.certified)
        )


def acceptance_band(
    certified: Figure,
    full_scale_viscosity: Figure,
    *,
    certified_uncertainty_percent: Figure = 0,
    full_scale_percent: Figure = 1,
) -> AcceptanceBand:
    """Return the band: certified value ± (`full_scale_percent` of the full-scale viscosity + the fluid's uncertainty).

    `full_scale_viscosity` is that of 100 % torque with the geometry and speed used (not of the reading), in the unit of
    the certified value.  The fluid's uncertainty is in percent of its value.  Give numbers with few digits as text.

    Raises:
        ArgumentError: a value that is not positive, or a negative percentage.
    """
    value, full = decimal_of(certified, "certified"), decimal_of(full_scale_viscosity, "full_scale_viscosity")
    own = decimal_of(certified_uncertainty_percent, "certified_uncertainty_percent")
    share = decimal_of(full_scale_percent, "full_scale_percent")
    for name, x in (("certified", value), ("full_scale_viscosity", full)):
        if not Decimal(SMALLEST) <= x <= Decimal(LARGEST):
            raise ArgumentError(f"must be greater than 0 and finite, is {x}", key=name)
    for name, x in (("certified_uncertainty_percent", own), ("full_scale_percent", share)):
        if not 0 <= x <= MOST_PERCENT:
            raise ArgumentError(f"must be from 0 to {MOST_PERCENT} %, is {x}", key=name)
    scaled = _WIDE.add(_WIDE.multiply(share, full), _WIDE.multiply(own, value))
    half = _WIDE.divide(scaled, Decimal(100))
    return AcceptanceBand(value, _WIDE.subtract(value, half), _WIDE.add(value, half))


def certified_viscosity(celsius: float, table: Sequence[tuple[float, float]], *, reach_k: float = 0.0) -> float:
    """Return the value of a certificate at a temperature, from its table of (degC, viscosity).

    Between rows ln(viscosity) is linear in 1/T (Andrade).  Up to `reach_k` (K) beyond the ends of the table the law of
    the two nearest rows is extrapolated; the value of a single row is constant.  A temperature of the table gives its
    value unchanged.

    Raises:
        ArgumentError: an empty table, a repeated temperature, a viscosity not positive, or a temperature outside.
    """
    rows = _checked(celsius, table, reach_k)
    for t, v in rows:
        if t == celsius:
            return v
    if len(rows) == 1:
        return rows[0][1]
    (t1, v1), (t2, v2) = _about(celsius, rows)
    x, x1, x2 = (1.0 / (t + ZERO_CELSIUS_K) for t in (celsius, t1, t2))
    exponent = math.log(v1) + (math.log(v2) - math.log(v1)) * (x - x1) / (x2 - x1)
    if not abs(exponent) < math.log(LARGEST):
        raise ArgumentError(f"gives no finite viscosity at {celsius:g} degC", key="table")
    return math.exp(exponent)


def certified_coefficient(celsius: float, table: Sequence[tuple[float, float]], *, reach_k: float = 0.0) -> float:
    """Return -dln(η)/dT (1/K) of a certified fluid at a temperature (degC): B/T^2 from the nearest rows.

    Raises:
        ArgumentError: as in `certified_viscosity`; or the table has one row only.
    """
    rows = _checked(celsius, table, reach_k)
    if len(rows) < 2:
        raise ArgumentError("needs at least two temperatures to compute the change of the viscosity", key="table")
    (t1, v1), (t2, v2) = _about(celsius, rows)
    b = math.log(v1 / v2) / (1.0 / (t1 + ZERO_CELSIUS_K) - 1.0 / (t2 + ZERO_CELSIUS_K))
    return finite_result("table", b / (celsius + ZERO_CELSIUS_K) ** 2)


def _about(celsius: float, rows: list[tuple[float, float]]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the two neighbouring rows nearest to a temperature."""
    above = next((i for i, (t, _) in enumerate(rows) if t > celsius), len(rows) - 1)
    above = max(above, 1)
    return rows[above - 1], rows[above]


def _checked(celsius: float, table: Sequence[tuple[float, float]], reach_k: float) -> list[tuple[float, float]]:
    require_celsius("celsius", celsius)
    require_within("reach_k", reach_k, 0.0, FARTHEST_K, "K")
    for row in table if isinstance(table, Sequence) else ():
        if not isinstance(row, Sequence) or len(row) != 2:
            raise ArgumentError(f"needs rows of temperature and viscosity, got {row!r}", key="table")
        require_celsius("table", row[0])
        require_positive("table", row[1])
    rows = sorted(table) if isinstance(table, Sequence) else []
    if not rows or any(b - a < LEAST_STEP_K for (a, _), (b, _) in pairwise(rows)):
        raise ArgumentError(f"needs rows with different temperatures, at least {LEAST_STEP_K:g} K apart", key="table")
    if not rows[0][0] - reach_k <= celsius <= rows[-1][0] + reach_k:
        raise ArgumentError(
            f"{celsius:g} degC is outside the certificate's table ({rows[0][0]:g} to {rows[-1][0]:g} degC)",
            key="celsius",
        )
    return rows


def normalised_error(measured: float, expanded: float, certified: float, certified_expanded: float) -> float:
    """Return E_n = (measured - certified)/sqrt(U^2 + U_cert^2), both U at k = 2; -1..1 is agreement (ISO 13528).

    Raises:
        ArgumentError: both uncertainties 0, or one negative.
    """
    require_finite("measured", measured)
    require_finite("certified", certified)
    require_not_negative("expanded", expanded)
    require_not_negative("certified_expanded", certified_expanded)
    if max(expanded, certified_expanded) < SMALLEST:
        raise ArgumentError("uncertainties must be at least 0 and not both 0", key="expanded")
    return (measured - certified) / math.hypot(expanded, certified_expanded)
