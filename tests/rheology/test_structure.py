"""Thixotropy against a numerical solution and against areas known by hand."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from daq.core.errors import SettingError
from daq.rheology.structure import (
    StructureKinetics,
    flow_index,
    loop_area,
    power_law_through_two,
    recovery_fraction,
    shear_thinning_index,
    thixotropy_ratio,
)


def test_structure_through_a_three_step_test():
    s = StructureKinetics(0.03, 0.002, 0.2, 6.0)
    segments = [(0.5, 40.0), (300.0, 20.0), (0.5, 200.0)]
    level = 0.8
    for (rate, seconds), ours in zip(segments, s.through(0.8, segments), strict=True):
        slope = lambda _t, x, g=rate: 0.03 * (1 - x) - 0.002 * g * x  # noqa: E731
        level = solve_ivp(slope, (0, seconds), [level], rtol=1e-11, atol=1e-13).y[0, -1]
        assert ours == pytest.approx(level, rel=1e-8)
    assert s.after(0.0, 0.0, s.half_time_at_rest) == pytest.approx(0.5)
    assert s.after(0.1, 300.0, np.array([0.0, 1e6])) == pytest.approx([0.1, s.equilibrium(300.0)])
    assert s.viscosity(np.array([0.0, 1.0])) == pytest.approx([0.2, 6.2])


def test_loop_area_of_triangles_and_of_a_breaking_structure():
    assert loop_area([0, 10], [0, 10], [10, 0], [10, 0]) == 0.0
    assert loop_area([0, 10], [5, 10], [10, 0], [10, 0]) == pytest.approx(25.0)
    assert loop_area([0, 10], [0, 10], [10, 0], [10, 5]) == pytest.approx(-25.0)
    # Only the common rates count, and uneven steps do not matter.
    assert loop_area([0, 1, 4, 10], [5, 5.5, 7, 10], [8, 2], [8, 2]) == pytest.approx(5 * 6 - 0.25 * (64 - 4))
    s = StructureKinetics(0.02, 0.01, 0.5, 5.0)
    up, level, taus = np.linspace(1, 100, 100), 1.0, []
    for g in [*up, *up[::-1]]:
        level = s.after(level, g, 1.0)
        taus.append(g * s.viscosity(level))
    assert loop_area(up, taus[:100], up[::-1], taus[100:]) > 0


def test_indices():
    assert shear_thinning_index(9200.0, 2300.0) == 4.0
    assert flow_index(4.0) == pytest.approx(1 - math.log10(4))
    assert flow_index(4.0, 20.0) == pytest.approx(1 - math.log(4) / math.log(20))
    n, k = power_law_through_two(2.0, 100.0, 50.0, 10.0)
    assert [k * g ** (n - 1) for g in (2.0, 50.0)] == pytest.approx([100.0, 10.0])
    assert thixotropy_ratio(80.0, 100.0) == 0.8
    assert recovery_fraction(np.array([10.0, 55.0, 100.0]), 100.0, 10.0) == pytest.approx([0.0, 0.5, 1.0])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: shear_thinning_index(0.0, 1.0),
        lambda: flow_index(2.0, 1.0),
        lambda: power_law_through_two(1.0, 2.0, 1.0, 3.0),
        lambda: recovery_fraction(5.0, 10.0, 10.0),
        lambda: loop_area([1.0], [1.0], [1.0, 2.0], [1.0, 2.0]),
        lambda: loop_area([1.0, 2.0], [1.0, 2.0], [3.0, 4.0], [1.0, 2.0]),
        lambda: loop_area([1.0, 1.0], [1.0, 2.0], [1.0, 2.0], [1.0, 2.0]),
        lambda: StructureKinetics(0.0, 1.0, 1.0, 1.0),
        lambda: StructureKinetics(1.0, -1.0, 1.0, 1.0),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
