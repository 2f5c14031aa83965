"""Charts: constants of the standards, run rules against plain window scans, run lengths by simulation."""

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.core.errors import SettingError
from daq.quality.capability import capability
from daq.quality.charts import (
    average_run_length,
    constants,
    ewma_chart,
    first_signals,
    individuals_chart,
    run_rules,
)
from tests.support.reference.tables import DATA


def test_every_constant_of_the_list():
    with (DATA / "control_chart_constants.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9
    for row in rows:
        c = constants(int(row["n"]))
        for name in ("d2", "d3", "c4", "A2", "D3", "D4", "A3", "B3", "B4", "E2"):
            assert getattr(c, name) == pytest.approx(float(row[name]), abs=2e-6), (row["n"], name)


def scan(z, window, count, hit):
    """Points that complete `count` hits of one kind in the last `window`, output again without the code under test."""
    return tuple(i for i in range(len(z)) if hit(z[i]) and sum(map(hit, z[max(0, i - window + 1) : i + 1])) >= count)


@given(st.lists(st.floats(-4, 4), max_size=40))
def test_run_rules_are_window_scans(z):
    found = run_rules(z)

    def both(window, count, limit):
        up, down = scan(z, window, count, lambda v: v > limit), scan(z, window, count, lambda v: v < -limit)
        return tuple(sorted({*up, *down}))

    assert found["two_of_three_2s"] == both(3, 2, 2.0)
    assert found["four_of_five_1s"] == both(5, 4, 1.0)
    assert found["nine_one_side"] == both(9, 9, 0.0)
    assert found["eight_one_side"] == both(8, 8, 0.0)
    assert found["one_beyond_3s"] == tuple(i for i, v in enumerate(z) if abs(v) > 3)
    assert found["fifteen_within_1s"] == scan(z, 15, 15, lambda v: abs(v) < 1)
    assert found["eight_outside_1s"] == scan(z, 8, 8, lambda v: abs(v) > 1)
    up = [i for i in range(5, len(z)) if all(z[j] > z[j - 1] for j in range(i - 4, i + 1))]
    down = [i for i in range(5, len(z)) if all(z[j] < z[j - 1] for j in range(i - 4, i + 1))]
    assert found["six_trend"] == tuple(sorted({*up, *down}))
    assert first_signals(z) == {name: hits[0] if hits else -1 for name, hits in found.items()}


def test_alternation_needs_fourteen_points():
    z = [0.5, -0.5] * 8
    assert run_rules(z)["fourteen_alternating"] == (13, 14, 15)
    assert run_rules(z[:13])["fourteen_alternating"] == ()
    z[6] = z[5]
    assert run_rules(z)["fourteen_alternating"] == ()


def test_points_on_a_limit_are_not_beyond_it():
    assert first_signals([3.0])["one_beyond_3s"] == -1
    assert first_signals([2.0, 2.0, 2.0])["two_of_three_2s"] == -1
    assert first_signals([0.0] * 20)["nine_one_side"] == -1
    assert first_signals([2.0, 2.5])["two_of_three_2s"] == -1
    assert first_signals([2.5, 2.5])["two_of_three_2s"] == 1
    assert first_signals([])["six_trend"] == -1


def test_first_limits_of_an_exact_ewma_are_narrower():
    x = [0.5, -0.5, 0.2, 5.0]
    wide, exact = ewma_chart(x, 0.0, 1.0), ewma_chart(x, 0.0, 1.0, exact=True)
    assert exact.upper[0] == pytest.approx(3 * 0.3)  # the first average is 0.3 of one value
    assert exact.upper[0] < exact.upper[1] < wide.upper[1]
    assert ewma_chart([0.0] * 60, 0.0, 1.0, exact=True).upper[-1] == pytest.approx(wide.upper[0], rel=1e-8)
    assert wide.signals == (3,)
    assert ewma_chart(x, 0.0, 1.0, weight=1.0).averages == tuple(x)


def test_individuals_chart_and_its_z():
    c = individuals_chart([10.0, 12.0, 11.0, 13.0])
    assert c.moving_ranges == (2.0, 1.0, 2.0)
    assert c.z([c.upper, c.centre, c.lower]) == pytest.approx((3.0, 0.0, -3.0))
    assert individuals_chart([1.0, 1.0]).z([1.0]) == (0.0,)


def test_one_sided_capability():
    c = capability(10.0, 1.0, upper=13.0)
    assert (c.cp, c.cpl, c.cpk, c.k) == (None, None, 1.0, None)
    assert c.outside == pytest.approx(0.0013498980316301)  # upper tail beyond 3 sigma, any normal table


def test_run_length_by_simulation():
    rng = np.random.default_rng(21)
    p = np.mean(np.abs(rng.standard_normal(2_000_000) + 1.0) > 3.0)
    assert average_run_length(1.0) == pytest.approx(1 / p, rel=0.02)
    assert average_run_length(-1.0) == pytest.approx(average_run_length(1.0))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: constants(1),
        lambda: individuals_chart([1.0]),
        lambda: individuals_chart([1.0, np.nan]),
        lambda: ewma_chart([1.0], 0.0, 1.0, weight=0.0),
        lambda: ewma_chart([1.0], 0.0, 0.0),
        lambda: run_rules([np.nan]),
        lambda: capability(1.0, 0.0, 0.0, 1.0),
        lambda: capability(1.0, 1.0),
        lambda: capability(1.0, 1.0, 2.0, 1.0),
        lambda: average_run_length(0.0, 0.0),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
