"""Points of control charts: which results count, in which order, and from how much of the database."""

import numpy as np
import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.newest_runs import LATEST, runs_of_product
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.laboratory.laboratory import Laboratory, changed, new
from daq.app.laboratory.lists import charting
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.records.judged.judging import judged_sample
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.controlchart import as_json
from daq.laboratory.declarations import Declaration
from daq.methods.files.product import Replicates
from tests.support.runs.charted import Measured, limited, make_charted, run_id, verified
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import METHOD_DIGEST
from tests.support.runs.virtual_bench import SteppedClock

PRODUCT = Catalogue.load(examples_dir()).product("clear-glaze")
PAIRS = PRODUCT.model_copy(
    update={"replicates": Replicates.model_validate({"count": 2, "most": 3, "repeatability_limit": "10 mPa.s"})}
)


def normal(count, seed=3, **more):
    rng = np.random.default_rng(seed)
    return [Measured(f"G-{i}", float(800 + 10 * rng.standard_normal()), **more) for i in range(count)]


def drawn(folder, runs, product=PRODUCT, last=20, **more):
    path = make_charted(folder / "daq.db", runs, product=product)
    with Reader(path) as reader:
        return product_charts(reader, product, last=last, **more)


def codes(statements):
    return [s.code for s in statements]


def test_the_newest_points_are_drawn_in_order(tmp_path):
    runs = normal(50)
    (chart,) = drawn(tmp_path, runs)
    assert [(p.name, p.value) for p in chart.points] == [(r.sample, r.value) for r in runs[-20:]]
    assert chart.name.id == "product clear-glaze, coaxial-12, viscosity"
    assert (codes(chart.origin), chart.left_out, chart.cautions) == (["chart_limits_trial"], (), ())


def test_a_sample_is_one_point_by_the_rule_for_replicates(tmp_path):
    runs = [Measured(f"G-{i // 2}", 800.0 + i % 2 * (20.0 if i == 7 else 4.0), fill=f"F-{i}") for i in range(12)]
    runs.append(Measured("G-9", 800.0, fill="F-12"))
    (chart,) = drawn(tmp_path, runs, PAIRS)
    assert [(p.name, p.value) for p in chart.points] == [(f"G-{i}", 802.0) for i in (0, 1, 2, 4, 5)]
    assert [len(p.runs) for p in chart.points] == [2] * 5
    assert {x.name: codes(x.why)[0] for x in chart.left_out} == {
        "G-3": "one_more_result",
        "G-9": "more_results_needed",
    }


def test_a_corrected_result_replaces_the_one_that_it_supersedes(tmp_path):
    runs = normal(12)
    runs[5] = Measured("G-5", 990.0, corrected={"value": 801.5})
    runs[7] = Measured("G-7", 802.0, corrected={"value": None, "validity": "not_valid", "quality": "Bad"})
    (chart,) = drawn(tmp_path, runs)
    values = {p.name: p.value for p in chart.points}
    assert values["G-5"] == 801.5
    assert 990.0 not in values.values()
    assert "G-7" not in values
    assert [(x.name, codes(x.why)[-1]) for x in chart.left_out] == [("G-7", "without_valid_result")]


@pytest.mark.parametrize(("which", "code"), [("id", "chart_data_changed"), ("product", "chart_corrected_away")])
def test_a_result_that_a_correction_gave_away_is_no_point(tmp_path, which, code):
    runs = normal(12)
    away = {"id": "G-5", "product": "clear-glaze", "fill": None, "sheared": False} | {which: "other"}
    runs[5] = Measured("G-5", 990.0, corrected={"sample": away})
    (chart,) = drawn(tmp_path, runs)
    assert len(chart.points) == 11
    assert [codes(x.why) for x in chart.left_out] == [[code]]


METHOD = {"id": "glaze-flow", "version": "1", "digest": METHOD_DIGEST}
NOT_VALID = {"validity": "not_valid", "value": None, "quality": "Bad"}


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        (NOT_VALID, "without_valid_result"),
        ({"validity": "doubtful"}, "without_valid_result"),
        ({"sample": {"id": "G-8", "product": "clear-glaze", "fill": None, "sheared": True}}, "fill_was_sheared"),
        (verified(0.1), "is_verification"),
        ({"unit": "Pa.s", "value": 0.8}, "chart_differs_from_newest"),
        (
            {"method": {"id": "other", "version": "1", "digest": METHOD_DIGEST, "choices": {}}},
            "chart_differs_from_newest",
        ),
        (
            {"method": {"id": "glaze-flow", "version": "2", "digest": METHOD_DIGEST, "choices": {}}},
            "chart_differs_from_newest",
        ),
        (
            {
                "method": {
                    "id": "glaze-flow",
                    "version": "1",
                    "digest": METHOD_DIGEST,
                    "choices": {"speed": {"value": 5.0, "unit": "/min"}},
                }
            },
            "chart_differs_from_newest",
        ),
    ],
)
def test_what_cannot_be_compared_is_left_out_by_name(tmp_path, changes, code):
    runs = normal(15)
    runs[8] = Measured("G-8", 800.0, changes=changes)
    (chart,) = drawn(tmp_path, runs)
    assert [p.name for p in chart.points] == [f"G-{i}" for i in range(15) if i != 8]
    assert [(x.name, codes(x.why)[-1]) for x in chart.left_out] == [("G-8", code)]


@pytest.mark.parametrize("first", ["20", "5"])
def test_a_sample_measured_at_two_speeds_has_the_point_of_its_reportable_result(tmp_path, first):
    """The run that counts first decides the speed; the other one is reported nowhere, so it is no point."""
    speeds = {name: METHOD | {"choices": {"speed": {"value": float(name), "unit": "/min"}}} for name in ("20", "5")}
    runs = []
    for i in range(12):
        order = [first, "5" if first == "20" else "20"] if i % 2 else ["20", "5"]
        runs += [
            Measured(
                f"G-{i}",
                800.0 + i if speed == "20" else 950.0 + i,
                changes={"method": speeds[speed]},
                fill=f"{i}{speed}",
            )
            for speed in order
        ]
    charts = drawn(tmp_path, runs)
    with Reader(tmp_path / "daq.db") as reader:
        reported = {f"G-{i}": judged_sample(reader, f"G-{i}").value for i in range(12)}
    (chart,) = charts
    assert chart.points
    assert {p.name: p.value for p in chart.points} == {n: reported[n] for n in [p.name for p in chart.points]}
    # Samples at the other speed are named, and have another method than the newest point.
    others = {x.name: codes(x.why) for x in chart.left_out}
    assert set(others) == set(reported) - {p.name for p in chart.points}
    assert all(why == ["chart_differs_from_newest"] for why in others.values())


def test_simulated_points_do_not_mix_with_real_ones(tmp_path):
    runs = normal(12)
    runs[11] = Measured("G-11", 800.0, simulated=True)
    (chart,) = drawn(tmp_path, runs)
    assert len(chart.points) == 11
    assert [(x.name, codes(x.why)) for x in chart.left_out] == [("G-11", ["chart_left_simulated"])]
    (tmp_path / "all").mkdir()
    (chart,) = drawn(tmp_path / "all", normal(12, simulated=True))
    assert all(p.simulated for p in chart.points)
    assert codes(chart.cautions) == ["chart_simulated"]


def test_each_geometry_and_quantity_has_its_chart(tmp_path):
    other = {"geometry": {"name": "coaxial-25", "vessel": None}}
    runs = [Measured(f"G-{i}", 800.0 + i, changes=other if i % 3 == 0 else {}) for i in range(30)]
    runs.append(Measured("G-29", 7.1, changes={"quantity": "ph", "unit": "[pH]"}))
    charts = drawn(tmp_path, runs, last=9)
    assert [(c.name.geometry, c.name.quantity, len(c.points)) for c in charts] == [
        ("coaxial-12", "ph", 1),
        ("coaxial-12", "viscosity", 9),
        ("coaxial-25", "viscosity", 9),
    ]
    with Reader(tmp_path / "daq.db") as reader:
        (chart,) = product_charts(reader, PRODUCT, last=5, geometry="coaxial-25")
        assert [p.name for p in chart.points] == ["G-15", "G-18", "G-21", "G-24", "G-27"]


def test_a_sample_that_was_measured_again_does_not_take_the_place_of_a_newer_one(tmp_path):
    # The first valid result counts, so the point is old although the newest run of its sample is the last of all.
    runs = [*normal(30), Measured("G-0", 700.0), Measured("G-1", 700.0)]
    (chart,) = drawn(tmp_path, runs, last=10)
    assert [p.name for p in chart.points] == [f"G-{i}" for i in range(20, 30)]


@pytest.mark.parametrize("count", [0, 1, 2, 9])
def test_few_points_have_no_limits_and_the_reason(tmp_path, count):
    (chart,) = drawn(tmp_path, normal(count))
    assert (len(chart.points), chart.lines, chart.signals) == (count, None, ())
    assert codes(chart.origin) == ["chart_few_points"]
    assert chart.no_capability is not None
    assert as_json(chart)["limits"] is None


def test_equal_points_have_no_limits_and_no_capability(tmp_path):
    (chart,) = drawn(tmp_path, [Measured(f"G-{i}", 812.3, changes=limited(700, 900)) for i in range(25)])
    assert (chart.lines, codes(chart.origin)) == (None, ["chart_no_scatter"])
    assert chart.no_capability.code == "capability_no_scatter"


@pytest.mark.parametrize(
    ("low", "high", "names"), [(700.0, 900.0, ["Cp", "Cpk"]), (None, 900.0, ["Cpk"]), (700.0, None, ["Cpk"])]
)
def test_capability_is_under_the_limits_that_applied(tmp_path, low, high, names):
    (chart,) = drawn(tmp_path, normal(25, seed=4, changes=limited(low, high)), last=25)
    assert chart.findings == ()
    found = chart.capability
    assert [x.name for x in found.indices] == names
    assert all(x.low < x.value < x.high for x in found.indices)
    assert codes(found.notes) == ["capability_stable", "capability_normal"]


def test_capability_of_a_process_with_signals_is_named_performance(tmp_path):
    runs = normal(25, seed=4, changes=limited(700, 900))
    runs[20] = Measured("G-20", 890.0, changes=limited(700, 900))
    (chart,) = drawn(tmp_path, runs, last=25)
    assert [x.name for x in chart.capability.indices] == ["Pp", "Ppk"]
    assert codes(chart.capability.notes) == ["capability_not_stable", "capability_normal"]
    assert "chart_one_beyond_3s_high" in codes(chart.findings)
    assert "G-20" in next(f.text for f in chart.findings if f.code == "chart_one_beyond_3s_high")


def test_there_is_no_capability_under_limits_that_changed_or_of_few_points(tmp_path):
    runs = normal(25, changes=limited(700, 900))
    runs[10] = Measured("G-10", 800.0, changes=limited(750, 900))
    (chart,) = drawn(tmp_path, runs, last=25)
    assert chart.no_capability.code == "capability_changed_limits"
    with Reader(tmp_path / "daq.db") as reader:
        assert product_charts(reader, PRODUCT, last=14)[0].no_capability.code == "capability_few"


def test_there_is_no_capability_without_limits(tmp_path):
    (chart,) = drawn(tmp_path, normal(25), last=25)
    assert (chart.capability, chart.no_capability.code) == (None, "capability_no_limits")


def test_a_falsified_result_is_no_point(tmp_path):
    path = make_charted(tmp_path / "daq.db", normal(15))
    with falsified(path, tmp_path / "false.db") as db:
        db.execute("UPDATE results SET data = json_set(data, '$.value', 805.5) WHERE id = 'result-6'")
    with Reader(tmp_path / "false.db") as reader:
        (chart,) = product_charts(reader, PRODUCT, last=20)
    assert "G-6" not in [p.name for p in chart.points]
    assert [(x.name, codes(x.why)) for x in chart.left_out] == [("G-6", ["chart_data_changed"])]


def test_verifications_are_charted_by_geometry_and_step(tmp_path):
    rng = np.random.default_rng(5)
    runs = [
        Measured(f"V-{i}", 500.0, changes=verified(float(rng.normal(0.2, 0.1)), None if i == 3 else 0.1 * i))
        for i in range(12)
    ]
    runs.insert(4, Measured("V-x", 500.0, changes=verified(9.0, 9.0, fluid="reference-b")))
    runs.insert(7, Measured("V-y", 500.0, instrument="bench-2", changes=verified(8.0, 8.0)))
    runs.insert(9, Measured("V-z", 500.0, changes=verified(7.0, 7.0), corrected=NOT_VALID | {"verification": None}))
    path = make_charted(tmp_path / "daq.db", runs)
    with Reader(path) as reader:
        charts = verification_charts(reader, "house-fluid", "bench-1", last=20)
        assert [(c.name.quantity, c.unit, len(c.points)) for c in charts] == [
            ("deviation level-1", "%", 12),
            ("deviation level-2", "%", 11),
        ]
        assert not {7.0, 8.0, 9.0} & {p.value for c in charts for p in c.points}
        assert [codes(x.why) for x in charts[1].left_out] == [["chart_no_deviation"], ["chart_annulled"]]
        assert charts[0].name.id == "fluid house-fluid on bench-1, coaxial-12, deviation level-1"
        few = verification_charts(reader, "house-fluid", "bench-1", last=3, without=[run_id(14)])
        assert len(few[0].points) == 3
        assert verification_charts(reader, "none", "bench-1", last=3)[0].points == ()


@pytest.mark.slow
def test_only_the_newest_samples_are_read(tmp_path, monkeypatch):
    path = make_charted(tmp_path / "daq.db", [*normal(400), *normal(40, product="engobe")])
    read = []
    monkeypatch.setattr(charting, "runs_of_sample", lambda r, s, of=charting.runs_of_sample: read.append(s) or of(r, s))
    with Reader(path) as reader:
        product_charts(reader, PRODUCT, last=20)
        assert len(read) == 20
        read.clear()
        (chart,) = product_charts(reader, PRODUCT, last=20, geometry="not-there")
        assert len(read) == charting.MOST_READ * 20 + charting.PAGE
    assert (chart.points, codes(chart.cautions)) == ((), ["chart_end_of_reading"])


def test_the_pages_of_runs_are_joined_without_gap_or_repetition(tmp_path, monkeypatch):
    monkeypatch.setattr(charting, "PAGE", 7)
    runs = normal(40)
    path = make_charted(tmp_path / "daq.db", runs, every_s=0)
    with Reader(path) as reader:
        found = [sample for sample, _ in charting._samples(reader, "clear-glaze")]
    assert found == [r.sample for r in reversed(runs)]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("limit", [2, 7])
def test_a_corrected_run_is_found_under_what_it_is_declared_to_have_measured(tmp_path, seed, limit):
    """Any share of the runs is given to other samples and products, some of them twice; page by page none is lost or doubled."""
    rng = np.random.default_rng(seed)
    products = ["clear-glaze", "engobe", "white-glaze"]
    runs = [Measured(f"G-{i // 2}", 800.0, product=products[rng.integers(3)]) for i in range(30)]
    path = make_charted(tmp_path / "daq.db", runs)
    with Store(path) as store:
        laboratory = Laboratory(store, Catalogue.load(examples_dir()), SteppedClock(), "m.keeper")
        for number in rng.choice(30, 12, replace=False):
            for again in range(rng.integers(1, 3)):
                declared = Declaration(
                    id=run_id(int(number)),
                    result=f"fix-{number}-{again}",
                    supersedes="result",
                    sample=f"C-{rng.integers(5)}",
                    product=products[rng.integers(3)],
                )
                before = laboratory.found(Declaration, declared.id)
                laboratory.change(
                    changed(before, declared, "run_corrected") if before else new(declared, "run_corrected")
                )
        with store.reader() as reader:
            for product in products:
                expected = [(r.sample, r.began_utc_ns) for r in reader.runs(limit=-1) if r.product == product]
                found, before_ = [], (LATEST, LATEST)
                while page := runs_of_product(reader, product, before=before_, limit=limit):
                    found += [(r.sample, r.began_utc_ns) for r in page]
                    before_ = (page[-1].began_utc_ns, page[-1].rowid)
                assert found == expected
