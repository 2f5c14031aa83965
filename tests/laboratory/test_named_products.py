"""Samples whose runs name one product, several, or none: no chart, list or single run states more than their result."""

import numpy as np
import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import product_charts
from daq.app.laboratory.progress import open_tests
from daq.app.laboratory.signing.reportable_records import computed
from daq.app.laboratory.signing.single_runs import hidden_by
from daq.app.records.attempts import runs_of_sample
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.methods.files.producttest import ProductTest
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.stored import METHOD_DIGEST

PRODUCT = Catalogue.load(examples_dir()).product("clear-glaze")
METHOD = {"version": "1", "digest": METHOD_DIGEST, "choices": {}}


def any_product(rng):
    """Return up to three runs of each of 40 samples, most of one product and test."""
    runs = []
    for i in range(40):
        for n in range(rng.integers(1, 4)):
            product = str(rng.choice(["clear-glaze", "clear-glaze", "clear-glaze", "", "engobe"]))
            method = METHOD | {"id": str(rng.choice(["glaze-flow", "glaze-flow", "other"]))}
            about = {"id": f"G-{i}", "product": product or None, "fill": f"{i} {n}", "sheared": False}
            changes = {"sample": about, "method": method}
            value = 800.0 + len(runs)
            runs.append(Measured(f"G-{i}", value, product=product, fill=f"{i} {n}", changes=changes))
    return runs


@pytest.mark.parametrize("seed", range(3))
def test_a_point_is_the_reportable_value_whatever_products_the_runs_name(tmp_path, seed):
    runs = any_product(np.random.default_rng(seed))
    with Reader(make_charted(tmp_path / "daq.db", runs)) as reader:
        charts = product_charts(reader, PRODUCT, last=1000)
        method_of = {run_id(n): r.changes["method"]["id"] for n, r in enumerate(runs)}
        reported = {f"G-{i}": computed(Releases(reader), f"G-{i}") for i in range(40)}
    points = [p for chart in charts for p in chart.points]
    assert len(points) > 5
    assert [(p.name, p.value) for p in points] == [
        (p.name, reported[p.name][method_of[p.runs[0]]].value) for p in points
    ]
    alone = {name for name, tests in reported.items() if any(t.how.code == "products_differ" for t in tests.values())}
    assert alone
    assert not alone & {p.name for p in points}


@pytest.mark.parametrize("seed", range(3))
def test_a_sample_of_several_products_is_not_measured_and_none_of_its_runs_is_used_alone(tmp_path, seed):
    tests = {name: ProductTest(method=f"{name} 1") for name in ("glaze-flow", "other")}
    product = PRODUCT.model_copy(update={"tests": tuple(tests.values())})
    several = 0
    with Reader(make_charted(tmp_path / "daq.db", any_product(np.random.default_rng(seed)))) as reader:
        for sample in (f"G-{i}" for i in range(40)):
            reported = computed(Releases(reader), sample)
            is_open = [t for name, t in tests.items() if name not in reported or reported[name].value is None]
            assert list(open_tests(reader, sample, product)) == is_open
            runs = runs_of_sample(reader, sample)
            for run in runs if len({r.product for r in runs if r.product}) > 1 else ():
                several += 1
                assert [s.code for s in hidden_by(reader, run)] in (["products_differ"], ["other_attempts"])
    assert several > 5
