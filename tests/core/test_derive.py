"""Derived quantities of a reading and of a span, including products and ratios of ratios."""

import math

import pytest

from daq.core.derive import getters, roots, span_summaries
from daq.core.driver import Values
from daq.core.plan import Derivation
from tests.core.column_parts import CHANNELS, columns_of
from tests.support.runs.scripts import RATE, STRESS, VISCOSITY, S

POWER = Derivation("power", "W", "product", ("torque", "speed"), 0.1)
SHIFTED = Derivation("kelvin", "K", "linear", ("temperature",), 1.0, 273.15)
PER_KELVIN = Derivation("per_kelvin", "mPa.s/K", "ratio", ("viscosity", "kelvin"), 1.0)
SQUARED = Derivation("squared", "W2", "product", ("power", "power"), 1.0)
DOUBLED = Derivation("doubled", "mPa.s", "linear", ("viscosity",), 2.0)
ALL = (STRESS, RATE, VISCOSITY, POWER, SHIFTED, PER_KELVIN, SQUARED, DOUBLED)

ROWS = [(50.0, 12.0, 25.0), (60.0, 24.0, 26.0), (40.0, 6.0, 20.0)]


def by_hand(torque, speed, temperature):
    viscosity = 1000 * 2 * torque / (0.5 * speed)
    return {
        "stress": 2 * torque,
        "rate": 0.5 * speed,
        "viscosity": viscosity,
        "power": 0.1 * torque * speed,
        "kelvin": temperature + 273.15,
        "per_kelvin": viscosity / (temperature + 273.15),
        "squared": (0.1 * torque * speed) ** 2,
        "doubled": 2 * viscosity,
    }


@pytest.mark.parametrize("row", ROWS)
def test_of_one_reading(row):
    get = getters(CHANNELS, ALL)
    for name, value in by_hand(*row).items():
        assert get[name](row) == pytest.approx(value, rel=1e-14), name
    assert [get[c](row) for c in CHANNELS] == list(row)


@pytest.mark.parametrize(
    ("row", "null"),
    [
        ((None, 12.0, 25.0), {"stress", "viscosity", "power", "per_kelvin", "squared", "doubled"}),
        ((50.0, None, 25.0), {"rate", "viscosity", "power", "per_kelvin", "squared", "doubled"}),
        ((50.0, 0.0, 25.0), {"viscosity", "per_kelvin", "doubled"}),
        ((50.0, 1e-320, 25.0), {"viscosity", "per_kelvin", "doubled"}),
        ((50.0, 12.0, None), {"kelvin", "per_kelvin"}),
        ((50.0, 12.0, -273.15), {"per_kelvin"}),
    ],
)
def test_nothing_is_made_of_a_null_or_a_division_by_zero(row, null):
    get = getters(CHANNELS, ALL)
    assert {name for name in by_hand(1, 1, 1) if get[name](row) is None} == null


def test_of_a_span_each_mean_is_what_its_kind_says():
    columns = columns_of(ROWS)
    found = span_summaries(columns, columns.between(-1, S), ALL)
    hand = [by_hand(*row) for row in ROWS]
    mean = {name: math.fsum(h[name] for h in hand) / 3 for name in hand[0]}
    for name in ("stress", "rate", "power", "kelvin", "squared"):
        assert found[name].mean == pytest.approx(mean[name], rel=1e-14), name
        assert found[name].n == 3
    assert found["viscosity"].mean == pytest.approx(1000 * mean["stress"] / mean["rate"], rel=1e-14)
    assert found["viscosity"].mean_of_ratios == pytest.approx(mean["viscosity"], rel=1e-14)
    assert found["doubled"].mean == pytest.approx(2 * found["viscosity"].mean, rel=1e-14)
    assert found["doubled"].mean_of_ratios == pytest.approx(mean["doubled"], rel=1e-14)
    assert found["per_kelvin"].mean_of_ratios == pytest.approx(mean["per_kelvin"], rel=1e-14)


def test_a_quantity_uses_only_rows_in_which_all_its_channels_have_a_value():
    rows = [
        *ROWS,
        Values((None, 12.0, 25.0), (("torque", "saturated"),)),
        Values((70.0, 12.0, None), (("temperature", "probe"),)),
    ]
    columns = columns_of(rows)
    found = span_summaries(columns, columns.between(-1, S), ALL)
    assert {name: found[name].n for name in ("torque", "speed", "kelvin", "viscosity", "power", "per_kelvin")} == {
        "torque": 4, "speed": 5, "kelvin": 4, "viscosity": 4, "power": 4, "per_kelvin": 3,
    }  # fmt: skip


def test_the_channels_behind_a_quantity():
    known = {d.name: d for d in ALL}
    assert roots("torque", known) == ("torque",)
    assert roots("viscosity", known) == ("torque", "speed")
    assert roots("per_kelvin", known) == ("torque", "speed", "temperature")
    assert roots("squared", known) == ("torque", "speed")


def test_an_empty_span_has_nothing():
    columns = columns_of([])
    for found in span_summaries(columns, columns.between(0, S), ALL).values():
        assert (found.n, found.mean) == (0, None)
