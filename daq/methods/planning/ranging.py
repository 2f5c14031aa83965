"""Find the geometries and speeds of an instrument's file that suit a viscosity, by `daq.rheology.ranges`."""

from collections.abc import Sequence
from typing import Final

from daq.core.context import StatedLimits
from daq.core.driver import Driver, Identity
from daq.core.errors import SettingError
from daq.methods.files.instrument import Instrument
from daq.methods.files.recipe import Band
from daq.methods.planning.checks import full_scale
from daq.methods.planning.geometries import flow_geometry
from daq.methods.planning.refusals import Refusals
from daq.methods.planning.signals import TORQUE
from daq.rheology.ranges import Candidate, Expected, plan_ranges, speeds_between
from daq.rheology.viscosity_budget import Specification

SLOWEST: Final = 0.5
"""The slowest speed (/min) that is planned if none is given: at slower ones the sensor winds up for minutes."""


def stated(given: StatedLimits) -> Specification:
    """Return the limits of an instrument's file in the form of the uncertainty budget."""
    return Specification(
        torque_percent_full_scale=given.torque or 0.0,
        torque_percent_reading=given.torque_reading or 0.0,
        resolution_percent_full_scale=given.torque_resolution or 0.0,
        speed_percent=given.speed or 0.0,
        geometry_percent=given.geometry or 0.0,
        temperature_kelvin=given.temperature or 0.0,
        zero_percent_full_scale=given.zero or 0.0,
        includes=frozenset(given.includes),
    )


def usable_band(instrument: Instrument, driver: Driver) -> Band:
    """Return the usable torques in % of full scale (common practice), at most the torque at which the motor is stopped.

    Raises:
        SettingError: the instrument reads no torque.
    """
    channel = next((c for c in driver.channels if c.name == TORQUE), None)
    if channel is None:
        raise SettingError(
            f"{instrument.name} ({instrument.driver}) reads no torque, so no speed can be planned",
            file=instrument.source,
        )
    stop = channel.high if channel.unit == "%" else Band().high
    return Band(high=min(Band().high, stop if instrument.limits.torque is None else instrument.limits.torque))


def speeds_of(instrument: Instrument, slowest: float = SLOWEST, fastest: float | None = None) -> list[float]:
    """Return round speeds (/min) from the slowest to the fastest, or to the instrument's limit.

    Raises:
        SettingError: there is no limit, or `fastest` is above it or below `slowest`.
    """
    limit = instrument.limits.speed
    top = limit if fastest is None else fastest
    if top is None:
        raise SettingError(
            "is missing, so the fastest speed to plan is not known; add it to the file, or give --fastest",
            file=instrument.source,
            key="limits.speed",
        )
    if limit is not None and top > limit:
        raise SettingError(f"{top:g} /min is above limits.speed of {instrument.name}, {limit:g} /min", key="--fastest")
    if not 0.0 < slowest <= top:
        raise SettingError(f"must be above 0 and at most {top:g} /min, is {slowest:g}", key="--slowest")
    return speeds_between(slowest, top)


def plan_instrument(
    instrument: Instrument,
    driver: Driver,
    expected: Expected,
    speeds: Sequence[float],
    *,
    identity: Identity | None = None,
    temperature_coefficient: float | None = None,
) -> list[Candidate]:
    """Return every geometry of the file at every speed, best first.

    Args:
        instrument: the file.
        driver: its driver, which gives the range of the torque.
        expected: the expected viscosity.
        speeds: /min.
        identity: identity that the instrument answered; gives the full-scale torque if the file does not.
        temperature_coefficient: of the product, % per K.

    Raises:
        SettingErrors: the full-scale torque is not known, no geometry measures a viscosity, or no torque is read.
    """
    refusals = Refusals()
    band = usable_band(instrument, driver)
    scale = full_scale(instrument, driver, identity, refusals)
    geometries = {name: flow_geometry(given, scale) for name, given in instrument.geometries.items()}
    viscous = {name: g for name, g in geometries.items() if g is not None and g.viscosity_constant is not None}
    if not viscous:
        refusals.add(instrument, "geometries", "has no geometry that measures a viscosity, so there is nothing to plan")
    if scale is None:
        refusals.add(instrument, "specification.torque_full_scale", "is needed to plan a torque, e.g. '1000 uN.m'")
    refusals.settle()
    return plan_ranges(
        (scale or 0.0) * 1e-6,
        viscous,
        speeds,
        expected,
        specification=None if instrument.specification is None else stated(instrument.specification.planned()),
        temperature_coefficient=-(temperature_coefficient or 0.0) / 100.0,
        low_percent=band.low,
        high_percent=band.high,
    )
