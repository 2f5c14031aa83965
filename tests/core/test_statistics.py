"""Statistics of a span, compared with numpy, scipy and the certified values of NIST."""

import csv
import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from daq.core.derive import span_summaries
from daq.core.errors import ArgumentError
from daq.core.statistics import Axis, longest_interval, scaled, summarise
from tests.core.column_parts import columns_of
from tests.support.runs.scripts import RATE, STRESS, VISCOSITY, S

DATA = Path(__file__).parent / "data" / "nist_univariate.csv"


def nist(name: str) -> list[float]:
    if name == "NumAcc2":
        return [1.2] + [1.1, 1.3] * 500
    if name == "NumAcc3":
        return [1000000.2] + [1000000.1, 1000000.3] * 500
    with DATA.open() as file:
        return [float(row["value"]) for row in csv.DictReader(file) if row["dataset"] == name]


def summary(values, times=None):
    times = times or [i * S // 10 for i in range(len(values))]
    return summarise(values, Axis(times))


# NIST Statistical Reference Datasets, univariate: certified mean, standard deviation (n - 1), lag-one autocorrelation.
@pytest.mark.parametrize(
    ("name", "n", "mean", "sd", "lag1", "sd_digits"),
    [
        ("Lew", 200, -177.435, 277.332168044316, -0.307304800605679, 1e-13),
        ("Lottery", 218, 518.95871559633, 291.699727470969, -0.120948622967393, 1e-13),
        ("Mavro", 50, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12),
        ("NumAcc1", 3, 10000002.0, 1.0, -0.5, 1e-15),
        ("NumAcc2", 1001, 1.2, 0.1, -0.999, 1e-13),
        # The data are decimal fractions that doubles hold to 1e-10 only: so much of the certified value is reached.
        ("NumAcc3", 1001, 1000000.2, 0.1, -0.999, 1e-8),
    ],
)
def test_certified_values(name, n, mean, sd, lag1, sd_digits):
    found = summary(nist(name))
    assert found.n == n
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.sd == pytest.approx(sd, rel=sd_digits)
    assert found.lag1 == pytest.approx(lag1, rel=1e-8)


finite = st.floats(-1e6, 1e6, allow_subnormal=False).map(lambda v: 0.0 if abs(v) < 1e-100 else v)


@pytest.mark.slow
@settings(derandomize=True, max_examples=120)
@given(
    values=st.lists(finite, min_size=2, max_size=200),
    intervals=st.lists(st.integers(1, 3 * S), min_size=200, max_size=200),
)
def test_equal_to_numpy_to_the_last_few_bits(values, intervals):
    times = np.cumsum(intervals[: len(values)])
    found = summary(values, [int(t) for t in times])
    exact = np.array(values, dtype=np.longdouble)
    scale = float(np.abs(exact).max()) or 1.0
    assert found.mean == pytest.approx(float(exact.mean()), rel=4e-16, abs=4e-16 * scale)
    assert found.sd == pytest.approx(float(exact.std(ddof=1)), rel=1e-15, abs=4e-16 * scale)
    assert (found.minimum, found.maximum, found.last) == (min(values), max(values), values[-1])
    if found.sd and found.sd > 1e-9 * scale:
        line = stats.linregress((times - times[0]) * 1e-9, values)
        noise = scale * 1e-12 / float(np.std((times - times[0]) * 1e-9) or 1.0)
        assert found.slope == pytest.approx(line.slope, rel=1e-9, abs=noise)


def test_the_mean_is_rounded_once_where_plain_summing_is_not():
    values = [1e16, 1.0, -1e16, 1.0]
    assert summary(values).mean == 0.5
    assert sum(values) / 4 != 0.5


def test_slope_is_per_second_on_long_times():
    start = 400 * 86400 * S
    times = [start + i * S // 10 for i in range(100)]
    assert summary([0.25 * i / 10 for i in range(100)], times).slope == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize("values", [[], [5.0], [5.0, 5.0]])
def test_an_undefined_statistic_is_none(values):
    found = summary(values)
    assert found.n == len(values)
    assert found.mean == (5.0 if values else None)
    assert found.sd == (0.0 if len(values) == 2 else None)
    assert found.lag1 is None
    assert summarise([1.0, 2.0], Axis([7, 7])).slope is None


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_not_finite_is_refused(bad):
    with pytest.raises(ArgumentError, match="values: all values must be finite, number 2 is "):
        summary([1.0, bad])


def test_scaled_is_the_summary_of_the_scaled_values():
    values = [3.0, 1.5, 2.25, 9.0]
    direct, shifted = summary([-2.0 * v + 1.0 for v in values]), scaled(summary(values), -2.0, 1.0)
    for name in ("n", "mean", "sd", "minimum", "maximum", "slope", "lag1", "last"):
        assert getattr(shifted, name) == pytest.approx(getattr(direct, name), rel=1e-14), name


@pytest.mark.parametrize(
    ("times", "start", "end", "longest"),
    [([], 0, 7, 7), ([1, 2], 0, 9, 7), ([3, 4], 0, 5, 3), ([2, 8], 0, 9, 6)],
)
def test_the_longest_interval_counts_the_edges(times, start, end, longest):
    assert longest_interval(times, start, end) == longest


def test_the_published_ratio_is_the_ratio_of_means_and_the_mean_of_ratios_is_kept_beside_it():
    # Torque 10, 30 at speed 10, 20: stress 20, 60; rate 5, 10. Ratio of means 40/7.5, mean of ratios (4 + 6)/2.
    columns = columns_of([(10.0, 10.0, 25.0), (30.0, 20.0, 25.0)])
    found = span_summaries(columns, columns.between(-1, 10 * S), (STRESS, RATE, VISCOSITY))["viscosity"]
    assert found.mean == pytest.approx(1000 * 40 / 7.5, rel=1e-15)
    assert found.mean_of_ratios == pytest.approx(1000 * 5.0, rel=1e-15)
    both = span_summaries(columns, columns.between(-1, 10 * S), (STRESS, RATE, VISCOSITY))
    assert found.mean == pytest.approx(1000 * both["stress"].mean / both["rate"].mean, rel=1e-15)


def test_a_ratio_is_left_out_where_it_is_not_defined():
    columns = columns_of([(10.0, 0.0, 25.0), (30.0, 20.0, 25.0)])
    found = span_summaries(columns, columns.between(-1, 10 * S), (STRESS, RATE, VISCOSITY))["viscosity"]
    assert (found.n, found.mean_of_ratios) == (1, 6000.0)
    still = columns_of([(10.0, 0.0, 25.0), (30.0, 0.0, 25.0)])
    assert span_summaries(still, still.between(-1, 10 * S), (STRESS, RATE, VISCOSITY))["viscosity"].mean is None
    tiny = columns_of([(1e30, 1e-300, 25.0), (30.0, 20.0, 25.0)])
    assert span_summaries(tiny, tiny.between(-1, 10 * S), (STRESS, RATE, VISCOSITY))["viscosity"].n == 1


def test_minus_zero_becomes_zero():
    columns = columns_of([(-0.0, 12.0, 25.0), (-0.0, 12.0, -0.0), (0.0, -12.0, 25.0)])
    for name, found in span_summaries(columns, columns.between(-1, 10 * S), (STRESS, RATE, VISCOSITY)).items():
        for field in ("mean", "minimum", "maximum", "last"):
            value = getattr(found, field)
            assert value != 0.0 or math.copysign(1.0, value) == 1.0, (name, field)


@pytest.mark.parametrize("n", range(1, 9))
@pytest.mark.parametrize("per_second", [0.1, 0.5, 1.0, 5.0])
def test_a_span_of_few_readings_on_a_turning_rotor_has_a_summary(n, per_second):
    rng = random.Random(f"few {n} {per_second}")
    times = [round(i * 0.3e9) for i in range(n)]
    for values in ([50.0] * n, [50.0 + rng.gauss(0.0, 1.0) for _ in range(n)]):
        found = summarise(values, Axis(times, per_second))
        assert (found.n, found.mean) == (n, pytest.approx(math.fsum(values) / n))
        assert found.ripple is None or n > 4
