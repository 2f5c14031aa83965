"""A step begins where speed and temperature are on the edge of their tolerance as decimal numbers, and not beyond."""

from dataclasses import replace
from decimal import Decimal

import pytest

from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.plan import Conditioning, Keep
from daq.core.replay import pipeline_of, replay
from daq.testing.bench import header_of
from tests.support.runs.scripts import Script, elapsed, make_driver, plan_of, seconds, step

SPEEDS = [Decimal(n) / 100 for n in (*range(50, 1000, 7), *range(1000, 20000, 173))]
TOLERANCES = [Decimal("0.01"), Decimal("0.02"), Decimal("0.05")]
FINEST = Decimal("0.0001")
"""Step of a display of the speed, /min."""


def lead_motor(tolerance, target, checks=CHECKS):
    """Return the motor of a run by the rules of the daq with `checks`, whose set-point `target` was acknowledged."""
    plan = replace(plan_of(step(elapsed(1.0), speed=target)), speed_tolerance=tolerance)
    header = replace(header_of(plan, {"lead": make_driver("plain", {}, {})}), checks=checks)
    motor = pipeline_of(header, make_driver).life.lead_motor
    motor._lead.acked.add("speed")
    return motor


@pytest.mark.parametrize("tolerance", TOLERANCES)
def test_a_speed_on_the_edge_of_its_tolerance_is_reached(tolerance):
    older = 0
    for target in SPEEDS:
        off = tolerance * target
        now, then = (lead_motor(float(tolerance), float(target), n) for n in (CHECKS, DECIMAL_EDGES - 1))
        for edge, beyond in ((target - off, -FINEST), (target + off, FINEST)):
            assert now.reached(float(edge), float(target))
            assert not now.reached(float(edge + beyond), float(target))
            older += not then.reached(float(edge), float(target))
    # A run of an older daq is replayed with its rule, which lost some of the edges.
    assert older > 20


@pytest.mark.parametrize("end", ["low", "high"])
@pytest.mark.parametrize("fahrenheit", [76.1, 77.9, 68.9, 75.2])
def test_a_converted_temperature_on_the_edge_of_its_band_lets_a_step_begin(end, fahrenheit):
    edge = Decimal(str(fahrenheit)) - 32
    celsius = edge * 5 / 9
    ends = {"low": float(celsius), "high": float(celsius + 1)} if end == "low" else {
        "low": float(celsius - 1), "high": float(celsius),
    }  # fmt: skip
    # One rounding error of the conversion beyond the edge, in the same direction.
    read = float(celsius) * (1.0 - 3e-16 if end == "low" else 1.0 + 3e-16)
    assert read < ends["low"] or read > ends["high"]
    conditioning = Conditioning(signal="probe.temperature", longest_ns=60 * 10**9, **ends)
    keep = Keep("end", "mean", seconds(1.0))
    run = Script(plan_of(step(elapsed(2.0), keep), conditioning=conditioning, companions=("probe",))).begin()
    run.probe(0.0, repr(read).encode())
    run.reading(0.0)
    assert run.state == "measuring"
    run.readings(0.0, 1.5)
    run.probe(1.55, repr(read).encode())
    run.readings(1.5, 2.1)
    assert [k.faults for k in run.kept] == [()]
    assert replay(run.journal(), make_driver).same
