"""Correction to a reference temperature: the product's own curve, never beyond its range, beside the value as measured."""

import math
import random
from dataclasses import replace
from pathlib import Path

import pytest

from daq.core.errors import SettingError
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.statistics import Axis, summarise
from daq.methods.concluding.conclude import conclude
from daq.methods.files.load import load_product
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from tests.support.runs.examples import example, facts, flat, kept, load_changed, plan_of
from tests.support.runs.whole_runs import run
from tests.support.statements import parameters

CONSTANTS = """[temperature_curve]
reference = 25.0
b = 3800.0
low = 20
high = 30
uncertainty = "4 %"
"""


def product_with(folder, text):
    """Clear glaze with another curve."""
    whole = Path(example("products/clear-glaze.toml").source).read_text(encoding="utf-8")
    head = whole.partition("# How the viscosity changes")[0]
    path = folder / "glaze.toml"
    path.write_text(head + text, encoding="utf-8")
    return load_product(path)


def corrected(product, celsius, viscosity=800.0, **more):
    plan = plan_of("clear-glaze-qc", "bench-1", product=product, **more)
    values = {
        "torque": flat(55.0), "viscosity": flat(viscosity, sd=0.5), "temperature": flat(celsius), "speed": flat(30.0),
    }  # fmt: skip
    return conclude(plan, facts([kept(values)]))


def test_the_factor_is_that_of_the_law(tmp_path):
    # ln(eta) = a + b/T: 24 to 25 degC makes exp(3800 (1/298.15 - 1/297.15)) = 0.95803.
    factor = math.exp(3800 * (1 / 298.15 - 1 / 297.15))
    c = corrected(product_with(tmp_path, CONSTANTS), 24.0)
    assert c.value == 800.0
    assert c.corrected.factor == pytest.approx(factor, rel=1e-12)
    assert c.corrected.value == pytest.approx(800.0 * factor, rel=1e-12)
    assert (c.corrected.measured_celsius, c.corrected.reference_celsius) == (24.0, 25.0)
    # 2 % standard uncertainty of b over one kelvin of 4.3 % are 0.086 %: next to nothing beside the instrument's.
    relative = c.uncertainty.expanded / c.uncertainty.k / 800.0
    assert c.corrected.expanded / c.corrected.k / c.corrected.value == pytest.approx(
        math.hypot(relative, math.log(factor) * 0.02), rel=1e-9
    )


def test_vogel_fulcher_tammann(tmp_path):
    text = CONSTANTS.replace("b = 3800.0", 'law = "vft"\nb = 700.0\nt0 = 180.0')
    c = corrected(product_with(tmp_path, text), 22.0)
    assert c.corrected.factor == pytest.approx(math.exp(700 / (298.15 - 180) - 700 / (295.15 - 180)), rel=1e-12)


def test_never_beyond_the_curve(tmp_path):
    c = corrected(product_with(tmp_path, CONSTANTS), 31.0)
    assert (c.value, c.corrected.value, c.corrected.factor) == (800.0, None, None)
    found = parameters([c.corrected.reason], "outside_temperature_curve")
    assert found == {"temperature": 31.0, "low": 20.0, "high": 30.0}


def lost_ends(count):
    """Return both ends (hundredths Cel) of a curve, and a mean of readings on one, which binary arithmetic loses."""
    rng, out = random.Random("edges of the curve"), []
    while len(out) < count:
        low, high, side = rng.randrange(1500, 2400), rng.randrange(2600, 3500), rng.choice((-1, 1))
        edge, n = (low if side < 0 else high) / 100, rng.randrange(2, 40)
        mean = summarise([edge] * n, Axis([i * 10**9 for i in range(n)])).mean
        if side * (mean - edge) > 0.0:
            out.append((low / 100, high / 100, edge, mean, mean + side * 1e-6))
    return out


@pytest.mark.parametrize(("low", "high", "edge", "mean", "beyond"), lost_ends(5))
def test_a_temperature_on_the_edge_of_the_curve_is_corrected(tmp_path, low, high, edge, mean, beyond):
    """A run of an older daq keeps its rule."""
    product = product_with(
        tmp_path, CONSTANTS.replace("low = 20", f"low = {low}").replace("high = 30", f"high = {high}")
    )
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)

    def at(celsius, checks=CHECKS):
        values = {"torque": flat(55.0), "viscosity": flat(800.0, sd=0.5), "speed": flat(30.0)}
        made = facts([kept(values | {"temperature": flat(celsius)})])
        return conclude(plan, replace(made, checks=checks)).corrected

    factor = math.exp(3800 * (1 / 298.15 - 1 / (273.15 + edge)))
    assert at(mean).value == pytest.approx(800.0 * factor, rel=1e-12)
    for found in (at(mean, DECIMAL_EDGES - 1), at(beyond)):
        assert (found.value, found.reason.code) == (None, "outside_temperature_curve")


def test_only_for_what_the_curve_was_measured_with(tmp_path):
    c = corrected(product_with(tmp_path, CONSTANTS + "speed = 10\n"), 24.0)
    assert c.corrected.value is None
    assert parameters([c.corrected.reason], "curve_at_other_speed") == {"wanted": 10.0, "speed": 20.0}
    c = corrected(product_with(tmp_path, CONSTANTS + 'geometry = "coaxial-15"\n'), 24.0)
    found = parameters([c.corrected.reason], "curve_of_other_geometry")
    assert found == {"wanted": "coaxial-15", "fitted": "coaxial-12"}


def test_measured_points_are_fitted_and_say_how_well(tmp_path):
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    curve = plan.context.temperature_curve
    # Points of 800 mPa.s exp(3800 (1/T - 1/298.15)), rounded as a person would write them.
    assert curve.b == pytest.approx(3800.0, rel=0.02)
    assert (curve.low, curve.high) == (15.0, 35.0)
    assert 0.0 < curve.relative_u < 0.02


def test_without_a_curve_there_is_no_correction():
    assert corrected("white-glaze", 25.0).corrected is None
    no_value = conclude(plan_of("clear-glaze-qc", "bench-1", product="clear-glaze"), facts([]))
    assert no_value.corrected.value is None


def test_it_stands_beside_the_measured_value_in_the_result(tmp_path):
    product = product_with(tmp_path, CONSTANTS)
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    data = ResultData.build(plan, corrected(product, 24.0), RunDetails(run="r", sample=Sample(id="s")))
    assert data.value == 800.0
    assert data.corrected.value == pytest.approx(766.4, abs=0.1)
    # The verdict is on the value as measured: at 24 degC the limits, bound to 25 ± 0.3, do not hold.
    assert data.verdict.verdict == "not_comparable"
    flat_form = flattened(data.model_dump(mode="json"))
    assert (flat_form["corrected_value"], flat_form["corrected_reference_celsius"]) == (data.corrected.value, 25.0)


def test_end_to_end_a_warmer_and_a_cooler_sample_come_to_the_same(tmp_path):
    """The simulated glaze follows b = 3800 K: its true viscosity at 25 Cel is 800 mPa.s whatever its temperature."""
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ("band = 0.2 ", "band = 6.0 "))
    for celsius in (22.0, 28.0):
        c, _ = run(method, "bench-1", "clear-glaze", product="clear-glaze", temperature=celsius)
        assert abs(c.value - 800.0) > 60.0
        assert abs(c.corrected.value - 800.0) < c.corrected.expanded
        assert c.verdict.verdict == "not_comparable"


@pytest.mark.parametrize(
    ("edit", "key", "reason"),
    [
        (("b = 3800.0\n", ""), "b", "is missing: give measured points, or the constants with their range"),
        (("low = 20", "low = 31"), "low", "low (31) must be below high (30)"),
        (("reference = 25.0", "reference = 40"), "reference", "40 Cel is outside of the curve (20 to 30 Cel)"),
        (("b = 3800.0", "b = 700.0\nt0 = 180"), "t0", "belongs to law = 'vft'"),
        (("b = 3800.0", 'law = "vft"\nb = 700.0\nt0 = 300'), "t0", "must be below the range"),
        (
            ("low = 20\nhigh = 30", "points = [{ temperature = 20, viscosity = '900 mPa.s' }]"),
            "b", "is given by the points; leave it out, or leave the points out",
        ),
        (
            ("b = 3800.0\nlow = 20\nhigh = 30", "points = [{ temperature = 20, viscosity = '900 mPa.s' }]"),
            "points", "needs at least 2 different temperatures for andrade",
        ),
        (
            ("b = 3800.0\nlow = 20\nhigh = 30", "points = [{ temperature = 20, viscosity = '900' }]"),
            "points[0].viscosity", "is a viscosity above 0 with its unit, for example '800 mPa.s'",
        ),
    ],
)  # fmt: skip
def test_a_wrong_curve_is_refused(tmp_path, edit, key, reason):
    with pytest.raises(SettingError) as caught:
        product_with(tmp_path, CONSTANTS.replace(*edit))
    assert caught.value.key == f"temperature_curve.{key}"
    assert reason in caught.value.reason


def test_points_that_make_no_curve_are_refused_before_the_run(tmp_path):
    points = [(20, 900), (25, 900), (30, 900)]
    rows = ", ".join(f"{{ temperature = {t}, viscosity = '{v} mPa.s' }}" for t, v in points)
    product = product_with(tmp_path, f'[temperature_curve]\nreference = 25.0\nlaw = "vft"\npoints = [{rows}]\n')
    with pytest.raises(SettingError, match="no Vogel curve") as caught:
        plan_of("clear-glaze-qc", "bench-1", product=product)
    assert caught.value.key == "temperature_curve.points"
