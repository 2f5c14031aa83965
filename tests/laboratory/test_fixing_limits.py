"""Limits that a person fixes: stored with their reason, used from then on, and only where they apply."""

from dataclasses import replace

import numpy as np
import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.records import revisions
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.lists.charting import product_charts
from daq.app.laboratory.lists.kept_limits import fixed_limits
from daq.app.records.checks.controls import fixed_control_limits
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.chartlimits import ChartLimits
from daq.quality.charts import individuals_chart
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import Measured, make_charted, verified
from tests.support.runs.stored import METHOD_DIGEST

ORDER = {"product": "clear-glaze", "last": 25, "because": "a month without a change"}
ID = "product clear-glaze, coaxial-12, viscosity"


def normal(count, mean=800.0, first=0, seed=3, **more):
    rng = np.random.default_rng(seed)
    return [Measured(f"G-{first + i}", float(mean + 10 * rng.standard_normal()), **more) for i in range(count)]


def charted(lab, last=20):
    with lab.reader() as reader:
        return product_charts(reader, lab.catalogue.product("clear-glaze"), last=last)[0]


def test_limits_are_computed_from_the_points_and_kept_with_the_reason(tmp_path):
    runs = normal(30)
    make_charted(tmp_path / "daq.db", runs)
    assert ACTS["chart_limits_fix"].role == "review"
    with laboratory(tmp_path) as lab:
        done = carry_out(lab, "chart_limits_fix", ORDER)
        kept = lab.get(ChartLimits, ID)
        expected = individuals_chart([r.value for r in runs[-25:]])
        assert (kept.record.centre, kept.record.sigma) == (expected.centre, expected.sigma)
        assert (kept.who, kept.because, kept.what) == ("m.keeper", ORDER["because"], "chart_limits_fixed")
        assert (kept.record.count, kept.record.first, kept.record.last) == (25, "G-5", "G-29")
        assert done["lower"] == expected.lower
        chart = charted(lab)
        assert (chart.lines.fixed, chart.lines.upper) == (True, expected.upper)
        assert [s.code for s in chart.origin] == ["chart_limits_fixed"]
        assert ORDER["because"] in chart.origin[0].text
        carry_out(lab, "chart_limits_fix", ORDER | {"last": 20, "because": "again"})
        with lab.reader() as reader:
            assert [r.because for r in revisions(reader, "chart_limits", ID)] == [ORDER["because"], "again"]
    with Stored(tmp_path / "daq.db") as stored:
        assert [d.text for d in Comparison().of(stored) if d.table in ("records", "record_keys", "audit")] == []


def test_a_shift_after_the_limits_were_fixed_is_a_signal_from_the_first_points_on(tmp_path):
    shifted = normal(20, 840.0, first=25, seed=8)
    make_charted(tmp_path / "daq.db", [*normal(25), *shifted])
    with laboratory(tmp_path) as lab:
        # Trial limits from the shifted points themselves hide the shift.
        assert "chart_one_beyond_3s_high" not in {f.code for f in charted(lab).findings}
        order = ORDER | {"last": 45, "without": [r.sample for r in shifted]}
        carry_out(lab, "chart_limits_fix", order)
        chart = charted(lab)
        assert len(chart.points) == 20
        assert {"chart_one_beyond_3s_high", "chart_nine_one_side_high", "chart_ewma_high"} <= {
            f.code for f in chart.findings
        }


@pytest.mark.parametrize(
    ("change", "aspects"),
    [
        ({"method": {"id": "glaze-flow", "version": "2", "digest": METHOD_DIGEST, "choices": {}}}, ("method",)),
        ({"unit": "Pa.s"}, ("unit",)),
    ],
)
def test_limits_of_another_method_or_unit_are_not_used_and_that_is_stated(tmp_path, change, aspects):
    make_charted(tmp_path / "daq.db", [*normal(25), *normal(12, first=25, changes=change)])
    with laboratory(tmp_path) as lab:
        newer = tuple(f"G-{i}" for i in range(25, 37))
        carry_out(lab, "chart_limits_fix", ORDER | {"without": newer})
        chart = charted(lab)
        assert (chart.lines.fixed, [p.name for p in chart.points]) == (False, list(newer))
        assert [s.code for s in chart.origin] == ["chart_limits_other", "chart_limits_trial"]
        assert chart.origin[0].parameters["aspects"] == aspects


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({"last": 19}, "19 points .* at least 20"),
        ({"without": [f"G-{i}" for i in range(8)]}, "at least 20"),
        ({"because": ""}, "because: must not be empty"),
        ({"product": ""}, "needs a product, or a fluid with an instrument"),
        ({"fluid": "reference-b"}, "needs a product, or a fluid with an instrument"),
        ({"product": "", "fluid": "reference-b"}, "needs a product, or a fluid with an instrument"),
        ({"product": "clear-glase"}, "did you mean 'clear-glaze'"),
        ({"geometry": "none"}, "such charts|0 points"),
        ({"last": 0}, "last"),
        ({"last": 1001}, "last"),
        ({"centre": 800.0}, "centre: is not a known key"),
    ],
)
def test_a_wrong_order_is_refused_and_changes_nothing(tmp_path, order, expected):
    make_charted(tmp_path / "daq.db", normal(27))
    with laboratory(tmp_path) as lab:
        with lab.reader() as reader:
            before = len(reader.audit())
        with pytest.raises(SettingError, match=expected):
            carry_out(lab, "chart_limits_fix", ORDER | order)
        with lab.reader() as reader:
            assert len(reader.audit()) == before


def test_equal_points_and_several_charts_are_refused(tmp_path):
    other = {"geometry": {"name": "coaxial-25", "vessel": None}}
    runs = [Measured(f"G-{i}", 800.0, changes=other if i % 2 else {}) for i in range(50)]
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab:
        with pytest.raises(SettingError, match="there are 2 such charts; choose one of: .*coaxial-12"):
            carry_out(lab, "chart_limits_fix", ORDER)
        with pytest.raises(SettingError, match="all points of .* are equal"):
            carry_out(lab, "chart_limits_fix", ORDER | {"geometry": "coaxial-25"})


def test_limits_of_verifications_are_fixed_the_same_way(tmp_path):
    rng = np.random.default_rng(5)
    make_charted(
        tmp_path / "daq.db", [Measured(f"V-{i}", 1.0, changes=verified(float(rng.normal(0, 0.1)))) for i in range(22)]
    )
    order = {"fluid": "house-fluid", "instrument": "bench-1", "last": 22, "because": "new bearing"}
    with laboratory(tmp_path) as lab:
        done = carry_out(lab, "chart_limits_fix", order)
        assert (done["id"], done["unit"]) == ("fluid house-fluid on bench-1, coaxial-12, deviation level-1", "%")
        assert lab.get(ChartLimits, done["id"]).record.keys() == (
            ("fluid", "house-fluid"), ("instrument", "bench-1"),
        )  # fmt: skip


@pytest.mark.parametrize("simulated", [False, True])
def test_limits_from_simulated_points_hold_for_simulated_points_only(tmp_path, simulated):
    make_charted(tmp_path / "daq.db", normal(25, simulated=simulated))
    with laboratory(tmp_path) as lab:
        carry_out(lab, "chart_limits_fix", ORDER)
        assert lab.get(ChartLimits, ID).record.simulated is simulated
        assert charted(lab).lines.fixed is True
        with lab.reader() as reader:
            name = lab.get(ChartLimits, ID).record.chart
            points = charted(lab).points
            found = [
                fixed_limits(Releases(reader), name, [replace(p, simulated=other) for p in points])
                for other in (False, True)
            ]
    assert [f is not None for f in found] == [not simulated, simulated]


@pytest.mark.parametrize("simulated", [False, True])
def test_a_control_of_a_real_instrument_is_not_judged_by_simulated_limits(tmp_path, simulated):
    level = {"measured": 480.0, "reason": None, "deviation_percent": None, "step": "reading"}
    part = {"kind": "control", "fluid": "house-oil", "lot": "HO-3", "condition": "as_found", "levels": [level]}
    runs = [
        replace(
            r,
            sample="house-oil",
            product="",
            changes={"verification": part | {"levels": [level | {"measured": r.value}]}},
        )
        for r in normal(25, 480.0, simulated=simulated)
    ]
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab:
        order = {
            "fluid": "house-oil",
            "instrument": "bench-1",
            "quantity": "control, lot HO-3",
            "last": 25,
            "because": "new",
        }
        carry_out(lab, "chart_limits_fix", order)
        bench = lab.catalogue.instrument("bench-1").with_fitted("coaxial-12")
        with lab.reader() as reader:
            found = [
                fixed_control_limits(
                    reader, bench.model_copy(update={"simulated": other}), lab.catalogue.fluid("house-oil")
                )
                for other in (False, True)
            ]
    assert [f is not None for f in found] == [not simulated, simulated]
