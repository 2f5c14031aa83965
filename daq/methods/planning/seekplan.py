"""Compile the torque's band, and a step that seeks its speed, from the method to the plan."""

from typing import Final

from daq.core.extent import Extent
from daq.core.plan import Keep, Rule, Seek, Step
from daq.core.torqueband import TorqueBand
from daq.core.units import convert
from daq.methods.files.recipe import Step as StepEntry
from daq.methods.files.seek import Seek as SeekEntry
from daq.methods.planning.making import Making
from daq.methods.planning.rules import NS, shortest_time
from daq.methods.planning.signals import TORQUE

WIND_UP: Final = Extent(revolutions=1.0)
"""The sensor winds up in about a revolution (common practice, no source)."""
DOUBT_PERCENT: Final = 1.0
"""Error of a torque (% of full scale) that is assumed if the instrument's file states none."""


def torque_band(making: Making) -> TorqueBand | None:
    """Return the usable part of the torque sensor's range, in the unit of the driver's torque channel."""
    channel = next((c for c in making.driver.channels if c.name == TORQUE), None)
    given, limits = making.method.torque, making.instrument.limits
    per_cent = _per_cent(making)
    if channel is None or per_cent is None:
        return None
    limit = channel.high if limits.torque is None else limits.torque * per_cent
    return TorqueBand(TORQUE, channel.unit, given.low * per_cent, given.high * per_cent, limit)


def _per_cent(making: Making) -> float | None:
    """Return one percent of full scale in the unit of the driver's torque channel; None if it is not known."""
    channel = next((c for c in making.driver.channels if c.name == TORQUE), None)
    scale = making.full_scale_unm
    if channel is None or (channel.unit != "%" and scale is None):
        return None
    return 1.0 if channel.unit == "%" else convert((scale or 0.0) / 100.0, "uN.m", channel.unit)


def compile_seek(
    making: Making, step: StepEntry, entry: SeekEntry, key: str, flow_behaviour_index: float | None
) -> Step:
    """Return the step with its first speed, its rule for the end of a try, and its seek; errors go to `making`."""
    refused = len(making.refusals.errors)
    first = 0.0 if step.speed is None else making.chosen.speed(step.speed, f"{key}.speed", making.instrument)
    settle = WIND_UP if step.settle == Extent() else step.settle
    watched, low = ("revolutions", settle.revolutions) if settle.revolutions else ("elapsed", settle.ns / NS)
    stop = Rule("above", "wound up and read", watched, low=low, hold=entry.span)
    slowest, fastest = _speeds(making, entry, first, key, valid=len(making.refusals.errors) == refused)
    per_cent = _per_cent(making) or 1.0
    _check_band(making, entry, per_cent, key)
    least = shortest_time(stop, first)
    if len(making.refusals.errors) == refused and least >= step.longest:
        making.refuse(
            f"{key}.longest",
            f"{step.longest / NS:g} s is not longer than the {least / NS:g} s that the first speed alone needs; allow "
            f"time for {entry.tries} tries",
        )
    stated = making.instrument.specification.torque if making.instrument.specification else None
    seek = Seek(
        low=entry.low * per_cent,
        high=entry.high * per_cent,
        slowest=slowest,
        fastest=fastest,
        most=entry.tries,
        doubt=(DOUBT_PERCENT if stated is None else stated) * per_cent,
        flow_behaviour_index=flow_behaviour_index,
    )
    return Step(step.name, first, settle, stop, (Keep("end", "mean", entry.span),), step.longest, seek)


def _speeds(making: Making, entry: SeekEntry, first: float, key: str, *, valid: bool) -> tuple[float, float]:
    """Return the slowest and the fastest speed (/min) that can be tried."""
    name, limit = making.instrument.name, making.instrument.limits.speed
    slowest = first if entry.slowest is None else entry.slowest
    fastest = limit if entry.fastest is None else entry.fastest
    if fastest is None:
        making.refuse(
            f"{key}.seek.fastest",
            f"is missing, and {name} has no limits.speed in its file: give the fastest speed that can be tried",
        )
        return slowest, first
    if limit is not None and fastest > limit:
        making.refuse(
            f"{key}.seek.fastest",
            f"{fastest:g} /min is above the limit of {limit:g} /min set for {name} (limits.speed in its file)",
        )
    elif valid and not slowest <= first <= fastest:
        making.refuse(
            f"{key}.speed", f"the first speed, {first:g} /min, is not from {slowest:g} to {fastest:g} /min; start low"
        )
    return slowest, fastest


def _check_band(making: Making, entry: SeekEntry, per_cent: float, key: str) -> None:
    """Check that the target band is usable, and below the torque at which the motor is stopped."""
    band, usable = torque_band(making), making.method.torque
    if band is None:
        name, driver = making.instrument.name, making.instrument.driver
        making.refuse(f"{key}.seek", f"looks for a torque, and {name} ({driver}) reads none")
    elif entry.high * per_cent >= band.limit:
        making.refuse(
            f"{key}.seek.high",
            f"{entry.high:g} % is not below {band.limit / per_cent:g} %, where the motor is stopped; aim lower",
        )
    elif not usable.low <= entry.low < entry.high <= usable.high:
        making.refuse(
            f"{key}.seek.low",
            f"{entry.low:g} to {entry.high:g} % leaves the usable band of the method, {usable.low:g} to "
            f"{usable.high:g} % ([torque])",
        )
