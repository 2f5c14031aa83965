"""Published control charts, capabilities and critical ranges, from runs in a database through the charting function.

Cases and figures are those of the tables in tests/reference, which name their sources.  Critical ranges: ISO 5725-6,
4.1.4, f(n) = 2.77, 3.31, 3.63 for 2, 3 and 4 results.
"""

import math

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangeRecords
from daq.adapters.store.store import Store
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.lists.charting import product_charts
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.chartlimits import ChartLimits
from daq.methods.files.product import Replicates
from daq.quality.chartsignals import LENGTHS
from tests.support.reference.tables import EXPECTED, INPUTS
from tests.support.runs.charted import Measured, limited, make_charted
from tests.support.runs.stored import T0

PRODUCT = Catalogue.load(examples_dir()).product("clear-glaze")
RUN_RULES = sorted(case for case in INPUTS if case.startswith("STA-RULE"))


def stored(folder, values, **more):
    return make_charted(folder / "daq.db", [Measured(f"G-{i}", value, **more) for i, value in enumerate(values)])


def chart_of(path, count=100, product=PRODUCT):
    with Reader(path) as reader:
        (chart,) = product_charts(reader, product, last=count)
    return chart


def fixed(path, centre, sigma):
    """Store limits that a person fixed, and return the chart with them."""
    chart = chart_of(path)
    record = ChartLimits(
        id=chart.name.id,
        chart=chart.name, method=chart.method, unit=chart.unit, centre=centre, sigma=sigma, count=20, runs=("r",),
        first="a", last="b",
    )  # fmt: skip
    with Store(path) as store:
        store.submit(ChangeRecords((new(record, "chart_limits_fixed"),), T0, "m.keeper", "phase one")).result(10)
    return chart_of(path)


def published(case):
    """Return the published figures of a case, each with its tolerance."""
    return {e.quantity: e for e in EXPECTED if e.case == case}


def test_individuals_and_moving_range(tmp_path):
    chart, expected = chart_of(stored(tmp_path, INPUTS["STA-IMR-01"]["values"])), published("STA-IMR-01")
    lines = chart.lines
    found = {
        "mean": lines.centre,
        "MRbar": lines.mean_moving_range,
        "UCL_exact_d2": lines.upper,
        "UCL_MR": lines.moving_range_upper,
    }
    for name, value in found.items():
        assert expected[name].holds(value), name
    # The source rounds d2 to 1.128.
    assert 3 * lines.mean_moving_range / INPUTS["STA-IMR-01"]["d2"] + lines.centre == pytest.approx(55.8041, abs=1e-4)
    assert 2 * lines.centre - lines.upper == pytest.approx(lines.lower)


def test_exponentially_weighted_moving_average(tmp_path):
    lines = fixed(stored(tmp_path, INPUTS["STA-EWMA-01"]["values"]), 50.0, 2.0539).lines
    expected = published("STA-EWMA-01")
    found = {
        "UCL": lines.average_upper[-1],
        "LCL": lines.average_lower[-1],
        "ewma_1": lines.averages[0],
        "ewma_2": lines.averages[1],
        "ewma_last": lines.averages[-1],
    }
    assert set(found) == set(expected)
    for name, value in found.items():
        assert expected[name].holds(value), name


@pytest.mark.parametrize("case", RUN_RULES)
def test_run_rules(tmp_path, case):
    path = stored(tmp_path, [800.0 + 10.0 * z for z in INPUTS[case]["z"]])
    chart, expected = fixed(path, 800.0, 10.0), published(case)
    compared = [rule for rule in LENGTHS if rule in expected]
    assert len(compared) >= 5
    for rule in compared:
        # A published index is that of the point that completes the rule; a signal names all of its points.
        own = [s for s in chart.signals if s.rule == rule]
        first = expected[rule].value
        assert bool(own) == (first >= 0), rule
        assert not own or first in own[0].points, rule


def test_capability(tmp_path):
    given, expected = INPUTS["STA-CAP-01"], published("STA-CAP-01")
    # Twenty values with exactly the published mean and standard deviation, in an order without a signal.
    half = given["s"] * math.sqrt(19 / 20)
    signs = [1, -1, -1, 1, 1, 1, -1, 1, -1, -1, 1, -1, 1, 1, -1, -1, 1, -1, -1, 1]
    assert sum(signs) == 0
    values = [given["mean"] + sign * half for sign in signs]
    found = chart_of(stored(tmp_path, values, changes=limited(given["LSL"], given["USL"]))).capability
    indices = {index.name: index.value for index in found.indices}
    assert expected["Cp"].holds(next(v for n, v in indices.items() if n in ("Cp", "Pp")))
    assert expected["Cpk"].holds(next(v for n, v in indices.items() if n in ("Cpk", "Ppk")))
    assert expected["ppm_out_of_limits"].holds(1e6 * found.outside)


@pytest.mark.parametrize(("count", "factor"), [(2, 2.77), (3, 3.31), (4, 3.63)])
@pytest.mark.parametrize("share", [0.995, 1.005])
def test_replicates_are_averaged_within_the_published_critical_range(tmp_path, count, factor, share):
    sigma = 3.0
    replicates = {"count": 2, "most": count, "repeatability_limit": f"{2.77 * sigma} mPa.s"}
    product = PRODUCT.model_copy(update={"replicates": Replicates.model_validate(replicates)})
    # Each result before the last one leaves the critical range of its number exceeded, so the last one decides.
    spread = factor * sigma * share
    values = [800.0, 800.0 + spread, *[800.0 + 0.25 * spread] * (count - 2)]
    runs = [Measured("G-1", value, fill=f"F-{i}") for i, value in enumerate(values)]
    agreed = share < 1
    with Reader(make_charted(tmp_path / "daq.db", runs, product=product)) as reader:
        (chart,) = product_charts(reader, product, last=20)
    middle = sorted(values)
    median = (middle[(count - 1) // 2] + middle[count // 2]) / 2
    (point,) = chart.points
    assert point.value == pytest.approx(sum(values) / count if agreed else median)
