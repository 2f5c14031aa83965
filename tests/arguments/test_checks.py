"""The sentences of the checks: the argument, its value, and what is wanted."""

import math

import numpy as np
import pytest

from daq.core import arguments
from daq.core.errors import ArgumentError, SettingError
from daq.quality.capability import capability
from daq.quality.statistics import describe, dixon_test, fit_line
from daq.rheology.cylinders import taylor_number
from daq.rheology.geometry import CoaxialCylinders, ConePlate, ParallelPlates, SingleCylinder
from daq.rheology.torque import classify_torque, viscosity_at
from daq.rheology.uncertainty import span_mean_uncertainty

SENTENCES = [
    (lambda: CoaxialCylinders(12.0, 15.0, 40.0), "inner_radius_m: must be in metres, at most 0.5 m (was it given in millimetres?), is 12"),
    (lambda: SingleCylinder(0.012, 0.04, 1.1, 50.0), "vessel_radius_m: must be in metres, at most 5 m (was it given in millimetres?), is 50"),
    (lambda: ParallelPlates(0.02, 0.5), "gap_m: must be in metres, at most 0.02 m (was it given in millimetres?), is 0.5"),
    (lambda: ConePlate(0.02, 2.0), "angle_rad: must be less than pi/4 rad (was it given in degrees?), is 2.0"),
    (lambda: CoaxialCylinders(0.015, 0.012, 0.04), "outer_radius_m: must be greater than inner_radius_m (0.015 m), is 0.012 m"),
    (
        lambda: taylor_number(1.2, 1e-3, 3.0, 0.012, 0.015),
        "density: must be in kg/m3, from 10 to 25000 (was it given in g/mL?), is 1.2",
    ),
    (lambda: classify_torque(50.0, math.nan, math.nan), "low_percent: must be at least 0 and finite, is nan"),
    (lambda: viscosity_at(50.0, 1e-3, 100.0, 0.0), "speed_per_min: must be greater than 0 and finite, is 0"),
    (lambda: span_mean_uncertainty(1.0, 40, 2.0), "lag1: must be from -1 to 1, is 2"),
    (lambda: dixon_test([1.0, math.nan, 3.0]), "values: all values must be finite, number 2 is nan"),
    (lambda: describe([]), "values: needs at least 1 values, got 0"),
    (lambda: describe("123"), "values: must be a list of numbers, is '123'"),
    (lambda: fit_line([1.0, 2.0, 3.0], [1.0, 2.0]), "y: must be as many as x, is 2 for 3"),
    (lambda: capability(10.0, 0.2, 11.0, 9.0), "lower: must be below upper (9), is 11"),
]  # fmt: skip


@pytest.mark.parametrize(("call", "sentence"), SENTENCES, ids=[s for _, s in SENTENCES])
def test_an_error_says_the_argument_its_value_and_what_is_wanted(call, sentence):
    with pytest.raises(ArgumentError) as caught:
        call()
    assert str(caught.value) == sentence
    assert isinstance(caught.value, ValueError)
    assert isinstance(caught.value, SettingError)


def test_numbers_of_every_kind_are_taken_and_nothing_else():
    for good in (
        1,
        1.0,
        np.float64(1.0),
        np.float32(1.0),
        np.int32(1),
        np.array([1.0, 2.0]),
        np.array([[1, 2], [3, 4]]),
    ):
        arguments.require_positive("x", good)
    for bad in (True, "1", None, 1j, [1.0], np.array([True]), np.array(["1"]), np.array([]), np.array([1j]), object()):
        with pytest.raises(ArgumentError, match="^x: must"):
            arguments.require_positive("x", bad)


def test_one_bad_element_of_an_array_is_enough():
    for bad in (math.nan, math.inf, -math.inf, 0.0, -1.0, 1e300):
        with pytest.raises(ArgumentError, match="x: must be greater than 0 and finite"):
            arguments.require_positive("x", np.array([1.0, bad, 2.0]))


def test_order_and_counts():
    arguments.require_not_falling("t", [1.0, 1.0, 2.0])
    with pytest.raises(ArgumentError, match="t: must not decrease, number 3 is 1 after 2"):
        arguments.require_not_falling("t", [1.0, 2.0, 1.0])
    with pytest.raises(ArgumentError, match="n: must be a whole number, is 2.5"):
        arguments.require_count("n", 2.5, 1)
    with pytest.raises(ArgumentError, match="n: takes at most 3 values, got 4"):
        arguments.require_count("n", 4, 1, 3)


def test_a_check_without_a_use_is_deleted():
    """Every check of the module is used somewhere in the packages."""
    from pathlib import Path

    text = "\n".join(p.read_text("utf-8") for p in Path(arguments.__file__).parents[1].rglob("*.py"))
    checks = [n for n in vars(arguments) if n.startswith("require_")]
    assert [n for n in checks if text.count(f"{n}(") < 2] == []
