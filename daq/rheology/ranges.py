"""Range planning: rank every combination of geometry and speed for an expected viscosity."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from daq.core.arguments import (
    finite_result,
    require_finite,
    require_index,
    require_instance,
    require_positive,
    require_positives,
)
from daq.core.errors import ArgumentError
from daq.rheology.cylinders import angular_speed
from daq.rheology.elementary import power
from daq.rheology.torque import BandClass, classify_torque, torque_percent_at, viscosity_at, viscosity_range
from daq.rheology.uncertainty import combine
from daq.rheology.viscosity_budget import Specification, viscosity_components

SERIES = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
"""Speeds tried in each decade (our choice)."""
HEADROOM_PERCENT = 85.0
"""A planned torque above this ranks behind the others: a slightly thicker sample would be over range (our choice)."""


def speeds_between(slowest: float, fastest: float) -> list[float]:
    """Return round speeds (/min) from `slowest` to `fastest`, both included, ten in a decade.

    Raises:
        ArgumentError: a speed that is not positive, or the slowest above the fastest.
    """
    require_positive("slowest", slowest)
    require_positive("fastest", fastest)
    if fastest < slowest:
        raise ArgumentError(f"must be at least slowest ({slowest:g}), is {fastest:g}", key="fastest")
    decades = range(math.floor(math.log10(slowest)), math.floor(math.log10(fastest)) + 1)
    round_ones = (float(f"{step:g}e{decade}") for decade in decades for step in SERIES)
    return sorted({slowest, fastest, *(s for s in round_ones if slowest < s < fastest)})


class FlowGeometry(Protocol):
    """Constants that planning needs: those of any geometry of `daq.rheology.geometry`, or a `FlowConstants`."""

    @property
    def viscosity_constant(self) -> float | None:
        """Pa.s per N.m/(rad/s)."""
        ...

    @property
    def rate_per_omega(self) -> float | None:
        """Shear rate over angular speed; None where the geometry defines none."""
        ...


@dataclass(frozen=True, slots=True)
class FlowConstants:
    """Constants of a geometry, without its dimensions."""

    viscosity_constant: float | None
    rate_per_omega: float | None

    def __post_init__(self) -> None:
        for name in ("viscosity_constant", "rate_per_omega"):
            value = getattr(self, name)
            if value is not None:
                require_positive(name, value)


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected viscosity, and its change with rate or speed (power law).

    Give `at_rate` (1/s) for geometries with a defined rate, `at_speed_per_min` for the others.  Where the one needed
    is missing, the fluid is taken as Newtonian and the candidate is marked `assumed_newtonian`.
    """

    viscosity: float
    """Pa.s."""
    flow_behaviour_index: float = 1.0
    at_rate: float | None = None
    at_speed_per_min: float | None = None

    def __post_init__(self) -> None:
        require_positive("viscosity", self.viscosity)
        require_index("flow_behaviour_index", self.flow_behaviour_index)
        for name, x in (("at_rate", self.at_rate), ("at_speed_per_min", self.at_speed_per_min)):
            if x is not None:
                require_positive(name, x)

    @classmethod
    def from_torque(
        cls,
        torque_percent: float,
        speed_per_min: float,
        full_scale: float,
        geometry: FlowGeometry,
        flow_behaviour_index: float = 1.0,
    ) -> "Expected":
        """Return the viscosity that gives a torque (percent of `full_scale`, N.m) in `geometry` at a speed.

        Raises:
            ArgumentError: a number that is not positive, or a geometry without a viscosity constant.
        """
        require_positive("torque_percent", torque_percent)
        require_positive("speed_per_min", speed_per_min)
        constant = getattr(geometry, "viscosity_constant", None)
        if constant is None:
            raise ArgumentError(f"must have a viscosity constant, is {geometry!r:.60}", key="geometry")
        factor = geometry.rate_per_omega
        rate = None if factor is None else factor * angular_speed(speed_per_min)
        return cls(
            viscosity_at(torque_percent, full_scale, constant, speed_per_min), flow_behaviour_index, rate, speed_per_min
        )

    def seen(self, rate: float | None, speed_per_min: float) -> tuple[float, bool]:
        """Return the viscosity (Pa.s) at a rate, or at a speed without a rate, and True if taken as Newtonian."""
        require_positive("speed_per_min", speed_per_min)
        if rate is not None:
            require_positive("rate", rate)
        if self.flow_behaviour_index == 1.0:
            return self.viscosity, False
        now, then = (speed_per_min, self.at_speed_per_min) if rate is None else (rate, self.at_rate)
        if then is None:
            return self.viscosity, True
        return finite_result("rate", self.viscosity * power(now / then, self.flow_behaviour_index - 1.0, "rate")), False


@dataclass(frozen=True, slots=True)
class Candidate:
    """One geometry at one speed."""

    geometry: str
    speed_per_min: float
    torque_percent: float
    band: BandClass
    shear_rate: float | None
    """1/s; None where the geometry defines none."""
    viscosity: float
    """Expected viscosity there, Pa.s."""
    viscosity_low: float
    """Smallest viscosity (Pa.s) that this geometry and speed can measure."""
    viscosity_high: float
    """Greatest viscosity (Pa.s) that this geometry and speed can measure."""
    first_reading_s: float
    """Time from start to the first valid reading, s: one turn, in which the sensor's spring winds up."""
    relative_expanded: float | None
    """Expected expanded uncertainty (95 %) over the viscosity; None out of the band or without a specification."""
    assumed_newtonian: bool
    """True where the flow behaviour index could not be used, see `Expected`."""


def plan_ranges(
    full_scale: float,
    geometries: Mapping[str, FlowGeometry],
    speeds_per_min: Sequence[float],
    expected: Expected,
    *,
    specification: Specification | None = None,
    temperature_coefficient: float = 0.0,
    low_percent: float = 10.0,
    high_percent: float = 100.0,
) -> list[Candidate]:
    """Return all combinations of geometry and speed, best first.

    Order: torque in the band; torque below `HEADROOM_PERCENT`; expected uncertainty (torque where no specification
    is given); time to the first reading.

    Args:
        full_scale: torque at 100 percent, N.m.
        geometries: by name; those that measure no viscosity (vanes) are left out.
        speeds_per_min: speeds of the instrument, /min.
        expected: the expected viscosity.
        specification: limits of the instrument, for the uncertainty.
        temperature_coefficient: -dln(η)/dT, 1/K.
        low_percent: low end of the usable band, percent of full scale.
        high_percent: high end of the usable band, percent of full scale.

    Raises:
        ArgumentError: a full scale or speed that is not positive.
    """
    require_positive("full_scale", full_scale)
    require_positives("speeds_per_min", speeds_per_min)
    require_finite("temperature_coefficient", temperature_coefficient)
    require_instance("expected", expected, Expected)
    require_instance("geometries", geometries, Mapping)
    if specification is not None:
        require_instance("specification", specification, Specification)
    out: list[Candidate] = []
    for name, geometry in geometries.items():
        constant = geometry.viscosity_constant
        if constant is None:
            continue
        for speed in speeds_per_min:
            factor = geometry.rate_per_omega
            rate = None if factor is None else factor * angular_speed(speed)
            viscosity, assumed = expected.seen(rate, speed)
            torque = torque_percent_at(viscosity, full_scale, constant, speed)
            band = classify_torque(torque, low_percent, high_percent)
            low, high = viscosity_range(full_scale, constant, speed, low_percent, high_percent)
            relative = None
            if specification is not None and band == BandClass.VALID:
                parts = viscosity_components(
                    viscosity, torque, specification, temperature_coefficient=temperature_coefficient
                )
                relative = combine(parts).expanded / viscosity if parts else None
            out.append(
                Candidate(name, speed, torque, band, rate, viscosity, low, high, 60.0 / speed, relative, assumed)
            )
    return sorted(out, key=_rank)


def _rank(c: Candidate) -> tuple[bool, bool, float, float]:
    if c.band != BandClass.VALID:
        # Out of the band: the smallest ratio to half scale first.
        return True, False, abs(math.log(c.torque_percent / 50.0)), c.first_reading_s
    merit = -c.torque_percent if c.relative_expanded is None else c.relative_expanded
    return False, c.torque_percent > HEADROOM_PERCENT, merit, c.first_reading_s
