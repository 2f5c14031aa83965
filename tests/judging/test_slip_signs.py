"""Signs of wall slip among the results of a sample.

The results are made by the exact flow of a power-law fluid between cylinders (Krieger and Maron 1952) and by that of
plates; slip adds its speed over the radius at each wall to the angular speed (Mooney 1931).
"""

import json
import math
import random

import pytest

from daq.app.cli.signing.reportable import text_of
from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.curves.slipsigns import slip_signs
from daq.rheology.cylinders import angular_speed, krieger_elrod_rate
from tests.support.runs.examples import example
from tests.support.runs.whole_runs import run
from tests.support.statements import codes, parameters

LENGTH = 0.04
SPEEDS = (2.0, 5.0, 10.0, 20.0, 50.0)


def torque_at(omega, inner, outer, *, k, n, slip):
    """Return the torque (N.m) at an angular speed (rad/s), by bisection of the exact sum of flow and slip."""

    def speed(torque):
        stress = torque / (2.0 * math.pi * LENGTH * inner**2)
        flow = (stress / k) ** (1.0 / n) * (1.0 - (outer / inner) ** (-2.0 / n)) * n / 2.0
        return flow + slip * stress / inner + slip * stress * (inner / outer) ** 2 / outer

    low, high = 1e-12, 1e3
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if speed(middle) < omega else (low, middle)
    return middle


def cylinders(name, inner, outer, *, k=5.0, n=0.5, slip=0.0, u=0.01, error=0.0, **more):
    """Return a result of a flow curve between cylinders (radii in m); `slip` in m/s per Pa, `error` of the torque."""
    steps = []
    for i, speed in enumerate(SPEEDS):
        torque = torque_at(angular_speed(speed), inner, outer, k=k, n=n, slip=slip) * (1.0 + error)
        steps.append(step(i, speed, torque=torque * 1e6, stress=1.0, rate=1.0))
    geometry = {
        "name": name, "kind": "coaxial_cylinders", "vessel": None,
        "dimensions": {"inner_radius": inner * 1e3, "outer_radius": outer * 1e3, "length": LENGTH * 1e3, "end_factor": 1.0},
    }  # fmt: skip
    return result(steps, geometry, u=u, **more)


def plates(name, gap, *, k=5.0, n=0.5, slip=0.0, u=0.01, **more):
    """Return a result of a flow curve between plates; the stress is that of the rim."""
    steps = []
    for i, speed in enumerate(SPEEDS):
        stress = 10.0 * (i + 1.0)
        rate = (stress / k) ** (1.0 / n) + 2.0 * slip * stress / gap
        steps.append(step(i, speed, torque=stress, stress=stress, rate=rate))
    geometry = {
        "name": name,
        "kind": "parallel_plates",
        "vessel": None,
        "dimensions": {"radius": 25.0, "gap": gap * 1e3},
    }
    return result(steps, geometry, u=u, **more)


def step(number, speed, *, torque, stress, rate):
    return {
        "step": number, "at": "end", "set_speed": speed, "speed": speed, "torque": torque, "stress": stress,
        "shear_rate": rate, "value": 1e3 * stress / rate, "faults": [],
    }  # fmt: skip


def result(steps, geometry, *, u, temperature=25.0, **more):
    return {
        "steps": steps, "geometry": geometry, "value": 1000.0, "unit": "mPa.s", "quantity": "viscosity",
        "uncertainty": {"expanded": 2.0 * u * 1000.0, "k": 2.0, "coverage": 0.95}, "validity": "valid", "reasons": [],
        "method": {"id": "curve", "version": "1", "digest": "d", "choices": {}}, "sample": {"id": "S", "sheared": False},
        "conditions": {"temperature": temperature}, "verdict": {"limits": []}, **more,
    }  # fmt: skip


NARROW, WIDE = (0.014, 0.015), (0.012, 0.015)


def pair(**more):
    return [cylinders("narrow", *NARROW, **more), cylinders("wide", *WIDE, **more)]


def test_slip_in_two_cups_is_found_with_its_size():
    found = slip_signs(pair(slip=3e-4))
    assert codes(found) == ["wall_slip"]
    given = parameters(found, "wall_slip")
    assert (given["narrow"], given["wide"]) == ("narrow", "wide")
    assert given["difference"] < -2.0 * given["uncertainty"] / 2.0
    # The formula is that of a plane gap; the curvature of the wide one leaves it right within a third.
    assert given["slip_speed"] == pytest.approx(1e3 * 3e-4 * given["stress"], rel=0.35)


@pytest.mark.parametrize("n", [0.2, 0.3, 0.5, 0.7, 1.0])
def test_a_fluid_that_does_not_slip_has_no_sign_at_any_index(n):
    """Without the correction of the rate the wide gap alone would make a difference: here of up to a third."""
    assert slip_signs(pair(n=n, u=0.003)) == ()
    apparent = [2.0 / (1.0 - (o / i) ** -2.0) for i, o in (NARROW, WIDE)]
    true = [krieger_elrod_rate(1.0, 1.0 / n, o / i) for i, o in (NARROW, WIDE)]
    assert (abs(true[0] / apparent[0] / (true[1] / apparent[1]) - 1.0) > 0.02) == (n < 0.9)


def test_plates_at_two_gaps():
    found = slip_signs([plates("gap-1", 1e-3, slip=3e-4), plates("gap-05", 0.5e-3, slip=3e-4)])
    given = parameters(found, "wall_slip")
    assert (given["narrow"], given["wide"]) == ("gap-05", "gap-1")
    assert given["slip_speed"] == pytest.approx(1e3 * 3e-4 * given["stress"], rel=0.02)
    assert slip_signs([plates("gap-1", 1e-3), plates("gap-05", 0.5e-3)]) == ()


def test_a_higher_viscosity_in_the_narrow_gap_is_no_slip():
    a, b = cylinders("narrow", *NARROW, error=0.2), cylinders("wide", *WIDE)
    assert codes(slip_signs([a, b])) == ["gaps_disagree"]


def test_stresses_that_do_not_overlap_are_named():
    a, b = cylinders("narrow", *NARROW, k=50.0, n=0.1), cylinders("wide", *WIDE, k=1.0, n=0.1)
    assert parameters(slip_signs([a, b]), "no_common_stress") == {"narrow": "narrow", "wide": "wide"}


@pytest.mark.parametrize(
    "change",
    [
        {"temperature": 27.0}, {"temperature": None}, {"validity": "not_valid"}, {"value": None},
        {"verification": {"passed": True}}, {"uncertainty": None}, {"uncertainty": {"expanded": None, "k": None}},
        {"geometry": None}, {"method": {"id": "curve", "version": "2"}}, {"steps": []},
    ],
)  # fmt: skip
def test_results_that_cannot_be_compared_give_no_sign(change):
    a, b = pair(slip=3e-4)
    more = {"temperature": change.pop("temperature")} if "temperature" in change else {}
    b = cylinders("wide", *WIDE, slip=3e-4, **more) | change
    assert slip_signs([a, b]) == ()


def test_generated_pairs_without_slip_have_hardly_a_sign():
    """The torques of both are off by their uncertainty, independently: at most 5 % have a sign."""
    rng = random.Random(3)
    signs = 0
    for _ in range(200):
        u, n, k = rng.uniform(0.005, 0.03), rng.uniform(0.3, 1.0), rng.uniform(0.5, 20.0)
        a = cylinders("narrow", *NARROW, k=k, n=n, u=u, error=rng.gauss(0.0, u))
        b = cylinders("wide", *WIDE, k=k, n=n, u=u, error=rng.gauss(0.0, u))
        signs += "wall_slip" in codes(slip_signs([a, b]))
    assert signs <= 10


def test_the_report_of_a_sample_shows_it():
    runs = [
        (Attempt(f"{i}", "2026-01-05T08:00:00.000Z", "curve 1", "bench-2", f"{i}", 1000.0, "mPa.s", "valid", False), data)
        for i, data in enumerate(pair(slip=3e-4))
    ]  # fmt: skip
    signs = slip_signs([data for _, data in runs])
    text = " ".join(text_of(reportable("S", runs, None), 80, signs).split())
    assert "a sign of wall slip" in text
    assert "roughened walls" in text


def test_simulated_runs_of_one_fluid_on_two_cups_have_no_sign():
    """Whole runs of a shear-thinning fluid on the instrument's two cups, with its own uncertainty."""
    data = []
    for fitted in ("coaxial-12", "coaxial-15"):
        method = example("methods/white-glaze-flow-curve.toml")
        method = method.model_copy(update={"geometry": method.geometry.model_copy(update={"names": ()})})
        c, bench = run(method, "bench-1", "white-glaze", fitted=fitted)
        plan = bench.plan
        data.append(
            json.loads(c.model_dump_json())
            | {
                "method": {"id": plan.method, "version": plan.version},
                "geometry": {"name": fitted, "kind": plan.context.geometry.kind, "dimensions": plan.context.geometry.dimensions},
            }
        )  # fmt: skip
    assert "wall_slip" not in codes(slip_signs(data))
