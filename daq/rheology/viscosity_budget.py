"""Uncertainty budget of a viscosity; no component is counted twice.

A specification may already contain the geometry or the speed ("maximum permissible error ±1 % of full scale with any
geometry").  `Specification.includes` names such parts, and their components are left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, Literal, get_args

from daq.core.arguments import (
    require_finite,
    require_instance,
    require_listed,
    require_one_of,
    require_positive,
    require_within,
)
from daq.core.errors import ArgumentError
from daq.rheology.uncertainty import Component, from_limit, from_readings

Included = Literal["geometry", "speed", "resolution", "zero"]

MOST_PERCENT: Final = 1000.0
"""Greatest limit of a specification, percent or K."""


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
        for name in (f.name for f in fields(self) if f.name != "includes"):
            require_within(name, getattr(self, name), 0.0, MOST_PERCENT, "K" if name.endswith("kelvin") else "%")
        require_instance("includes", self.includes, (frozenset, set))
        for part in self.includes:
            require_one_of("includes", part, get_args(Included))


def viscosity_components(
    viscosity: float,
    torque_percent: float,
    specification: Specification,
    *,
    temperature_coefficient: float = 0.0,
    zero_percent: float | None = None,
    zero_drift_percent: float = 0.0,
    scatter: tuple[float, int, float] | None = None,
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
    require_finite("temperature_coefficient", temperature_coefficient)
    require_finite("zero_drift_percent", zero_drift_percent)
    if zero_percent is not None:
        require_finite("zero_percent", zero_percent)
    if scatter is not None and (not isinstance(scatter, Sequence) or len(scatter) != 3):
        raise ArgumentError(f"must be (sd, n, lag1), is {scatter!r:.60}", key="scatter")
    require_listed("others", others)
    for other in others:
        require_instance("others", other, Component)
    s = specification
    per_percent = viscosity / torque_percent
    out: list[Component] = []

    def add(name: str, half_width: float, sensitivity: float, part: Included | None = None) -> None:
        if half_width != 0.0 and sensitivity != 0.0 and part not in s.includes:
            out.append(from_limit(name, half_width, sensitivity))

    torque_limit = s.torque_percent_full_scale + s.torque_percent_reading / 100.0 * torque_percent
    add("torque", torque_limit, per_percent)
    zero = zero_component(s, zero_percent, per_percent)
    if zero is not None:
        out.append(zero)
    if not s.zero_percent_full_scale:
        add("zero drift", zero_drift_percent, per_percent, "zero")
    add("resolution", s.resolution_percent_full_scale / 2.0, per_percent, "resolution")
    add("geometry", s.geometry_percent / 100.0, viscosity, "geometry")
    add("speed", s.speed_percent / 100.0, -viscosity, "speed")
    add("temperature", s.temperature_kelvin, -viscosity * temperature_coefficient)
    if scatter is not None:
        out.append(from_readings("scatter of readings (Type A)", *scatter))
    out.extend(others)
    names = [c.name for c in out]
    if len(set(names)) != len(names):
        raise ArgumentError(f"two components have one name: {', '.join(sorted(names))}", key="others")
    return out


def zero_component(specification: Specification, observed: float | None, sensitivity: float = 1.0) -> Component | None:
    """Return the component of the torque's zero, or None; `observed` and limit in percent of full scale.

    * A separate limit of the zero is given: rectangular ± that limit, or ± the observed zero where it is greater.
    * The torque's maximum permissible error contains the zero (`includes`): None.
    * Otherwise the observed zero is a known error that is not corrected.  It is taken as a standard uncertainty
      (root sum of squares with the others, our choice).  It is not subtracted, because a sample with a yield stress
      holds a torque at rest that is no error.
    """
    require_instance("specification", specification, Specification)
    require_finite("sensitivity", sensitivity)
    if observed is not None:
        require_finite("observed", observed)
    limit = specification.zero_percent_full_scale
    if limit > 0.0:
        return from_limit("zero", max(limit, abs(observed or 0.0)), sensitivity)
    if "zero" in specification.includes or not observed:
        return None
    return Component("zero", abs(observed), sensitivity=sensitivity)
