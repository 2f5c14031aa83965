"""A plan gives the planned torque on a simulated instrument."""

import pytest

from daq.methods.planning.ranging import plan_instrument, speeds_of
from daq.rheology.ranges import Expected, speeds_between
from daq.rheology.torque import BandClass
from simulators.rotational.fluids import Fluid
from simulators.rotational.laws import Newtonian, PowerLaw
from tests.planning.benches import instrument_for, measured, read_method
from tests.support.instruments.described import RotationalDriver

CASES = [
    ("coaxial-12", Newtonian(0.8), Expected(0.8)),
    ("cylinder-9", Newtonian(5.0), Expected(5.0)),
    # Stress K g^n: the viscosity K at 1 /s, falling with g^(n-1).
    ("coaxial-12", PowerLaw(4.0, 0.7), Expected(4.0, 0.7, at_rate=1.0)),
]


@pytest.mark.parametrize(("fitted", "law", "expected"), CASES)
def test_the_best_three_give_the_torque_that_is_planned(tmp_path, fitted, law, expected):
    bench = instrument_for(fitted)
    found = plan_instrument(bench, RotationalDriver({}), expected, speeds_of(bench))
    for c in [c for c in found if c.geometry != "paddle-2"][:3]:
        assert c.band == BandClass.VALID
        run = measured(read_method(tmp_path, c.speed_per_min), bench.with_fitted(c.geometry), Fluid("", law))
        assert run.conclusion.validity == "valid"
        assert run.conclusion.row.torque_percent == pytest.approx(c.torque_percent, abs=5)


def test_round_speeds_and_both_ends():
    assert speeds_between(0.7, 3.3) == [0.7, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 3.3]
    assert speeds_between(5.0, 5.0) == [5.0]
    with pytest.raises(ValueError, match="fastest"):
        speeds_between(5.0, 4.0)
    with pytest.raises(ValueError, match="slowest"):
        speeds_between(0.0, 4.0)
