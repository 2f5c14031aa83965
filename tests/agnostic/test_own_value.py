"""An instrument that reports a viscosity itself: it is compared with the computed viscosity."""

import pytest

from daq.core.driver import Channel
from daq.core.errors import SettingErrors
from tests.agnostic.parts import CHANNELS, Numbers, World, instrument, measured, method
from tests.support.statements import codes

# Viscosity that gives 1 mN.m (full scale) at 10 /min: 24 Pa.s, so η = 24000 mPa.s * torque/100 * 10/speed.
GEOMETRY = """
enable_motion = true
fitted = "paddle-2"
[specification]
torque_full_scale = "1000 uN.m"
torque = "1 %"
geometry = "0.5 %"
[geometries.paddle-2]
kind = "calibrated_constants"
full_scale_viscosity = "24000 mPa.s"
at_speed = "10 /min"
vessel = "jar 85"
"""
TURNING = """
[[steps]]
name = "reading"
speed = 10
settle = "1 rev"
stop = "30 s"
longest = "2 min"
keep = [{ at = "end", span = "12 s" }]
"""


def run(tmp_path, factor, geometry=GEOMETRY):
    """Torque 50 % at 10 /min: 12000 mPa.s; the instrument reports `factor` times that."""
    world = World(lambda t: [50.0 if world.speed else 0.0, world.speed, 12_000.0 * factor if world.speed else 0.0], 0.1)
    recipe = method(tmp_path, TURNING, result="viscosity")
    return measured(
        recipe, instrument(tmp_path, "visc-1", "reading-viscometer", geometry),
        Numbers("reading-viscometer", interval_s=0.1), world,
    )  # fmt: skip


def own(conclusion):
    return [s.text for s in conclusion.cautions if s.code == "own_value_differs"]


# The geometry is stated to ±0.5 %, rectangular: 0.2887 %, times k near 2 gives 0.58 %.  Torque (1 % of full scale at
# 50 % is 2 %) is common to both values and allows no difference.
@pytest.mark.parametrize(
    ("factor", "difference"), [(1.0, ""), (1.004, ""), (0.996, ""), (1.01, "+1.0 %"), (0.9, "-10.0 %")]
)
def test_a_difference_above_the_limit_of_the_geometry_gives_a_caution(tmp_path, factor, difference):
    c, _, data = run(tmp_path, factor)
    assert (c.value, c.validity) == (pytest.approx(12_000.0), "valid")
    assert data.conditions.signals["own_viscosity"].value == pytest.approx(12_000.0 * factor)
    assert bool(own(c)) is bool(difference)
    assert not difference or difference in own(c)[0]
    assert not difference or "check geometry, factor and unit" in own(c)[0]
    assert set(codes(c.cautions)) <= set(codes(data.warnings))


@pytest.mark.parametrize(("factor", "differs"), [(1.008, False), (1.02, True)])
def test_without_a_stated_limit_one_percent_is_allowed(tmp_path, factor, differs):
    c, _, _ = run(tmp_path, factor, GEOMETRY.replace('geometry = "0.5 %"\n', ""))
    assert bool(own(c)) is differs


def test_a_unit_taken_for_another_is_found(tmp_path):
    # Pa.s on the line taken for mPa.s: a factor of a thousand.
    c, _, _ = run(tmp_path, 0.001)
    assert "differs by -99.9 %" in own(c)[0]


def test_two_signals_of_one_name_are_refused(tmp_path, monkeypatch):
    channels = (*CHANNELS["reading-viscometer"][:2], Channel("apparent_viscosity", "mPa.s", 0.0, 1e6))
    monkeypatch.setitem(CHANNELS, "reading-viscometer", channels)
    with pytest.raises(SettingErrors, match="also computed from torque and geometry.*own_apparent_viscosity"):
        run(tmp_path, 1.0)
