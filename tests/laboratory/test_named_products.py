"""Samples whose runs name one product, several, or none: no chart, list or single run states more than their result."""

import itertools
import json
from dataclasses import dataclass, replace

import numpy as np
import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import product_charts
from daq.app.laboratory.progress import open_tests
from daq.app.laboratory.signing.judged_again import Sides, judged_otherwise
from daq.app.laboratory.signing.reportable_records import computed
from daq.app.laboratory.signing.single_runs import hidden_by
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.product_versions import present
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.methods.files.producttest import ProductTest
from tests.support.runs.charted import Measured, example, make_charted, run_id
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


@dataclass
class Data:
    """A stored result with the parts that a run without a real instrument lacks."""

    stored: dict

    def __getattr__(self, name):
        return self.stored[name]

    def model_dump(self, mode):
        assert mode == "json"
        return dict.fromkeys(("reported", "corrected", "dry_content")) | self.stored


def test_a_correction_of_a_product_that_opens_or_closes_other_tests_needs_a_reviewer(tmp_path):
    """The run itself is judged as before; the results of all tests of the sample come or go."""
    changed = {True: 0, False: 0}
    with Reader(make_charted(tmp_path / "daq.db", any_product(np.random.default_rng(7)))) as reader:
        for number, product in itertools.product(range(40), ("clear-glaze", "engobe")):
            runs = runs_of_sample(reader, f"G-{number}")
            for run in runs:
                data = Data(json.loads(reader.newest_result(run.id).data))
                now = replace(run, product=product)
                # The other product has the same limits and digits, so that the run's own result stays.
                alike = example(run.product or product).model_copy(update={"id": product})
                sides = Sides(run, now, data, data, present(alike))
                before = {r.product for r in runs if r.product}
                after = {r.product for r in (now if r.id == run.id else r for r in runs) if r.product}
                if (len(before) > 1) != (len(after) > 1):
                    assert "reportable" in judged_otherwise(reader, sides)
                    changed[len(after) > 1] += 1
    assert min(changed.values()) > 5


@pytest.mark.parametrize("seed", range(3))
def test_a_value_measured_without_the_product_of_its_sample_is_not_comparable_with_its_limits(tmp_path, seed):
    """The limits are those of clear glaze; a result that no limit was applied to has no verdict by itself."""
    verdicts = {"": set(), "clear-glaze": set()}
    runs = any_product(np.random.default_rng(seed))
    product_of = {run_id(n): r.product for n, r in enumerate(runs)}
    with Reader(make_charted(tmp_path / "daq.db", runs)) as reader:
        for found in (t for i in range(40) for t in computed(Releases(reader), f"G-{i}").values()):
            if found.value is not None and found.product == "clear-glaze":
                (first,) = (a.run for a in found.attempts if a.counted)
                verdicts[product_of[first]].add(found.verdict)
    assert verdicts == {"": {"not_comparable"}, "clear-glaze": {"none"}}
