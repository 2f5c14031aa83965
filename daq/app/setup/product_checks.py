"""Check the tests of products against methods and instruments."""

from collections.abc import Iterator, Mapping

from daq.app.setup.unknown_names import unknown
from daq.core.errors import SettingError
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.files.producttest import ProductTest
from daq.methods.files.recipe import Method
from daq.methods.planning.choosing import Chosen
from daq.methods.planning.refusals import Refusals


def product_errors(
    product: Product, methods: Mapping[str, Mapping[str, Method]], instruments: Mapping[str, Instrument]
) -> Iterator[SettingError]:
    """Yield the errors in the tests of a product: methods, versions, choices and instruments that there are not.

    Args:
        product: the product.
        methods: methods by id and version.
        instruments: instruments by name.
    """
    for i, test in enumerate(product.tests):
        key = f"tests[{i}]"
        versions = methods.get(test.method_id)
        method = None if versions is None else versions.get(test.version)
        if versions is None:
            yield SettingError(unknown("method", test.method_id, methods), file=product.source, key=f"{key}.method")
        elif method is None:
            reason = unknown(f"version of method {test.method_id}:", test.version, versions)
            yield SettingError(reason, file=product.source, key=f"{key}.method")
        else:
            yield from _choice_errors(product, key, test, method)
        for j, name in enumerate(test.instruments):
            if name not in instruments:
                reason = unknown("instrument", name, instruments)
                yield SettingError(reason, file=product.source, key=f"{key}.instruments[{j}]")


def _choice_errors(product: Product, key: str, test: ProductTest, method: Method) -> Iterator[SettingError]:
    refusals = Refusals()
    Chosen.of(method, test.choices, refusals)
    for error in refusals.errors:
        yield SettingError(error.reason, file=product.source, key=f"{key}.choices.{error.key}")
