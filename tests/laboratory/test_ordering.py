"""Products choose: an order of a run is completed from the record of its sample and the file of its product."""

import contextlib

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.lists.sample_lists import worklist
from daq.app.laboratory.ordering import completed, suits
from daq.app.laboratory.progress import note_done, open_tests
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.methods.files.fields import Amount
from daq.methods.files.producttest import ProductTest, Replicates
from tests.support.runs.virtual_bench import StoredBench

SERVED = ("bench-1", "bench-2", "bench-3", "balance-1", "ph-1", "thermo-1")


@pytest.fixture
def bench(tmp_path):
    made = StoredBench(tmp_path / "state")
    with Store(database_path(made.state)):
        pass
    return made


def act(on, name, **order):
    with opened(on) as store:
        carry_out(Laboratory(store, on.catalogue, on.clock, "m.keeper"), name, order)


@contextlib.contextmanager
def opened(bench):
    with Store(database_path(bench.state)) as store:
        yield store


def order(bench, served=SERVED, **values):
    with opened(bench) as store, store.reader() as reader:
        return completed(RunOrder(**values), bench.catalogue, reader, served)


def change(bench, product, **update):
    bench.catalogue.products[product] = bench.catalogue.product(product).model_copy(update=update)


def test_a_registered_sample_is_enough_where_one_instrument_is_allowed_and_served(bench):
    act(bench, "sample_add", id="G-1042", product="clear-glaze", lot="2211", sampled_at="2025-10-09T08:20+00:00")
    found = order(bench, served=("bench-1", "thermo-1"), sample="G-1042")
    assert (found.method_id, found.method_version, found.instrument) == ("clear-glaze-qc", "1", "bench-1")
    assert (found.product, found.lot, found.sampled_at) == ("clear-glaze", "2211", "2025-10-09T08:20+00:00")
    assert order(bench, sample="G-1042", instrument="bench-3").instrument == "bench-3"
    with pytest.raises(SettingError, match="bench-1, bench-3; name one"):
        order(bench, sample="G-1042")
    # A completed order stays as it is.
    with opened(bench) as store, store.reader() as reader:
        assert completed(found, bench.catalogue, reader, SERVED) == found


def test_a_product_is_enough_for_a_sample_that_is_not_registered(bench):
    found = order(bench, sample="E-7", product="engobe")
    assert (found.method_id, found.instrument) == ("engobe-qc", "bench-2")
    assert completed(RunOrder(sample="E-7", product="engobe"), bench.catalogue, None, SERVED) == found


def test_an_order_with_method_and_instrument_stays_as_it_was(bench):
    given = RunOrder(method_id="clear-glaze-qc", instrument="bench-1", sample="S-17")
    with opened(bench) as store, store.reader() as reader:
        assert completed(given, bench.catalogue, reader, SERVED) == given


@pytest.mark.parametrize(
    ("values", "key", "expected"),
    [
        ({"sample": "G-1042"}, "method", "name a method; or name a product"),
        ({"sample": "G-10422", "product": "clear-glaze"}, "sample", "its ids are G-####"),
        ({"sample": "G-10422", "product": "clear-glaze", "method_id": "weighing", "instrument": "balance-1"}, "sample", "its ids are G-####"),
        ({"sample": "G-1", "product": "clear-glase"}, "", "did you mean 'clear-glaze'"),
        ({"sample": "T-1", "product": "thin-slip"}, "method", "3 of the tests of product thin-slip can be measured; name one of its methods: casting-slip-equilibrium, slip-density, slip-ph"),
        ({"sample": "T-1", "product": "thin-slip", "instrument": "bench-2"}, "method", "none of the tests of product thin-slip can be measured on bench-2"),
        ({"sample": "G-1042", "product": "clear-glaze", "instrument": "bench-2"}, "method", "none of the tests"),
        ({"sample": "G-1042", "product": "clear-glaze", "instrument": "bench-2", "method_id": "clear-glaze-qc"}, "instrument", "allows bench-1 or bench-3 for clear-glaze-qc, and not bench-2"),
        ({"sample": "X", "method_id": "thermometer-log"}, "instrument", "bench-1, bench-2, bench-3, ph-1, thermo-1; name one"),
        ({"sample": "X", "method_id": "no-such"}, "", "there is no method 'no-such'"),
        ({"sample": "X", "filling": "same", "method_id": "weighing", "instrument": "balance-1"}, "fill", "was not measured before"),
        ({"sample": "X", "filling": "fresh", "fill": "a", "method_id": "weighing", "instrument": "balance-1"}, "fill", "is given twice"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_what_to_do(bench, values, key, expected):
    with pytest.raises(SettingError) as caught:
        order(bench, **values)
    assert caught.value.key == key
    assert expected in str(caught.value)


@pytest.mark.parametrize(
    ("instrument", "method"),
    [("balance-1", "slip-density"), ("ph-1", "slip-ph"), ("bench-1", "casting-slip-equilibrium")],
)
def test_the_instrument_chooses_among_the_tests_of_a_product(bench, instrument, method):
    assert order(bench, sample="T-1", product="thin-slip", instrument=instrument).method_id == method


def test_the_test_that_is_left_is_chosen(bench):
    tests = (ProductTest(method="clear-glaze-qc 1"), ProductTest(method="find-speed 1"))
    change(bench, "clear-glaze", tests=tests)
    with pytest.raises(SettingError, match="2 of the tests"):
        order(bench, sample="G-1042", product="clear-glaze", instrument="bench-1")
    bench.measure("G-1042")
    with opened(bench) as store, store.reader() as reader:
        assert [t.method for t in open_tests(reader, "G-1042", bench.catalogue.product("clear-glaze"))] == [
            "find-speed 1"
        ]
    found = order(bench, sample="G-1042", product="clear-glaze", instrument="bench-1", fill="b")
    assert found.method_id == "find-speed"


SETS_OF_TESTS = [
    ("clear-glaze-qc",),
    ("find-speed",),
    ("slip-density",),
    ("clear-glaze-qc", "find-speed"),
    ("clear-glaze-qc", "slip-density"),
]


@pytest.mark.parametrize("began_with", [each for each in SETS_OF_TESTS if "clear-glaze-qc" in each])
@pytest.mark.parametrize("edited_to", SETS_OF_TESTS)
def test_order_worklist_and_done_name_the_same_tests_after_the_file_of_the_product_is_edited(
    bench, began_with, edited_to
):
    """The version with which the measurement began has the tests; an edited file adds none and takes none away."""
    tests = {name: ProductTest(method=f"{name} 1") for names in SETS_OF_TESTS for name in names}
    change(bench, "clear-glaze", tests=tuple(tests[name] for name in began_with))
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    run = bench.measure("G-1042")
    change(bench, "clear-glaze", version="2", tests=tuple(tests[name] for name in edited_to))
    left = [name for name in began_with if name != "clear-glaze-qc"]
    for instrument, able in (("bench-1", {"clear-glaze-qc", "find-speed"}), ("balance-1", {"slip-density"})):
        possible = [name for name in began_with if name in able]
        chosen = [name for name in possible if name in left] or possible
        asked = {"sample": "G-1042", "instrument": instrument, "filling": "fresh"}
        if chosen:
            assert [order(bench, **asked).method_id] == chosen
        else:
            with pytest.raises(SettingError, match="none of the tests"):
                order(bench, **asked)
        with opened(bench) as store, store.reader() as reader:
            listed = worklist(reader, instrument, suits=suits(bench.catalogue, instrument, reader))
        assert [k.record.id for k in listed] == (["G-1042"] if possible else [])
    with opened(bench) as store:
        assert note_done(store, bench.catalogue, run, bench.clock.utc_ns()) is (not left)


def test_a_method_that_a_person_names_has_the_choices_of_the_present_file_where_only_that_lists_it(bench):
    change(bench, "clear-glaze", tests=(ProductTest(method="clear-glaze-qc 1"),))
    bench.measure("G-1042")
    slow = ProductTest(method="find-speed 1", choices={"first": Amount(0.5, "/min")})
    change(bench, "clear-glaze", version="2", tests=(slow,))
    asked = {"sample": "G-1042", "product": "clear-glaze", "instrument": "bench-1", "fill": "b"}
    assert (order(bench, **asked).method_id, order(bench, **asked).choices) == ("clear-glaze-qc", {})
    assert order(bench, **asked, method_id="find-speed").choices == {"first": "0.5 /min"}


def test_a_sample_with_several_tests_is_done_after_the_last_of_them(bench):
    change(bench, "clear-glaze", tests=(ProductTest(method="clear-glaze-qc 1"), ProductTest(method="slip-density 1")))
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    run = bench.measure("G-1042")
    with opened(bench) as store:
        assert not note_done(store, bench.catalogue, run, bench.clock.utc_ns())
    change(bench, "clear-glaze", version="2", tests=(ProductTest(method="clear-glaze-qc 1"),))
    act(bench, "sample_add", id="G-1043", product="clear-glaze")
    later = bench.measure("G-1043")
    with opened(bench) as store:
        # The product as it was when the measurement of a sample began decides which tests the sample needs.
        assert not note_done(store, bench.catalogue, run, bench.clock.utc_ns())
        assert note_done(store, bench.catalogue, later, bench.clock.utc_ns())


@pytest.mark.parametrize("stopped_s", [20, 45])
def test_a_run_without_a_valid_result_does_not_bind_the_version_of_the_product(bench, stopped_s):
    """A first run is stopped, then the method is put right under a new version: the sample is done by the new one."""
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    stopped = bench.measure("G-1042", fill="a", stop_after_s=stopped_s)
    with opened(bench) as store:
        assert not note_done(store, bench.catalogue, stopped, bench.clock.utc_ns())
    second = bench.catalogue.method("clear-glaze-qc").model_copy(update={"version": "2"})
    bench.catalogue.methods["clear-glaze-qc"] = {**bench.catalogue.methods["clear-glaze-qc"], "2": second}
    present = bench.catalogue.product("clear-glaze")
    limits = tuple(each.model_copy(update={"methods": ("clear-glaze-qc 2",)}) for each in present.limits)
    change(bench, "clear-glaze", version="2", limits=limits, tests=(ProductTest(method="clear-glaze-qc 2"),))
    run = bench.measure("G-1042", fill="b")
    with opened(bench) as store:
        assert note_done(store, bench.catalogue, run, bench.clock.utc_ns())


def test_the_replicates_of_a_test_come_before_those_of_the_product(bench):
    rule = Replicates.model_validate({"count": 2, "repeatability_limit": "50 %"})
    change(bench, "clear-glaze", tests=(ProductTest(method="clear-glaze-qc 1", replicates=rule),))
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    for fill, wanted in (("a", False), ("b", True)):
        run = bench.measure("G-1042", fill=fill)
        with opened(bench) as store:
            assert note_done(store, bench.catalogue, run, bench.clock.utc_ns()) is wanted


def test_the_choices_of_the_test_are_set_and_a_person_can_set_others(bench):
    test = ProductTest(method="clear-glaze-qc 1", choices={"speed": Amount(50.0, "/min")})
    change(bench, "clear-glaze", tests=(test,))
    asked = {"sample": "G-1042", "product": "clear-glaze", "instrument": "bench-1"}
    assert order(bench, **asked).choices == {"speed": "50.0 /min"}
    assert order(bench, **asked, method_id="clear-glaze-qc").choices == {"speed": "50.0 /min"}
    assert order(bench, **asked, choices={"speed": 10.0}).choices == {"speed": 10.0}
    assert order(bench, sample="X", method_id="clear-glaze-qc", instrument="bench-1").choices == {}


def test_a_sample_of_another_product_or_lot_is_not_measured_as_this_one(bench):
    act(bench, "sample_add", id="G-1042", product="clear-glaze", lot="2211")
    for values, key in (({"product": "engobe"}, "product"), ({"lot": "2212"}, "lot")):
        with pytest.raises(SettingError, match="is not that of sample 'G-1042'") as caught:
            order(bench, sample="G-1042", instrument="bench-1", **values)
        assert caught.value.key == key


@pytest.mark.parametrize("end", ["sample_cancel", "done"])
def test_a_sample_that_is_not_open_is_not_measured_before_it_is_opened_again(bench, end):
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    if end == "done":
        run = bench.measure("G-1042")
        with opened(bench) as store:
            note_done(store, bench.catalogue, run, bench.clock.utc_ns())
    else:
        act(bench, end, id="G-1042", because="spilled")
    with pytest.raises(SettingError, match="daq sample again G-1042"):
        order(bench, sample="G-1042", instrument="bench-1")
    act(bench, "sample_again", id="G-1042", because="found")
    assert order(bench, sample="G-1042", instrument="bench-1", fill="b").method_id == "clear-glaze-qc"


def test_the_worklist_of_a_bench_leaves_out_what_the_bench_cannot_measure(bench):
    for ident, more in (
        ("G-1001", {"product": "clear-glaze"}), ("E-1", {"product": "engobe"}), ("T-1", {"product": "thin-slip"}),
        ("any", {}), ("own", {"product": "engobe", "bench": "bench-3"}),
    ):  # fmt: skip
        act(bench, "sample_add", id=ident, **more)

    def seen(name):
        with opened(bench) as store, store.reader() as reader:
            return [k.record.id for k in worklist(reader, name, suits=suits(bench.catalogue, name, reader))]

    assert seen("bench-3") == ["G-1001", "T-1", "any", "own"]
    assert seen("bench-2") == ["E-1", "any"]
    assert seen("ph-1") == ["T-1", "any"]


@pytest.mark.slow
@pytest.mark.parametrize("geometry", ["cylinder-9", "cylinder-6", "vane-20", "paddle-2", None])
def test_test_and_worklist_are_those_of_the_geometry_that_is_recorded_as_fitted(bench, geometry):
    """The file names the geometry of the first start only; each product is asked for, with each geometry recorded."""
    if geometry is not None:
        act(bench, "fit", instrument="bench-2", geometry=geometry)
    fitted = bench.catalogue.instrument("bench-2").with_fitted(geometry or "cylinder-9")
    able = set()
    for product in bench.catalogue.products.values():
        found = [t for t in product.tests if can_be_measured(bench.catalogue, t, fitted)]
        act(bench, "sample_add", id=f"{product.id}-1" if product.id != "clear-glaze" else "G-1001", product=product.id)
        if len(found) == 1:
            able.add(product.id)
            sample = f"{product.id}-2" if product.id != "clear-glaze" else "G-1002"
            assert order(bench, sample=sample, product=product.id, instrument="bench-2").method_id == found[0].method_id
    with opened(bench) as store, store.reader() as reader:
        listed = worklist(reader, "bench-2", suits=suits(bench.catalogue, "bench-2", reader))
    assert {k.record.product for k in listed} == able
    assert able == {"cylinder-9": {"engobe", "white-glaze"}, "vane-20": {"gelled-slip"}}.get(
        geometry or "cylinder-9", set()
    )


def can_be_measured(catalogue, test, instrument):
    if test.instruments:
        return instrument.name in test.instruments
    try:
        catalogue.compile(catalogue.method(test.method_id, test.version), instrument)
    except SettingError:
        return False
    return True


def test_a_number_is_counted_at_the_start_of_the_run_unless_the_order_states_one(bench):
    """An order that is completed has no number yet: another bench may start a run of the sample before it does."""
    asked = {"sample": "G-1042", "instrument": "bench-1", "method_id": "clear-glaze-qc"}
    bench.measure("G-1042", fill="f1")
    assert order(bench, **asked, filling="fresh").replicate == 1
    assert order(bench, **asked, fill="x", replicate=7).replicate == 7


def test_where_no_test_can_be_made_the_order_names_what_hinders(bench):
    with pytest.raises(SettingError, match="none of the tests .*vane.*daq fit bench-2"):
        order(bench, sample="L-1", product="gelled-slip", instrument="bench-2")


# ---- two runs on one filling are no replicates


def test_a_second_run_of_a_registered_sample_says_on_which_filling_it_is(bench):
    change(bench, "clear-glaze", replicates=Replicates.model_validate({"repeatability_limit": "50 %"}))
    act(bench, "sample_add", id="G-1042", product="clear-glaze")
    asked = {"sample": "G-1042", "instrument": "bench-1"}
    assert order(bench, **asked).fill == ""
    bench.measure("G-1042", fill="a")
    with pytest.raises(SettingError, match=r"--same-fill.*--fresh-fill.*--fill ID") as caught:
        order(bench, **asked)
    assert caught.value.key == "fill"
    same = order(bench, **asked, filling="same")
    assert (same.fill, same.filling) == ("a", "")
    assert order(bench, **asked, filling="fresh").fill == ""
    assert order(bench, **asked, fill="b").fill == "b"
    # On another instrument with another method it is another vessel.
    assert order(bench, sample="G-1042", instrument="balance-1", method_id="weighing").fill == ""


def test_the_same_filling_as_that_of_a_run_without_a_name_is_the_filling_of_that_run(bench):
    act(bench, "sample_add", id="G-1042", product="engobe")
    first = bench.measure("G-1042")
    asked = {"sample": "G-1042", "instrument": "bench-1", "method_id": "clear-glaze-qc"}
    assert order(bench, **asked, filling="same").fill == first


def test_a_sample_that_is_not_registered_stays_on_its_filling_where_none_is_stated(bench):
    first = bench.measure("G-1042")
    asked = {"sample": "G-1042", "instrument": "bench-1", "method_id": "clear-glaze-qc"}
    assert order(bench, **asked).fill == first
    assert order(bench, **asked, filling="fresh").fill == ""
    assert order(bench, **asked, fill="F-2").fill == "F-2"
