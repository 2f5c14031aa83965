"""Range of the torque sensor: percent of full scale, usable band, measurable viscosities, and advice on the speed.

`percent` is torque in percent of full scale.  Speeds are in /min where the name ends in `per_min`, otherwise ω in
rad/s.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from daq.core.arguments import (
    Number,
    ends,
    require_finite,
    require_index,
    require_not_negative,
    require_order,
    require_positive,
)
from daq.core.seeking import power_law_speed
from daq.rheology.cylinders import angular_speed


def percent_to_torque(percent: Number, full_scale: float) -> Number:
    """Return the torque (unit of `full_scale`, N.m in this package) from percent of full scale."""
    require_finite("percent", percent)
    require_positive("full_scale", full_scale)
    return percent * (full_scale / 100.0)


def torque_to_percent(torque: Number, full_scale: float) -> Number:
    """Return the percent of full scale of a torque in the unit of `full_scale`."""
    require_finite("torque", torque)
    require_positive("full_scale", full_scale)
    return torque * (100.0 / full_scale)


LEAST_PERCENT = 1e-9
"""Smallest torque (percent of full scale) from which a speed is computed."""


class BandClass(StrEnum):
    """Position of a torque relative to the usable band."""

    LOW = "low"
    VALID = "valid"
    OVER = "over"
    INVALID = "invalid"


def classify_torque(percent: float, low_percent: float = 10.0, high_percent: float = 100.0) -> BandClass:
    """Classify a torque (percent of full scale): both ends of the band are valid, values not finite are invalid.

    Common practice, no source.  Check every reading for saturation, the mean of a span for the low side.
    A negative torque is low, because the sensor swings about zero.

    Raises:
        ArgumentError: ends of the band that are not finite or not in order.
    """
    _band(low_percent, high_percent)
    percent, _ = ends("percent", percent)
    if not math.isfinite(percent):
        return BandClass.INVALID
    if percent < low_percent:
        return BandClass.LOW
    return BandClass.OVER if percent > high_percent else BandClass.VALID


def _band(low_percent: float, high_percent: float) -> None:
    require_not_negative("low_percent", low_percent)
    require_positive("high_percent", high_percent)
    require_order("low_percent", low_percent, "high_percent", high_percent)


def viscosity_at(percent: Number, full_scale: float, viscosity_constant: float, speed_per_min: float) -> Number:
    """Return the viscosity (Pa.s) that gives `percent` of `full_scale` (N.m) at a speed: k T/ω.

    `viscosity_constant` k in Pa.s per N.m/(rad/s), from the geometry.

    Raises:
        ArgumentError: a full scale, constant or speed that is not positive.
    """
    require_positive("viscosity_constant", viscosity_constant)
    return percent_to_torque(percent, full_scale) * (viscosity_constant / _omega(speed_per_min))


def torque_percent_at(viscosity: Number, full_scale: float, viscosity_constant: float, speed_per_min: float) -> Number:
    """Return the torque (percent of `full_scale`, N.m) of a viscosity (Pa.s) at a speed: η ω/k."""
    require_not_negative("viscosity", viscosity)
    require_positive("full_scale", full_scale)
    require_positive("viscosity_constant", viscosity_constant)
    return torque_to_percent(viscosity * (_omega(speed_per_min) / viscosity_constant), full_scale)


def viscosity_range(
    full_scale: float,
    viscosity_constant: float,
    speed_per_min: float,
    low_percent: float = 10.0,
    high_percent: float = 100.0,
) -> tuple[float, float]:
    """Return the smallest and the greatest viscosity (Pa.s) measurable at a speed: those at the ends of the band."""
    _band(low_percent, high_percent)
    return (
        viscosity_at(low_percent, full_scale, viscosity_constant, speed_per_min),
        viscosity_at(high_percent, full_scale, viscosity_constant, speed_per_min),
    )


def speed_for_torque(
    torque_percent: Number, speed_per_min: float, target_percent: float, flow_behaviour_index: float = 1.0
) -> Number:
    """Return the speed (/min) that brings a torque to the target: speed (target/torque)^(1/flow behaviour index).

    Torque rises with speed to the power of the flow behaviour index: 1 if Newtonian, less if shear-thinning.
    A yield stress is not considered.  The power law is extrapolated: valid over one decade of speed (common practice).

    Raises:
        ArgumentError: torque, target, speed or flow behaviour index not positive.
    """
    require_positive("torque_percent", torque_percent)
    for name, x in (
        ("speed_per_min", speed_per_min),
        ("target_percent", target_percent),
    ):
        require_positive(name, x)
    require_index("flow_behaviour_index", flow_behaviour_index)
    return power_law_speed(torque_percent, speed_per_min, target_percent, flow_behaviour_index)


@dataclass(frozen=True, slots=True)
class Advice:
    """Speed and viscosity that follow from a torque off range; bounds where a reading was saturated."""

    speed_per_min: float | None
    """Speed (/min) that brings the torque to the target; an upper bound after saturation; None where not computable."""
    viscosity: float | None
    """Viscosity (Pa.s) of the torque; a lower bound after saturation; None without the constants."""


def advise(
    mean_percent: float | None,
    speed_per_min: float,
    *,
    saturated_at_percent: float | None = None,
    target_percent: float = 50.0,
    flow_behaviour_index: float = 1.0,
    full_scale: float | None = None,
    viscosity_constant: float | None = None,
) -> Advice:
    """Compute the speed that brings the torque to the target, from the mean of a span or from saturation.

    Args:
        mean_percent: the span's mean torque, percent of full scale; None where there is none.
        speed_per_min: the present speed, > 0.
        saturated_at_percent: percent at which the sensor saturates, given where a reading was saturated.  The true
            torque is at least that; the mean is not used and every number becomes a bound.
        target_percent: torque wanted, percent of full scale.
        flow_behaviour_index: of the product; 1 is Newtonian.
        full_scale: torque at 100 percent, N.m, for the viscosity.
        viscosity_constant: of the geometry, Pa.s per N.m/(rad/s), for the viscosity.

    Raises:
        ArgumentError: a speed, target, saturation or flow behaviour index that is not positive.
    """
    if saturated_at_percent is not None:
        require_positive("saturated_at_percent", saturated_at_percent)
    percent = mean_percent if saturated_at_percent is None else saturated_at_percent
    for name, x in (("speed_per_min", speed_per_min), ("target_percent", target_percent)):
        require_positive(name, x)
    require_index("flow_behaviour_index", flow_behaviour_index)
    for name, optional in (("full_scale", full_scale), ("viscosity_constant", viscosity_constant)):
        if optional is not None:
            require_positive(name, optional)
    if percent is not None:
        require_finite("mean_percent", percent)
    # Below this a torque is noise, and the speed that it asks for is out of every range.
    if percent is None or percent <= LEAST_PERCENT:
        return Advice(None, None)
    speed = speed_for_torque(percent, speed_per_min, target_percent, flow_behaviour_index)
    if full_scale is None or viscosity_constant is None:
        return Advice(speed, None)
    return Advice(speed, viscosity_at(percent, full_scale, viscosity_constant, speed_per_min))


def _omega(speed_per_min: float) -> float:
    require_positive("speed_per_min", speed_per_min)
    return angular_speed(speed_per_min)
