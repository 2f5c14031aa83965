"""Uncertainty budget of a viscosity; no component is counted twice.

A specification may already contain the geometry or the speed ("maximum permissible error ±1 % of full scale with any
geometry").  `Specification.includes` names such parts, and their components are left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.arguments import (
    require_finite,
    require_instance,
    require_listed,
    require_not_negative,
    require_positive,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.rheology.uncertainty import Component, from_limit, from_readings

Included = Literal["geometry", "speed", "resolution", "zero"]
VANE_ENDS: Final = "stress on the ends of the vane"
END_FACTOR: Final = "end factor of a shear-thinning fluid"
PERCENT: Final = "%"
RELATIVE: Final = "1"
KELVIN: Final = "K"
"""UCUM units of the components: percent of full scale, relative deviation, temperature difference."""
SCATTER_PARTS: Final = 3
"""Standard deviation, number and autocorrelation of readings."""
STEEPEST: Final = 10.0
"""Temperature coefficients (1/K) beyond it are taken for mistakes."""
MOST_END_FACTOR: Final = 10.0
"""End factors above it are taken for mistakes."""
MOST_END_EXCESS: Final = 3.0
"""Greatest c_L - 1 of a shear-thinning fluid over that of a Newtonian one: 30 % over 10 %."""


LIMITS: Final = (
    "torque_percent_full_scale",
    "torque_percent_reading",
    "resolution_percent_full_scale",
    "speed_percent",
    "geometry_percent",
    "temperature_kelvin",
    "zero_percent_full_scale",
)
"""Fields of a specification that are limits, at least 0."""


@dataclass(frozen=True, slots=True)
class Specification:
    """Limits of an instrument's specification; all taken as rectangular (JCGM 100 4.3.7)."""

    torque_percent_full_scale: float = 0.0
    """Limit of the torque, ± percent of full scale."""
    torque_percent_reading: float = 0.0
    """Limit of the torque, ± percent of the reading, in addition to the limit of full scale."""
    resolution_percent_full_scale: float = 0.0
    """Smallest step of the torque shown or sent, percent of full scale."""
    speed_percent: float = 0.0
    """Limit of the speed, ± percent of the speed."""
    geometry_percent: float = 0.0
    """Limit of the geometry's viscosity constant, ± percent."""
    temperature_kelvin: float = 0.0
    """Limit of the temperature of the sample, ± K."""
    zero_percent_full_scale: float = 0.0
    """Limit of the torque's zero, ± percent of full scale, where it is stated separately."""
    includes: frozenset[Included] = frozenset()
    """Parts that the torque limits already contain."""

    def __post_init__(self) -> None:
        for name in LIMITS:
            require_not_negative(name, getattr(self, name))
        require_instance("includes", self.includes, frozenset)


def viscosity_components(
    viscosity: float,
    torque_percent: float,
    specification: Specification,
    *,
    temperature_coefficient: float = 0.0,
    zero_percent: float | None = None,
    zero_drift_percent: float = 0.0,
    scatter: tuple[float, int, float | None] | None = None,
    others: Sequence[Component] = (),
) -> list[Component]:
    """Return the components of the uncertainty of one viscosity, in the unit of `viscosity`.

    Args:
        viscosity: the value, > 0, any unit.
        torque_percent: mean torque of the span, percent of full scale, > 0.
        specification: the instrument's limits.
        temperature_coefficient: -dln(η)/dT of the fluid, 1/K (0.05 is 5 % per K).
        zero_percent: torque shown with the motor still before the run, percent of full scale; None where not observed.
            See `zero_component`.
        zero_drift_percent: zero of the torque after the run minus before, percent of full scale; a rectangular limit.
            Left out where the limits of torque or zero hold at any time, because they contain it.
        scatter: sample standard deviation (unit of `viscosity`), number and lag-one autocorrelation of the
            span's readings; None where there is no span.
        others: further components, for example the certified fluid in a verification.

    Raises:
        ArgumentError: viscosity or torque not positive, or a repeated name in `others`.
    """
    require_positive("viscosity", viscosity)
    require_positive("torque_percent", torque_percent)
    require_instance("specification", specification, Specification)
    require_within("temperature_coefficient", temperature_coefficient, -STEEPEST, STEEPEST)
    require_finite("zero_drift_percent", zero_drift_percent)
    if zero_percent is not None:
        require_finite("zero_percent", zero_percent)
    require_listed("others", others)
    for other in others:
        require_instance("others", other, Component)
    s = specification
    per_percent = viscosity / torque_percent
    out: list[Component] = []

    def add(name: str, half_width: float, unit: str, sensitivity: float, part: Included | None = None) -> None:
        if half_width != 0.0 and sensitivity != 0.0 and part not in s.includes:
            out.append(from_limit(name, half_width, sensitivity, unit=unit))

    torque_limit = s.torque_percent_full_scale + s.torque_percent_reading / 100.0 * torque_percent
    add("torque", torque_limit, PERCENT, per_percent)
    zero = zero_component(s, zero_percent, per_percent)
    if zero is not None:
        out.append(zero)
    if not s.zero_percent_full_scale:
        add("zero drift", zero_drift_percent, PERCENT, per_percent, "zero")
    add("resolution", s.resolution_percent_full_scale / 2.0, PERCENT, per_percent, "resolution")
    add("geometry", s.geometry_percent / 100.0, RELATIVE, viscosity, "geometry")
    add("speed", s.speed_percent / 100.0, RELATIVE, -viscosity, "speed")
    add("temperature", s.temperature_kelvin, KELVIN, -viscosity * temperature_coefficient)
    if scatter is not None:
        require_listed("scatter", scatter)
        if len(scatter) != SCATTER_PARTS:
            raise ArgumentError(f"must be sd, n and lag1, has {len(scatter)} numbers", key="scatter")
        try:
            out.append(from_readings("scatter of readings (Type A)", *scatter))
        except ArgumentError as error:
            raise ArgumentError(f"{error.key} {error.reason}", key="scatter") from None
    out.extend(others)
    names = [c.name for c in out]
    if len(set(names)) != len(names):
        raise ArgumentError(f"two components have one name: {', '.join(sorted(names))}", key="others")
    return out


def zero_component(specification: Specification, observed: float | None, sensitivity: float = 1.0) -> Component | None:
    """Return the component of the torque's zero, or None; `observed` and limit in percent of full scale.

    * A separate limit of the zero is given, and the observed one is within it or unknown: rectangular ± that limit.
    * The torque's maximum permissible error contains the zero (`includes`), and the observed one is within it: None.
    * Otherwise the observed zero is a known error that is not corrected.  It is taken as a standard uncertainty
      (root sum of squares with the others, our choice).  It is not subtracted, because a sample with a yield stress
      holds a torque at rest that is no error.
    """
    require_instance("specification", specification, Specification)
    require_finite("sensitivity", sensitivity)
    if observed is not None:
        require_finite("observed", observed)
    limit = specification.zero_percent_full_scale
    # Beyond the limit the observed zero is not the limit of an error but the error itself: 95 % of a rectangle would
    # leave it out.
    if limit > 0.0 and abs(observed or 0.0) <= limit:
        return from_limit("zero", limit, sensitivity, unit=PERCENT)
    if not observed or ("zero" in specification.includes and not is_beyond_torque_error(specification, observed)):
        return None
    return Component("zero", abs(observed), sensitivity=sensitivity, unit=PERCENT)


def is_beyond_torque_error(specification: Specification, observed: float | None) -> bool:
    """Return whether an observed zero (percent of full scale) is beyond the torque's limit, which cannot contain it."""
    require_instance("specification", specification, Specification)
    if observed is not None:
        require_finite("observed", observed)
    limit = specification.torque_percent_full_scale
    return observed is not None and 0.0 < limit < abs(observed)


def vane_end_component(stress: float, diameter: float, height: float) -> Component:
    """Return the component of the stress on the end faces of a vane, in the unit of `stress`.

    The yield stress is computed with the stress of the wall on the whole of both ends (m = 0).  With a stress
    proportional to (2 r/D)^m on the ends the torque is π D^3/2 (H/D + 1/(m + 3)) times the yield stress (Q. D. Nguyen
    and D. V. Boger, J. Rheol. 29 (1985) 335).  m is between 0 (plastic) and 1 (elastic, proportional to the radius).
    So the yield stress may be higher by the ratio of the factors for m = 0 and m = 1 less 1.  That is a rectangular
    limit to both sides, because the value is not corrected.

    Args:
        stress: yield stress, any unit.
        diameter: of the vane, > 0, any unit.
        height: of the vane, > 0, in the unit of `diameter`.

    Raises:
        ArgumentError: a length that is not positive, or a vane a thousand times as high as wide or as wide as high.
    """
    require_finite("stress", stress)
    require_positive("diameter", diameter)
    require_positive("height", height)
    require_within("height", height, diameter * 1e-3, diameter * 1e3)
    slender = height / diameter
    return from_limit(VANE_ENDS, (slender + 1.0 / 3.0) / (slender + 1.0 / 4.0) - 1.0, stress, unit=RELATIVE)


def end_factor_component(viscosity: float, end_factor: float, flow_behaviour_index: float) -> Component | None:
    """Return the component of a cylinder's end factor for a shear-thinning fluid; None where it does not apply.

    The stated factor c_L is that of a Newtonian fluid.  The ends of the cylinders of ISO 3219 take 10 % to 30 % of the
    torque of the wall, more where the fluid thins more (O. Wein, V. Penkavova and J. Havlica, End effects in rotational
    viscometry II).  So c_L - 1 is at most three times the Newtonian one.  That it grows in proportion to 1 - n is our
    choice.  The value is not corrected: a rectangular limit to both sides.

    Args:
        viscosity: the value, any unit.
        end_factor: c_L >= 1, torque of wall and ends over torque of the wall.
        flow_behaviour_index: n > 0 of the fluid.

    Raises:
        ArgumentError: an end factor below 1, or an index that is not positive.
    """
    require_finite("viscosity", viscosity)
    require_positive("flow_behaviour_index", flow_behaviour_index)
    require_within("end_factor", end_factor, 1.0, MOST_END_FACTOR)
    excess, thinning = end_factor - 1.0, 1.0 - flow_behaviour_index
    if excess <= 0.0 or thinning <= 0.0:
        return None
    greatest = 1.0 + excess * (1.0 + (MOST_END_EXCESS - 1.0) * thinning)
    return from_limit(END_FACTOR, 1.0 - end_factor / greatest, viscosity, unit=RELATIVE)
