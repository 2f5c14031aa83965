"""Fixed limits of a control chart hold for the serial numbers of the geometries from whose points they were fixed."""

import random
from dataclasses import replace

import pytest

from daq.adapters.store.records import Change, newest_revision
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.records.checks.controls import fixed_control_limits
from daq.app.setup.fitted import Fit, fitted_as, with_fit
from daq.laboratory.chartlimits import ChartLimits, ChartName, control_quantity
from daq.laboratory.controlchart import FixedLimits, Point, control_chart
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import Measured, make_charted, verified

SERIALS = ("", "A", "B")
NAME = ChartName(product="clear-glaze", geometry="coaxial-12", quantity="viscosity")
FIXED = {"product": "clear-glaze", "last": 25, "because": "a month without a change"}
CONTROL = {"fluid": "house-oil", "instrument": "bench-1", "quantity": "control, lot HO-3", "last": 25, "because": "new"}


def point(number, serials):
    return Point(
        f"G-{number}", number, 800.0 + number % 7, (f"r-{number}",), False, "Good", "m", "mPa.s", serials=serials
    )


def limits(serials):
    record = ChartLimits(
        id=NAME.id, chart=NAME, method="m", unit="mPa.s", centre=803.0, sigma=2.0, count=20, runs=("r",), first="G-0",
        last="G-19", serials=serials,
    )  # fmt: skip
    return FixedLimits(record, "m.keeper", "2026-01-01", "new")


def test_limits_never_judge_a_point_of_another_serial_number():
    rng = random.Random(4)
    judged = []
    for _ in range(300):
        known = tuple(rng.sample(SERIALS, rng.randrange(1, 3)))
        used = rng.sample(SERIALS, rng.randrange(1, 3))
        points = [
            point(n, tuple(rng.sample(used, rng.randrange(1, len(used) + 1)))) for n in range(rng.randrange(1, 30))
        ]
        chart = control_chart(NAME, points, limits(known))
        is_fixed = chart.lines is not None and chart.lines.fixed
        assert is_fixed == all(serial in known for p in points for serial in p.serials)
        if not is_fixed:
            assert chart.origin[0].code == "chart_limits_other"
            assert "serial number of the geometry" in chart.origin[0].text
        judged.append(is_fixed)
    assert 50 < sum(judged) < 250


def measured(count, serial, changes=None):
    geometry = {"geometry": {"name": "coaxial-12", "vessel": None, "serial": serial or None}}
    rng = random.Random(serial)
    return [Measured(f"G-{serial}{n}", rng.gauss(800.0, 5.0), changes=geometry | (changes or {})) for n in range(count)]


@pytest.mark.slow
@pytest.mark.parametrize(("own", "other"), [("A", "B"), ("", "A"), ("B", "")])
def test_the_chart_of_an_exchanged_geometry_does_not_use_the_limits_of_the_one_before(tmp_path, own, other):
    make_charted(tmp_path / "daq.db", [*measured(25, other), *measured(25, own)])
    with laboratory(tmp_path) as lab:
        carry_out(lab, "chart_limits_fix", FIXED)
        with lab.reader() as reader:
            product = lab.catalogue.product("clear-glaze")
            charts = {last: product_charts(reader, product, last=last)[0] for last in (20, 25, 26, 50)}
    assert {last: chart.lines.fixed for last, chart in charts.items()} == {20: True, 25: True, 26: False, 50: False}


def without_serials(lab):
    """Store the newest limits once more, as they were stored before serial numbers were."""
    with lab.reader() as reader:
        (row,) = reader.query("SELECT kind, id FROM records WHERE kind = 'chart_limits'", [])
        kind, ident = row["kind"], row["id"]
        stored = newest_revision(reader, kind, ident)
    data = {k: v for k, v in stored.data.items() if k != "serials"}
    assert data != stored.data
    lab.change(Change(kind, ident, "chart_limits_fixed", data, (), stored.revision), because="as before")


@pytest.mark.parametrize("own", ["A", *(pytest.param(s, marks=pytest.mark.slow) for s in ("", "B"))])
def test_limits_from_before_serial_numbers_hold_for_those_of_their_results(tmp_path, own):
    """The chart and the judgement of a control agree."""
    level = {"step": "control", "measured": 1.0, "reason": None, "deviation_percent": None}
    part = {"kind": "control", "fluid": "house-oil", "lot": "HO-3", "condition": "as_found"}
    runs = [
        Measured("house-oil", r.value, product="", changes=r.changes | {"verification": part | {"levels": [level | {"measured": r.value}]}})
        for r in measured(25, own)
    ]  # fmt: skip
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab:
        carry_out(lab, "chart_limits_fix", CONTROL)
        without_serials(lab)
        bench = lab.catalogue.instrument("bench-1").model_copy(update={"simulated": False})
        fluid = lab.catalogue.fluid("house-oil")
        fits = [Fit(fitted_as(lab.catalogue, bench, "coaxial-12", fitted), 1, "m.keeper", 0) for fitted in SERIALS]
        with lab.reader() as reader:
            found = [fixed_control_limits(reader, with_fit(bench, fit), fluid) for fit in fits]
            (chart,) = verification_charts(reader, "house-oil", "bench-1", last=25)
    assert [f.limits is not None for f in found] == [own == fitted for fitted in SERIALS]
    assert chart.lines.fixed


@pytest.mark.slow
@pytest.mark.parametrize("own", SERIALS)
def test_the_limits_of_controls_judge_runs_with_the_same_serial_number(tmp_path, own):
    level = {"step": "control", "measured": 1.0, "reason": None, "deviation_percent": None}
    part = {"kind": "control", "fluid": "house-oil", "lot": "HO-3", "condition": "as_found"}
    runs = [
        Measured("house-oil", r.value, product="", changes=r.changes | {"verification": part | {"levels": [level | {"measured": r.value}]}})
        for r in measured(25, own)
    ]  # fmt: skip
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab:
        carry_out(lab, "chart_limits_fix", CONTROL)
        bench = lab.catalogue.instrument("bench-1").model_copy(update={"simulated": False})
        fits = [Fit(fitted_as(lab.catalogue, bench, "coaxial-12", fitted), 1, "m.keeper", 0) for fitted in SERIALS]
        with lab.reader() as reader:
            fluid = lab.catalogue.fluid("house-oil")
            found = [fixed_control_limits(reader, with_fit(bench, fit), fluid) for fit in fits]
    # An answer without limits keeps those of the fluid's file out.
    assert [f.limits is not None for f in found] == [own == fitted for fitted in SERIALS]


@pytest.mark.parametrize("known", [None, ("",), ("A",), ("B", ""), ("A", "B")])
def test_limits_of_other_serial_numbers_leave_a_control_without_limits(tmp_path, known):
    """Without any the file's limits count.  Limits from before serial numbers (None) whose results are unknown have none."""
    with laboratory(tmp_path) as lab:
        fluid = lab.catalogue.fluid("house-oil")
        bench = lab.catalogue.instrument("bench-1").model_copy(update={"simulated": False})
        fits = {
            s: with_fit(bench, Fit(fitted_as(lab.catalogue, bench, "coaxial-12", s), 1, "m.keeper", 0)) for s in SERIALS
        }
        with lab.reader() as reader:
            assert fixed_control_limits(reader, fits["A"], fluid) is None
        name = ChartName(
            fluid="house-oil", instrument="bench-1", geometry="coaxial-12", quantity=control_quantity(fluid.lot)
        )
        record = limits(known or ("",)).record.model_copy(update={"id": name.id, "chart": name})
        stored = new(record, "chart_limits_fixed")
        if known is None:
            stored = replace(stored, data={k: v for k, v in stored.data.items() if k != "serials"})
        lab.change(stored, because="new")
        with lab.reader() as reader:
            found = {s: fixed_control_limits(reader, bench, fluid) for s, bench in fits.items()}
    assert {s: f.limits is not None for s, f in found.items()} == {s: s in (known or ("",)) for s in SERIALS}


def test_a_chart_of_verifications_names_the_serial_numbers_of_its_points(tmp_path):
    make_charted(tmp_path / "daq.db", measured(3, "A", verified(0.1)))
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        (chart,) = verification_charts(reader, "house-fluid", "bench-1", last=20)
    assert [p.serials for p in chart.points] == [("A",)] * 3
