"""Verification with a certified fluid: the certified value at a temperature, the band, the decision.

The band is common practice (no single source): the certified value ± (a part of the full-scale viscosity of that
geometry and speed + the certified uncertainty of the fluid).  The comparison is in decimal arithmetic, both ends
included.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Context, Decimal

from daq.core.errors import SettingError
from daq.quality.limits import Figure, decimal_of

_WIDE = Context(prec=60)


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
        return float(100 * (decimal_of(measured, "measured") - self.certified) / self.certified)


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
        SettingError: a value that is not positive, or a negative percentage.
    """
    value, full = decimal_of(certified, "certified"), decimal_of(full_scale_viscosity, "full_scale_viscosity")
    own = decimal_of(certified_uncertainty_percent, "certified_uncertainty_percent")
    share = decimal_of(full_scale_percent, "full_scale_percent")
    for name, x in (("certified", value), ("full_scale_viscosity", full)):
        if x <= 0:
            raise SettingError(f"must be greater than 0, is {x}", key=name)
    for name, x in (("certified_uncertainty_percent", own), ("full_scale_percent", share)):
        if x < 0:
            raise SettingError(f"must be at least 0, is {x}", key=name)
    scaled = _WIDE.add(_WIDE.multiply(share, full), _WIDE.multiply(own, value))
    half = _WIDE.divide(scaled, Decimal(100))
    return AcceptanceBand(value, _WIDE.subtract(value, half), _WIDE.add(value, half))


def certified_viscosity(celsius: float, table: Sequence[tuple[float, float]], *, reach_k: float = 0.0) -> float:
    """Return the value of a certificate at a temperature, from its table of (degC, viscosity).

    Between rows ln(viscosity) is linear in 1/T (Andrade).  Up to `reach_k` (K) beyond the ends of the table the law of
    the two nearest rows is extrapolated; the value of a single row is constant.  A temperature of the table gives its
    value unchanged.

    Raises:
        SettingError: an empty table, a repeated temperature, a viscosity not positive, or a temperature outside.
    """
    rows = _checked(celsius, table, reach_k)
    for t, v in rows:
        if t == celsius:
            return v
    if len(rows) == 1:
        return rows[0][1]
    (t1, v1), (t2, v2) = _about(celsius, rows)
    x, x1, x2 = (1.0 / (t + 273.15) for t in (celsius, t1, t2))
    return math.exp(math.log(v1) + (math.log(v2) - math.log(v1)) * (x - x1) / (x2 - x1))


def certified_coefficient(celsius: float, table: Sequence[tuple[float, float]], *, reach_k: float = 0.0) -> float:
    """Return -dln(η)/dT (1/K) of a certified fluid at a temperature (degC): B/T^2 from the nearest rows.

    Raises:
        SettingError: as in `certified_viscosity`; or the table has one row only.
    """
    rows = _checked(celsius, table, reach_k)
    if len(rows) < 2:
        raise SettingError("needs at least two temperatures to compute the change of the viscosity", key="table")
    (t1, v1), (t2, v2) = _about(celsius, rows)
    b = math.log(v1 / v2) / (1.0 / (t1 + 273.15) - 1.0 / (t2 + 273.15))
    return b / (celsius + 273.15) ** 2


def _about(celsius: float, rows: list[tuple[float, float]]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the two neighbouring rows nearest to a temperature."""
    above = next((i for i, (t, _) in enumerate(rows) if t > celsius), len(rows) - 1)
    above = max(above, 1)
    return rows[above - 1], rows[above]


def _checked(celsius: float, table: Sequence[tuple[float, float]], reach_k: float) -> list[tuple[float, float]]:
    rows = sorted(table)
    if not rows or len({t for t, _ in rows}) != len(rows):
        raise SettingError("needs rows with different temperatures", key="table")
    if not all(v > 0.0 and math.isfinite(v) for _, v in rows):
        raise SettingError("every viscosity must be greater than 0 and finite", key="table")
    if not rows[0][0] - reach_k <= celsius <= rows[-1][0] + reach_k:
        raise SettingError(
            f"{celsius:g} degC is outside the certificate's table ({rows[0][0]:g} to {rows[-1][0]:g} degC)",
            key="celsius",
        )
    return rows


def normalised_error(measured: float, expanded: float, certified: float, certified_expanded: float) -> float:
    """Return E_n = (measured - certified)/sqrt(U^2 + U_cert^2), both U at k = 2; -1..1 is agreement (ISO 13528).

    Raises:
        SettingError: both uncertainties 0, or one negative.
    """
    if min(expanded, certified_expanded) < 0.0 or expanded == certified_expanded == 0.0:
        raise SettingError("uncertainties must be at least 0 and not both 0", key="expanded")
    return (measured - certified) / math.hypot(expanded, certified_expanded)
