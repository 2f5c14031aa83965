"""Complete the order of a run: method, instrument, lot and fill from the sample's record and the product's file."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.progress import open_tests
from daq.app.laboratory.repeats import refuse_without_cause
from daq.app.laboratory.samples import wrong_id
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.product_versions import product_of_sample
from daq.app.setup.fitted import fits_of, with_fits
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError, coded
from daq.laboratory.samples import Sample
from daq.methods.files.product import Product
from daq.methods.files.producttest import ProductTest
from daq.quality.digits import SHOWN_ID

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue


def completed(
    order: RunOrder, catalogue: "Catalogue", reader: Reader | None, served: Sequence[str], *, reopens: bool = False
) -> RunOrder:
    """Return an order completed from its sample and its product; a completed order does not change.

    Args:
        order: the order of a person.
        catalogue: the configuration.
        reader: the database; None where there is none yet.
        served: names of the instruments that can be used.
        reopens: the start of the run opens its sample again, so the sample may be done.

    Raises:
        SettingError: sample, product, method and instrument do not fit, or one of them is missing.
    """
    catalogue = _as_recorded(catalogue, reader)
    sample = None if reader is None else find(reader, Sample, order.sample)
    if sample is not None:
        order = _of_sample(order, sample.record, reopens=reopens)
    # The present file decides which ids its product has, as where a sample is registered.
    present = catalogue.product(order.product) if order.product else None
    wrong = "" if present is None else wrong_id(present, order.sample)
    if wrong:
        patterns = ", ".join(present.sample_ids) if present else ""
        error = SettingError(wrong, key="sample")
        raise coded(error, "sample_id_wrong", sample=order.sample, product=order.product, patterns=patterns)
    product = _product(order, catalogue, reader)
    order = _with_method(order, catalogue, reader, product)
    test = _test(order, catalogue, product)
    method = catalogue.method(order.method_id, order.method_version)
    # An ordinary method measures a sample also where the order names a fluid.
    if reader is not None and not method.is_check:
        refuse_without_cause(reader, order.sample, method.id)
    order = _with_instrument(order, catalogue, test, served)
    if test is not None:
        given: dict[str, Any] = {name: _setting(a.value, a.unit) for name, a in test.choices.items()}
        order = order.model_copy(update={"choices": given | order.choices})
    if reader is None:
        return _with_fill(order, [], registered=False)
    registered = sample is not None
    # A control fluid was measured thousands of times: the runs before are read only where they decide the filling.
    is_open = not (order.fill or order.filling) and (registered or not method.is_check)
    before = _before(order, reader) if is_open or order.filling == "same" else []
    return _with_fill(order, before, registered=registered, is_check=method.is_check)


def _product(order: RunOrder, catalogue: "Catalogue", reader: Reader | None) -> Product | None:
    """Return the product whose tests the sample of an order needs: by the version with which its measurement began."""
    if not order.product:
        return None
    in_file = catalogue.product(order.product)  # refuses one that is not known: the run is planned by the present file
    return in_file if reader is None else product_of_sample(reader, order.sample, order.product, catalogue.products)


def _as_recorded(catalogue: "Catalogue", reader: Reader | None) -> "Catalogue":
    """Return the configuration with the geometries that are recorded as fitted; a file states only the first one."""
    return catalogue if reader is None else with_fits(catalogue, fits_of(reader, catalogue.instruments))


def suits(catalogue: "Catalogue", bench: str, reader: Reader) -> Callable[[Sample], bool]:
    """Return a function that tells whether a bench, as it is fitted, can make a test of a sample's product.

    It can where the product lists no tests.  The tests are those that an order of the sample would choose from.
    """
    able: dict[tuple[str, str], bool] = {}
    catalogue = _as_recorded(catalogue, reader)

    def of_sample(sample: Sample) -> bool:
        product = product_of_sample(reader, sample.id, sample.product, catalogue.products)
        if product is None or not product.tests:
            return True
        version = (product.id, product.version)
        if version not in able:
            able[version] = any(_allows(t, bench, catalogue) for t in product.tests)
        return able[version]

    return of_sample


def _setting(value: float, unit: str) -> float | str:
    return f"{value!r} {unit}" if unit else value


def _of_sample(order: RunOrder, sample: Sample, *, reopens: bool) -> RunOrder:
    """Return an order with product, lot and sampling time of its sample's record."""
    if sample.state != "open" and not (reopens and sample.state == "done"):
        error = SettingError(
            f"sample {sample.id!r} is {sample.state}; `daq sample again {sample.id} --because TEXT` opens it again",
            key="sample",
        )
        raise coded(error, "sample_not_open", sample=sample.id, state=sample.state)
    given: dict[str, str] = {}
    for name in ("product", "lot", "sampled_at"):
        asked, stored = getattr(order, name), getattr(sample, name)
        if asked and stored and asked != stored:
            raise SettingError(
                f"{asked!r} is not that of sample {sample.id!r}, which is {stored!r}; leave it out, or use "
                "`daq sample change`",
                key=name,
            )
        given[name] = asked or stored
    return order.model_copy(update=given)


def _with_method(order: RunOrder, catalogue: "Catalogue", reader: Reader | None, product: Product | None) -> RunOrder:
    """Return an order with a method; without one, that of the product's test."""
    if order.method_id:
        catalogue.method(order.method_id, order.method_version)  # refuses one that is not known
        return order
    if product is None:
        error = SettingError(
            f"is missing: name a method; or name a product (--product), or a sample that is registered with one. "
            f"Sample {order.sample!r} is not registered with a product",
            key="method",
        )
        raise coded(error, "sample_without_product", sample=order.sample)
    if not product.tests:
        error = SettingError(f"is missing: product {product.id} lists no tests; name a method", key="method")
        raise coded(error, "product_without_tests", product=product.id)
    left = [t for t in product.tests if not order.instrument or _allows(t, order.instrument, catalogue)]
    if len(left) > 1 and reader is not None:
        still = open_tests(reader, order.sample, product)
        left = [t for t in left if t in still] or left
    if len(left) != 1:
        names = ", ".join(
            t.method_id + (f" on {' or '.join(t.instruments)}" if t.instruments else "") for t in product.tests
        )
        where = f" on {order.instrument}" if order.instrument else ""
        which = f"{len(left) or 'none'} of the tests of product {product.id} can be measured{where}"
        hindrance = _hindrance(product.tests[0], order.instrument, catalogue) if len(product.tests) == 1 else ""
        error = SettingError(f"is missing: {which}{hindrance}; name one of its methods: {names}", key="method")
        which = "several_tests" if left else "no_test_here"
        raise coded(error, which, sample=order.sample, product=product.id, instrument=order.instrument, methods=names)
    return order.model_copy(update={"method_id": left[0].method_id, "method_version": left[0].version})


def _test(order: RunOrder, catalogue: "Catalogue", product: Product | None) -> ProductTest | None:
    """Return the test of the product that the order makes, or None."""
    if product is None:
        return None
    method = catalogue.method(order.method_id, order.method_version)
    name = f"{method.id} {method.version}"
    # A method that a person names may be one that only the present file of the product lists.
    return product.test_of(name) or catalogue.product(product.id).test_of(name)


def _with_instrument(
    order: RunOrder, catalogue: "Catalogue", test: ProductTest | None, served: Sequence[str]
) -> RunOrder:
    """Return an order with an instrument; without one, the only one that is allowed and can be used."""
    if order.instrument:
        catalogue.instrument(order.instrument)  # refuses one that is not known
        if test is not None and not test.allows(order.instrument):
            error = SettingError(
                f"product {order.product} allows {' or '.join(test.instruments)} for {test.method_id}, and not "
                f"{order.instrument}",
                key="instrument",
            )
            raise coded(
                error, "instrument_not_allowed", product=order.product, instruments=", ".join(test.instruments),
                method=test.method_id, instrument=order.instrument,
            )  # fmt: skip
        return order
    if test is not None and test.instruments:
        able = [name for name in served if name in test.instruments]
    else:
        able = [name for name in served if _fits(order, catalogue, name)]
    if len(able) != 1:
        known = ", ".join(able) or "none"
        raise SettingError(
            f"is missing: the served instruments for method {order.method_id} are: {known}; name one (--instrument)",
            key="instrument",
        )
    return order.model_copy(update={"instrument": able[0]})


def _allows(test: ProductTest, instrument: str, catalogue: "Catalogue") -> bool:
    """Return whether a test can be made on an instrument."""
    if test.instruments:
        return instrument in test.instruments
    order = RunOrder(method_id=test.method_id, method_version=test.version, sample="?")
    return _fits(order, catalogue, instrument)


def _hindrance(test: ProductTest, instrument: str, catalogue: "Catalogue") -> str:
    """Return why a test cannot be made on an instrument, in brackets; "" where there is no reason."""
    try:
        catalogue.compile(catalogue.method(test.method_id, test.version), catalogue.instrument(instrument))
    except SettingError as error:
        return f" ({error})"
    return ""


def _fits(order: RunOrder, catalogue: "Catalogue", instrument: str) -> bool:
    try:
        method = catalogue.method(order.method_id, order.method_version)
        catalogue.compile(method, catalogue.instrument(instrument))
    except SettingError:
        return False
    return True


def _before(order: RunOrder, reader: Reader) -> list[RunRecord]:
    """Return the earlier runs of the sample that may have used the same filling, the one started last first."""
    return [
        run
        for run in reversed(runs_of_sample(reader, order.sample))
        if run.instrument == order.instrument or run.method_id == order.method_id
    ]


def _with_fill(order: RunOrder, before: Sequence[RunRecord], *, registered: bool, is_check: bool = False) -> RunOrder:
    """Return an order with the fill that ``--same-fill`` means.

    A sample that is not registered stays on its filling where the order states none: two runs on one filling must not
    count as two.

    Raises:
        SettingError: a registered sample was measured before, and the order does not say on which filling it is now.
    """
    if order.filling and order.fill:
        raise SettingError("is given twice: give its id, or say that it is the same or a fresh one", key="fill")
    if order.filling == "same":
        if not before:
            error = SettingError(
                f"sample {order.sample!r} was not measured before, so there is no same filling", key="fill"
            )
            raise coded(error, "no_same_filling", sample=order.sample)
        return order.model_copy(update={"fill": before[0].fill or before[0].id, "filling": ""})
    if registered and before and not order.fill and not order.filling:
        error = SettingError(
            f"sample {order.sample!r} was measured before (run {before[0].id[:SHOWN_ID]}): say whether the vessel "
            "holds the same filling still (--same-fill) or a fresh one (--fresh-fill), or name the filling (--fill "
            "ID); two runs on one filling are no replicates",
            key="fill",
        )
        raise coded(error, "filling_not_stated", sample=order.sample)
    if before and not order.fill and not order.filling and not is_check:
        return order.model_copy(update={"fill": before[0].fill or before[0].id})
    return order
