"""Which runs ask for a cause, block a certificate of another run, and are judged by another person: those that count."""

import itertools
import json
import shutil

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.laboratory import ordering
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.ordering import completed
from daq.app.records.judged.judging import other_attempts, without_cause
from daq.app.records.judged.product_versions import present
from daq.app.setup.run_order import RunOrder
from daq.core.errors import NotAllowedError, SettingError
from daq.methods.files.digest import restored
from daq.methods.files.product import Product
from tests.support.laboratories import at, staffed
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.virtual_bench import StoredBench

TEST = "clear-glaze-qc"
CHECKS = {"house-control", "reference-verification"}


@pytest.fixture(scope="module")
def outside(tmp_path_factory):
    """Two fills of one sample by two persons, whose mean is outside."""
    bench = StoredBench(tmp_path_factory.mktemp("outside"))
    rule = {"count": 2, "most": 3, "repeatability_limit": {"value": 50.0, "unit": "mPa.s"}}
    text = json.loads(present(bench.catalogue.product("clear-glaze")).text) | {"replicates": rule, "version": "pairs"}
    bench.catalogue.products["clear-glaze"] = restored(Product, json.dumps(text))
    runs = [
        bench.measure("out", "clear-glaze-thick", operator=operator, fill=operator)
        for operator in ("measure", "review")
    ]
    return bench.state, runs


@pytest.fixture
def lab(outside, tmp_path):
    shutil.copyfile(database_path(outside[0]), tmp_path / "daq.db")
    with staffed(tmp_path) as lab:
        yield lab


def test_the_method_and_not_the_order_makes_a_run_a_verification(lab, monkeypatch):
    """Each method, with each fluid and without one, asks for the cause of a repeat unless it is a check."""
    with lab.reader() as reader:
        methods = list(lab.catalogue.methods)
        fluids = ["", *lab.catalogue.fluids]
        order = RunOrder(sample="out", instrument="bench-1", method_id=TEST, filling="fresh")
        for fluid in fluids:
            with pytest.raises(SettingError, match="needs an assigned cause"):
                completed(order.model_copy(update={"fluid": fluid}), lab.catalogue, reader, ("bench-1",))
        asked = []
        monkeypatch.setattr(ordering, "refuse_without_cause", lambda _reader, _sample, test: asked.append(test))
        for name, fluid in itertools.product(methods, fluids):
            own = order.model_copy(update={"method_id": name, "fluid": fluid})
            completed(own, lab.catalogue, reader, ("bench-1",))
            # A run of an ordinary method without a filling of its own is on that of the run before.
            stays = order.model_copy(update={"method_id": name, "fluid": fluid, "filling": ""})
            found = completed(stays, lab.catalogue, reader, ("bench-1",))
            assert bool(found.fill) == (name not in CHECKS), (name, fluid)
        assert asked == [name for name in methods for _ in range(2 * len(fluids)) if name not in CHECKS]


def test_each_person_who_measured_a_part_of_the_value_leaves_its_cause_to_others(outside, lab):
    _, runs = outside
    order = {"cause": "bubbles", "because": "seen in the cup", "run": runs[1]}
    carry_out(lab, "person_role", {"id": "measure", "role": "review"})
    with lab.reader() as reader:
        assert without_cause(reader, "out", TEST) == runs[1]
    for person in ("measure", "review"):
        with pytest.raises(NotAllowedError, match="the cause of a repeat is for another person"):
            carry_out(at(lab, f"at-{person}"), "repeat_assign", order)
    assert carry_out(lab, "repeat_assign", order)["run"] == runs[1]


COUNTS = {
    "verification": {"verification": {"fluid": "reference-b", "levels": []}},
    "sheared": {"sample": {"id": "S", "product": "clear-glaze", "fill": None, "sheared": True}},
    "not_authorised": {"origin": {"attribution": "not_authorised", "operator": "trainee"}},
    "no_value": {"value": None},
    "doubtful": {"validity": "doubtful", "quality": "Uncertain"},
}


def test_a_run_that_never_counts_blocks_no_certificate_of_another_run(tmp_path):
    """Each combination of the reasons for which a run does not count."""
    combinations = [c for n in range(len(COUNTS) + 1) for c in itertools.combinations(COUNTS, n)]
    runs = []
    for i, reasons in enumerate(combinations):
        changes = {}
        for reason in reasons:
            changes |= COUNTS[reason]
        runs += [Measured(f"S-{i}", 800.0, fill="1"), Measured(f"S-{i}", 810.0, fill="2", changes=changes)]
    with Reader(make_charted(tmp_path / "daq.db", runs, every_s=60)) as reader:
        for i, reasons in enumerate(combinations):
            found = [run.id for run in other_attempts(reader, reader.run(run_id(2 * i)))]
            assert found == ([] if reasons else [run_id(2 * i + 1)]), reasons
