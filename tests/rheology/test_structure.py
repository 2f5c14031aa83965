"""Thixotropy against areas known by hand and a breaking structure."""

import math

import numpy as np
import pytest

from daq.core.errors import SettingError
from daq.rheology.flowcurves.structure import loop_area, recovery_fraction, shear_thinning_index


def test_loop_area_of_triangles_and_of_a_breaking_structure():
    assert loop_area([0, 10], [0, 10], [10, 0], [10, 0]) == 0.0
    assert loop_area([0, 10], [5, 10], [10, 0], [10, 0]) == pytest.approx(25.0)
    assert loop_area([0, 10], [0, 10], [10, 0], [10, 5]) == pytest.approx(-25.0)
    # Only the common rates count, and uneven steps do not matter.
    assert loop_area([0, 1, 4, 10], [5, 5.5, 7, 10], [8, 2], [8, 2]) == pytest.approx(5 * 6 - 0.25 * (64 - 4))
    # First-order structure of Goodeve and Moore: dl/dt = k1 (1 - l) - k2 g l, eta = eta_inf + d_eta l.
    up, level, taus = np.linspace(1, 100, 100), 1.0, []
    for g in [*up, *up[::-1]]:
        end = 0.02 / (0.02 + 0.01 * g)
        level = end + (level - end) * math.exp(-(0.02 + 0.01 * g))
        taus.append(g * (0.5 + 5.0 * level))
    assert loop_area(up, taus[:100], up[::-1], taus[100:]) > 0


def test_indices():
    assert shear_thinning_index(9200.0, 2300.0) == 4.0
    assert recovery_fraction(np.array([10.0, 55.0, 100.0]), 100.0, 10.0) == pytest.approx([0.0, 0.5, 1.0])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: shear_thinning_index(0.0, 1.0),
        lambda: recovery_fraction(5.0, 10.0, 10.0),
        lambda: loop_area([1.0], [1.0], [1.0, 2.0], [1.0, 2.0]),
        lambda: loop_area([1.0, 2.0], [1.0, 2.0], [3.0, 4.0], [1.0, 2.0]),
        lambda: loop_area([1.0, 1.0], [1.0, 2.0], [1.0, 2.0], [1.0, 2.0]),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
