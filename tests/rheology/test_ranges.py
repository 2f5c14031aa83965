"""Range planning: what is promised comes true for a fluid of the law assumed."""

import math

import pytest

from daq.core.errors import SettingError
from daq.rheology import cylinders, torque
from daq.rheology.geometry import CalibratedConstants, ConePlate, SingleCylinder, Vane
from daq.rheology.ranges import Expected, plan_ranges
from daq.rheology.torque import BandClass
from daq.rheology.viscosity_budget import Specification

FULL_SCALE = 7e-4
GEOMETRIES = {
    "thin": SingleCylinder(0.0016, 0.03),
    "wide": SingleCylinder(0.0094, 0.065),
    "cone": ConePlate(0.02, math.radians(1.0)),
    "content": CalibratedConstants(2000.0),
    "vane": Vane(0.02, 0.04),
}
SPEEDS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0]
SPEC = Specification(torque_percent_full_scale=1.0)


def test_every_geometry_and_speed_once_best_first():
    plan = plan_ranges(FULL_SCALE, GEOMETRIES, SPEEDS, Expected(1.5), specification=SPEC)
    assert len(plan) == 4 * len(SPEEDS)
    usable = [c for c in plan if c.band == BandClass.VALID]
    assert plan[: len(usable)] == usable
    assert 10 <= usable[0].torque_percent <= 85
    good = [c.relative_expanded for c in usable if c.torque_percent <= 85]
    assert good == sorted(good)
    assert good[0] == pytest.approx(1.96 / math.sqrt(3) / usable[0].torque_percent, rel=1e-3)
    assert all(c.relative_expanded is None for c in plan[len(usable) :])


def test_the_planned_torque_is_that_of_the_flow():
    n, k = 0.4, 12.0
    expected = Expected(k, n, at_rate=1.0)
    for c in plan_ranges(FULL_SCALE, {"wide": GEOMETRIES["wide"]}, SPEEDS, expected):
        # Apparent values of a single cylinder in a large vessel use the rate 2 omega; the law is evaluated there.
        omega = cylinders.angular_speed(c.speed_per_min)
        eta = k * (2 * omega) ** (n - 1)
        t = 4.0 * math.pi * eta * omega * 0.065 * 0.0094**2  # Margules without an outer cylinder
        assert c.torque_percent == pytest.approx(torque.torque_to_percent(t, FULL_SCALE))
        assert c.viscosity == pytest.approx(eta)
        assert c.viscosity_low == pytest.approx(c.viscosity_high / 10)
        assert not c.assumed_newtonian


def test_a_body_without_a_rate_goes_by_its_speed():
    expected = Expected(2.0, 0.5, at_speed_per_min=10.0)
    plan = {
        c.speed_per_min: c for c in plan_ranges(FULL_SCALE, {"content": GEOMETRIES["content"]}, [10.0, 40.0], expected)
    }
    assert plan[40.0].viscosity == pytest.approx(1.0)
    assert plan[40.0].shear_rate is None
    (other,) = plan_ranges(FULL_SCALE, {"cone": GEOMETRIES["cone"]}, [10.0], expected)
    assert other.assumed_newtonian


def test_time_to_the_first_reading():
    plan = plan_ranges(FULL_SCALE, {"content": GEOMETRIES["content"]}, [0.5, 60.0], Expected(1.0))
    assert {c.speed_per_min: c.first_reading_s for c in plan} == {0.5: 120.0, 60.0: 1.0}


def test_nothing_serves_and_the_nearest_comes_first():
    plan = plan_ranges(FULL_SCALE, GEOMETRIES, SPEEDS, Expected(1e7))
    assert all(c.band == BandClass.OVER for c in plan)
    assert plan[0].torque_percent == min(c.torque_percent for c in plan)


def test_numbers_that_make_no_sense_are_refused():
    for wrong in (
        lambda: plan_ranges(0.0, GEOMETRIES, SPEEDS, Expected(1.0)),
        lambda: plan_ranges(1.0, GEOMETRIES, [0.0], Expected(1.0)),
        lambda: Expected(-1.0),
        lambda: Expected(1.0, 0.0),
        lambda: Expected(1.0, 0.5, at_rate=0.0),
    ):
        with pytest.raises(SettingError):
            wrong()


def test_a_torque_without_headroom_comes_after_those_with():
    content = {"content": GEOMETRIES["content"]}
    # A viscosity that shows 90 % at 60 /min and so 30 % at 20 /min.
    eta = 90.0 / torque.torque_percent_at(1.0, FULL_SCALE, 2000.0, 60.0)
    plan = plan_ranges(FULL_SCALE, content, [60.0, 20.0], Expected(eta), specification=SPEC)
    assert [c.torque_percent for c in plan] == pytest.approx([30.0, 90.0])
    assert plan[0].relative_expanded > plan[1].relative_expanded
