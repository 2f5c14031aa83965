"""Check that the steps of a method can give a flow curve, and let the torque sensor settle after a change of speed."""

import math
from collections.abc import Sequence

from daq.core.context import CurveAsked
from daq.core.extent import Extent
from daq.core.plan import Step
from daq.core.remarks import Parameter
from daq.methods.planning.making import Making
from daq.methods.planning.rules import NS, in_time
from daq.methods.planning.settling import TIME_CONSTANTS, needed_revolutions, settled

LEAST_SPEEDS = 3
"""Least number of different speeds of a flow curve."""


def check_flow_curve(making: Making, steps: Sequence[Step]) -> CurveAsked | None:
    """Return the flow curve that the method asks for; errors go to the refusals."""
    asked = making.method.flow_curve
    if asked is None:
        return None
    geometry = making.geometry
    if geometry is not None and (geometry.rate_per_omega is None or geometry.stress_per_torque is None):
        kind = "" if making.instrument.geometry is None else making.instrument.geometry.kind
        making.refuse(
            "flow_curve",
            f"{making.instrument.fitted} ({kind.replace('_', ' ')}) defines no shear rate: no flow curve can be fitted",
        )
    speeds = {s.speed for s in steps if s.speed and any(k.at == "end" for k in s.keep)}
    if len(speeds) < LEAST_SPEEDS:
        making.refuse(
            "flow_curve",
            f"needs at least {LEAST_SPEEDS} speeds, each in a step with a value kept at its end; here: {len(speeds)}",
        )
    return CurveAsked(asked.branch, asked.models)


def _check_lag(making: Making, steps: Sequence[Step]) -> None:
    """Warn of steps in which a value can be taken while the instrument's own filter still follows the change."""
    lag = making.driver.lag_ns
    for step in steps:
        judged = any(leaf.kind == "steady" for leaf in step.stop.leaves())
        if not lag or judged or not any(k.at == "end" for k in step.keep):
            continue
        have = in_time(step.settle, step.speed)
        if have < TIME_CONSTANTS * lag:
            making.refusals.warn(
                "filter_not_settled",
                step=step.name,
                instrument=making.instrument.name,
                time_constant=lag / NS,
                settle=have / NS,
                constants=TIME_CONSTANTS,
                needed=TIME_CONSTANTS * lag / NS,
            )


def _check_polled(making: Making, steps: Sequence[Step]) -> None:
    """Warn of steps that count readings as separate measurements although the instrument is polled."""
    if making.driver.streams:
        return
    every = making.driver.interval_ns / NS
    for step in steps:
        stop = step.stop
        if stop.kind == "above" and stop.signal == "readings" and any(k.span.readings for k in step.keep):
            making.refusals.warn(
                "readings_of_one_measurement",
                step=step.name,
                instrument=making.instrument.name,
                interval=every,
                readings=stop.low,
                lasting=stop.low * every,
            )


def check_settling(making: Making, steps: Sequence[Step], flow_behaviour_index: float | None) -> None:
    """Warn of steps in which a value can be taken while the instrument or its torque sensor still settles."""
    _check_lag(making, steps)
    _check_polled(making, steps)
    before: float | None = None
    for step in steps:
        speed = step.speed
        if not speed:
            before = None
            continue
        # The rise is a part of a peak: a vane winds the spring up until the sample yields.
        rising = making.method.claim == "peak" and step.name == steps[making.method.result_index].name
        if (
            step.keep
            and not rising
            and not settled(_turns(step.settle, speed), before, speed, flow_behaviour_index or 1.0)
        ):
            _warn_of_spring(making, step, before, flow_behaviour_index or 1.0)
        before = speed


def _turns(settle: Extent, speed: float) -> float:
    return settle.revolutions or settle.ns / in_time(Extent(revolutions=1.0), abs(speed))


def _warn_of_spring(making: Making, step: Step, before: float | None, flow_behaviour_index: float) -> None:
    speed = step.speed or 0.0
    needed = math.ceil(needed_revolutions(before, speed, flow_behaviour_index) * 10.0 - 1e-6) / 10.0
    turns: dict[str, Parameter] = {"settle": _turns(step.settle, speed), "needed": needed}
    if before is not None and abs(before) > abs(speed):
        making.refusals.warn("spring_unwinding", step=step.name, before=abs(before), **turns)
    else:
        making.refusals.warn("spring_winding_up", step=step.name, **turns)
