"""A value that a person rejected, or that a verification put in doubt, is no point of a chart of its product."""

import json

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.records import Change
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.laboratory.lists.precision_study import precision_study
from daq.core.errors import SettingError
from daq.laboratory.chartlimits import ChartLimits
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import EMPTY_RESULT, Measured, make_charted, run_id
from tests.support.runs.stored import T0
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab, verify


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        found.keep(*SAMPLES)
        yield found


def charted(lab):
    """Return the points, and the samples that are none with the codes of the reasons."""
    with lab.lab.reader() as reader:
        (chart,) = product_charts(reader, lab.lab.catalogue.product("clear-glaze"), last=20)
    return [p.name for p in chart.points], {x.name: [s.code for s in x.why] for x in chart.left_out}


def test_a_rejected_value_is_no_point_until_a_review_lifts_that(lab):
    first, second, third = SAMPLES
    assert charted(lab) == ([first, second, third], {})
    lab.sign(lab.runs[0], meaning="rejected", because="a bubble")
    lab.sign(f"{second}/clear-glaze-qc", of="reportable", meaning="rejected", because="a lump")
    assert charted(lab) == ([third], {first: ["rejected_by"], second: ["rejected_by"]})
    lab.sign(lab.runs[0], meaning="reviewed", because="it was the bubble of another cup")
    assert charted(lab) == ([first, third], {second: ["rejected_by"]})


@pytest.mark.parametrize(
    ("kind", "code"), [("verification", "verification_failed_after"), ("control", "control_failed_after")]
)
def test_a_value_in_doubt_is_no_point_until_a_person_upholds_it(lab, kind, code):
    verify(lab.lab.store, "failed", passed=False, kind=kind)
    assert charted(lab) == ([], {name: [code] for name in SAMPLES})
    lab.do("doubt_decide", run=lab.runs[1], verification="failed", decision="upheld", because="the same on bench-2")
    assert charted(lab) == ([SAMPLES[1]], {name: [code] for name in (SAMPLES[0], SAMPLES[2])})
    # The precision of a method takes and leaves out the same values.
    with lab.lab.reader() as reader:
        found = {s: [x.why[0].code for x in precision_study(reader, s).left_out] for s in SAMPLES}
    assert found == {SAMPLES[0]: [code], SAMPLES[1]: [], SAMPLES[2]: [code]}


CORRECTIONS = {
    "advice": {"advice": ["x"]},
    "corrected": {"value": 803.5},
    "other sample": {"sample": {"id": "G-90", "product": "clear-glaze"}},
    "other product": {"sample": {"id": "G-7", "product": "matt-glaze"}},
    "other geometry": {"geometry": {"name": "coaxial-15", "vessel": None}},
    "other quantity": {"quantity": "yield_stress"},
    "other version": {"method": EMPTY_RESULT["method"] | {"version": "2"}},
    "a control": {"verification": {"kind": "control", "fluid": "house-oil", "lot": "1", "levels": []}},
}
"""Parts of a result as a correction may have them; only the first makes no other point."""


@pytest.mark.parametrize("event", ["rejected", "doubtful", *CORRECTIONS])
def test_fixed_limits_name_the_points_that_do_not_count_any_more(tmp_path, event):
    """Each event is about one of the 25 points, after the limits were fixed; one that changes no value names nothing."""
    runs = [Measured(f"G-{i}", 800.0 + (i * 7 % 5)) for i in range(25)]
    make_charted(tmp_path / "daq.db", runs)
    order = {"product": "clear-glaze", "last": 25, "because": "a month without a change"}
    with laboratory(tmp_path) as lab:

        def cautions():
            with lab.reader() as reader:
                charts = product_charts(reader, lab.catalogue.product("clear-glaze"), last=30)
            (chart,) = [c for c in charts if (c.name.geometry, c.name.quantity) == ("coaxial-12", "viscosity")]
            assert chart.lines.fixed
            return [(s.code, s.parameters["points"]) for s in chart.cautions if s.code == "chart_fixed_gone"]

        carry_out(lab, "chart_limits_fix", order)
        assert cautions() == []
        run = run_id(7)
        if event == "doubtful":
            verify(lab.store, "failed", passed=False)
            for i in set(range(25)) - {7}:
                data = {"verification": "failed", "run": run_id(i), "decision": "upheld"}
                lab.change(Change("doubt_decision", f"failed/{run_id(i)}", "doubt_decided", data, []))
        elif event == "rejected":
            data = {
                "id": "s-1", "of": "run", "subject": run, "number": 1, "parts": [], "digest": "d",
                "meaning": "rejected", "by": "a.novak", "signed_at": "2026-01-01T00:00:00Z", "because": "a bubble",
            }  # fmt: skip
            lab.change(Change("signature", "s-1", "signed_as_rejected", data, [("run", run)]))
        else:
            with lab.reader() as reader:
                newest = reader.newest_result(run)
            corrected(lab, newest, CORRECTIONS[event])
        assert cautions() == ([] if event == "advice" else [("chart_fixed_gone", ("G-7",))])


def corrected(lab, newest, changes):
    """Store a correction of a result with other parts."""
    data = json.loads(newest.data) | changes
    step = Correct(
        newest.id,
        "new",
        "mistyped",
        T0,
        "c.head",
        lambda _n, head, digest: (
            json.dumps(data | {"origin": {"audit_head": head.head, "journal_digest": digest}}),
            [],
        ),
    )
    lab.store.submit(step).result(10)


@pytest.mark.parametrize("other", [{"fluid": "other-oil"}, {"lot": "HO-4"}, {"kind": "verification"}])
def test_fixed_limits_name_a_control_that_was_corrected_to_another_chart(tmp_path, other):
    part = {"kind": "control", "fluid": "house-oil", "lot": "HO-3", "condition": "as_found"}

    def changes(value):
        level = {"step": "reading", "measured": value, "deviation_percent": None, "reason": None}
        return {"verification": part | {"levels": [level]}}

    values = [480.0 + (i * 7 % 5) for i in range(30)]
    make_charted(tmp_path / "daq.db", [Measured("house-oil", v, product="", changes=changes(v)) for v in values])
    order = {"fluid": "house-oil", "instrument": "bench-1", "quantity": "control, lot HO-3", "last": 25}
    with laboratory(tmp_path) as lab:
        carry_out(lab, "chart_limits_fix", order | {"because": "the first month"})
        with lab.reader() as reader:
            newest = reader.newest_result(run_id(12))
        corrected(lab, newest, {"verification": json.loads(newest.data)["verification"] | other})
        with lab.reader() as reader:
            charts = verification_charts(reader, "house-oil", "bench-1", last=25)
        (chart,) = [c for c in charts if c.name.quantity == order["quantity"]]
        gone = [c.parameters["points"] for c in chart.cautions if c.code == "chart_fixed_gone"]
        assert [[name.split()[1] for name in names] for names in gone] == [[run_id(12)[:8]]]


def test_points_beyond_the_limits_that_they_fix_and_failed_controls_among_them_are_named(tmp_path):
    """A failed control among the points makes the limits wider, so that the next bad one passes."""
    values = [480.0 + (i * 7 % 5) for i in range(25)]
    values[12] = 520.0
    part = {"kind": "control", "fluid": "house-oil", "lot": "HO-3", "condition": "as_found"}
    outside = {
        "code": "control_outside",
        "parameters": {
            "step": "reading", "value": 520.0, "expanded": 1.0, "low": 470.0, "high": 490.0, "unit": "mPa.s",
        },
        "text": "outside",
    }  # fmt: skip

    def changes(value):
        level = {"step": "reading", "measured": value, "deviation_percent": None}
        level["reason"] = outside if value == 520.0 else None
        return {"verification": part | {"levels": [level]}}

    runs = [Measured("house-oil", value, product="", changes=changes(value)) for value in values]
    other_lot = changes(481.0)
    other_lot["verification"] = other_lot["verification"] | {"lot": "HO-2"}
    runs.insert(0, Measured("house-oil", 481.0, product="", changes=other_lot))
    make_charted(tmp_path / "daq.db", runs)
    order = {"fluid": "house-oil", "instrument": "bench-1", "quantity": "control, lot HO-3"}
    order |= {"last": 25, "because": "the first month"}

    def cautions(lab):
        with lab.reader() as reader:
            charts = verification_charts(reader, "house-oil", "bench-1", last=25)
        return next(c.cautions for c in charts if c.name.quantity == order["quantity"])

    with laboratory(tmp_path) as lab:
        done = carry_out(lab, "chart_limits_fix", order)
        assert len(done["beyond"]) == 1
        assert done["beyond"] == done["not_passed"]
        assert [(c.code, *c.parameters["points"]) for c in cautions(lab)] == [
            ("chart_fixed_beyond", *done["beyond"]),
            ("chart_fixed_not_passed", *done["not_passed"]),
        ]
        (whole,) = done["suspect"]["beyond"]
        begins = done["beyond"][0].split()[1]
        assert whole.startswith(begins)
        for wrong in ("no-run", whole[:1], done["beyond"][0]):
            with pytest.raises(SettingError, match="begin"):
                carry_out(lab, "chart_limits_fix", order | {"last": 24, "without": [wrong]})
        # A control of another lot is a run of the fluid, but no point of this chart.
        with pytest.raises(SettingError, match="names no point of this chart"):
            carry_out(lab, "chart_limits_fix", order | {"last": 24, "without": [run_id(0)]})
        done = carry_out(lab, "chart_limits_fix", order | {"last": 24, "without": [begins]})
        assert (done["beyond"], done["not_passed"], done["upper"] < 500.0) == ((), (), True)
        assert cautions(lab) == ()
        assert lab.get(ChartLimits, done["id"]).record.left_out == (whole,)


@pytest.mark.parametrize("last", [1, 25])
def test_an_entry_that_leaves_out_no_point_of_a_product_is_refused(tmp_path, last):
    runs = [Measured(f"G-{i}", 480.0 + (i * 7 % 5)) for i in range(30)]
    runs[7] = Measured("G-7", None, changes={"validity": "not_valid", "quality": "Bad"})
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        product = lab.catalogue.product("clear-glaze")
        (chart,) = product_charts(reader, product, last=last, without=["G-29"])
        assert chart.points[-1].name == "G-28"
        for wrong in ("G-2", "g-29", "G-7", "2029", run_id(29)):
            if wrong != "G-2" or last == 1:
                with pytest.raises(SettingError, match=f"'{wrong}' names no point of this chart"):
                    product_charts(reader, product, last=last, without=["G-29", wrong])


@pytest.mark.parametrize("doubtful", ["coaxial-12", "coaxial-25"])
def test_a_value_in_doubt_is_named_also_where_its_sample_has_another_test(tmp_path, doubtful):
    """Two measuring geometries make two charts; one value of one sample is in doubt, and its other one is a point."""
    geometries = ("coaxial-12", "coaxial-25")
    runs = [
        Measured(
            f"G-{i}",
            480.0 + i,
            instrument="bench-2" if (i, name) == (5, doubtful) else "bench-1",
            changes={"geometry": {"name": name, "vessel": None}},
        )
        for i in range(8)
        for name in geometries
    ]
    make_charted(tmp_path / "daq.db", runs)
    with laboratory(tmp_path) as lab:
        verify(lab.store, "failed", passed=False, geometry=doubtful, instrument="bench-2")
        with lab.reader() as reader:
            charts = product_charts(reader, lab.catalogue.product("clear-glaze"), last=20)
    found = {
        c.name.geometry: ([p.name for p in c.points], [(x.name, x.why[0].code) for x in c.left_out]) for c in charts
    }
    every = [f"G-{i}" for i in range(8)]
    for name in geometries:
        left_out = [("G-5", "verification_failed_after")] if name == doubtful else []
        assert found[name] == ([s for s in every if (s, name) != ("G-5", doubtful)], left_out)


def test_a_chart_without_points_refuses_its_report_with_what_is_left_out_and_why(lab):
    order = {"product": "clear-glaze", "last": 20}
    verify(lab.lab.store, "failed", passed=False)
    with pytest.raises(SettingError) as caught:
        lab.do("report_chart", **order)
    text = str(caught.value)
    assert all(sample in text for sample in SAMPLES)
    assert "the verification failed of bench-1 failed after it" in text
    assert caught.value.code == "chart_points_left_out"
