"""Settling or drying against thixotropy: the drift of a sample, and its return after a pre-shear or after stirring.

A pre-shear in the measuring geometry brings the structure of a thixotropic sample back to the same state; it does not
lift what has settled below the rotor, and hardly mixes in a dried skin.  Stirring by hand does both.  Common practice,
no single source; the words thixotropy and recovery as in Barnes, J. Non-Newtonian Fluid Mech. 70 (1997) 1.

It is a sign and no proof: the measured value must drift by more than it scatters, and an ambiguous course is
called so.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal

from daq.core.arguments import require_finite, require_listed, require_positive
from daq.core.errors import ArgumentError

COVERAGE_FACTOR: Final = 2.0
"""Standard uncertainties of a difference beyond which it counts: about 95 % (JCGM 100, 6.3.3)."""


class DriftSign(StrEnum):
    """Cause that the course of the values speaks for."""

    NO_DRIFT = "no_drift"
    THIXOTROPY = "thixotropy"
    """The drift returns after a pre-shear: structure is lost or built up."""
    SETTLING = "settling"
    """The value falls, and returns after stirring only: particles leave the gap."""
    DRYING = "drying"
    """The value rises, and returns after stirring only: a skin or a rim has dried, or sediment has gathered."""
    IRREVERSIBLE = "irreversible"
    """The drift does not return after stirring: water was lost from all of the sample, or it reacts or warms up."""
    AMBIGUOUS = "ambiguous"
    """The course does not separate the causes."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of a measurement at the same speed, and the treatment of the sample before it."""

    treatment: Literal["preshear", "stir"]
    first: float
    """Value at its beginning, in the unit of all values."""
    last: float
    """Value at its end."""

    def __post_init__(self) -> None:
        """Refuse another treatment, and values that are not finite."""
        if self.treatment not in ("preshear", "stir"):
            raise ArgumentError(f"must be preshear or stir, is {self.treatment!r}", key="treatment")
        require_finite("first", self.first)
        require_finite("last", self.last)


def drift_sign(stretches: Sequence[Stretch], standard_deviation: float) -> DriftSign:
    """Return the cause that repeated stretches of a measurement speak for.

    Args:
        stretches: in the order of time.  The drift is that of the first one, which must follow a pre-shear or stirring;
            the first later stretch of each treatment shows whether it returns.  Give a stretch after a repeated
            pre-shear and one after stirring, otherwise causes stay ambiguous.
        standard_deviation: of a value when the measurement is repeated on the same sample, in its unit.

    Raises:
        ArgumentError: fewer than two stretches, or a standard deviation not above 0.
    """
    _check(stretches, standard_deviation)
    opening, later = stretches[0], stretches[1:]
    least = COVERAGE_FACTOR * math.sqrt(2.0) * standard_deviation
    if abs(opening.last - opening.first) <= least:
        return DriftSign.NO_DRIFT
    after = {treatment: _returned(opening, later, treatment, least) for treatment in ("preshear", "stir")}
    return _cause(after["preshear"], after["stir"], falls=opening.last < opening.first)


def _cause(preshear: bool | None, stir: bool | None, *, falls: bool) -> DriftSign:
    """Return the cause from whether the drift returned after each treatment; None: not done, or not clear."""
    if preshear:
        return DriftSign.THIXOTROPY
    if stir is False:
        return DriftSign.IRREVERSIBLE
    if preshear is False and stir:
        return DriftSign.SETTLING if falls else DriftSign.DRYING
    return DriftSign.AMBIGUOUS


def _returned(opening: Stretch, later: Sequence[Stretch], treatment: str, least: float) -> bool | None:
    """Return whether the value is back where it began after a treatment; None where that is not clear or not known.

    The value before the treatment is the last one of the stretch before it.  The drift goes on during the treatment and
    until the first value is kept.  So a sample that did not return has its first value at the value before the
    treatment, or beyond it in the direction of the drift, however far: this side alone shows that the drift stayed.
    A sample that returned is within the scatter of its first value at the beginning.  Beyond the beginning, against the
    direction of the drift, the treatment changed more than the drift: this shows neither.
    """
    before = opening.last
    direction = math.copysign(1.0, opening.last - opening.first)
    for stretch in later:
        if stretch.treatment == treatment:
            is_back = abs(stretch.first - opening.first) <= least
            has_stayed = direction * (stretch.first - before) >= -least
            return None if is_back == has_stayed else is_back
        before = stretch.last
    return None


def _check(stretches: Sequence[Stretch], standard_deviation: float) -> None:
    require_listed("stretches", stretches, 2)
    if not all(isinstance(stretch, Stretch) for stretch in stretches):
        raise ArgumentError("must be stretches", key="stretches")
    require_positive("standard_deviation", standard_deviation)
