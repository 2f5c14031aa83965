"""Find what a text at a bench names: a registered sample or the control fluid, with method, times and temperature."""

from collections.abc import Sequence
from typing import Final

from pydantic import ValidationError

from daq.adapters.store.forms.result_values import DamagedResultError, values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.ordering import completed
from daq.app.laboratory.progress import open_tests
from daq.app.records.judged.judging import without_cause
from daq.app.records.judged.product_versions import product_of_sample
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fits_of, with_fits
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError, coded
from daq.laboratory.bench.benchstate import NamedSample, Outcome, Repeat
from daq.laboratory.samples import Sample
from daq.methods.files.product import Product
from daq.methods.files.recipe import Method

SECOND: Final = 1_000_000_000


def named_sample(reader: Reader, catalogue: Catalogue, served: Sequence[str], bench: str, text: str) -> NamedSample:
    """Return the sample of an id, as it would be measured on a bench now.

    The id of the control fluid that the file of the bench requires names its control.

    Raises:
        SettingError: no sample has this id, it is not open, or the bench cannot measure it.
    """
    filling = "fresh" if reader.runs(limit=1, sample=text) else ""
    order = RunOrder.model_validate({"sample": text, "instrument": bench, "filling": filling})
    if find(reader, Sample, text) is None:
        control = catalogue.instrument(bench).control
        if control is None or control.fluid != text:
            raise coded(SettingError(f"no sample {text!r} is registered"), "sample_unknown", sample=text)
        order = order.model_copy(update={"method_id": control.method, "fluid": control.fluid})
    order = completed(order, catalogue, reader, served)
    method = catalogue.method(order.method_id, order.method_version)
    product = catalogue.product(order.product) if order.product else None
    instrument = with_fits(catalogue, fits_of(reader, [bench])).instrument(bench)
    gate = catalogue.compile(method, instrument, product=product, choices=order.choices).conditioning
    stirring, rest, equilibrating = times_of(method, product)
    return NamedSample(
        sample=text,
        product=order.product,
        lot=order.lot,
        method=f"{method.id} {method.version}",
        fluid=order.fluid,
        caution="" if product is None else product.safety,
        stirring_s=stirring,
        resting_s=rest,
        equilibrating_s=equilibrating,
        signal=gate.signal,
        low=gate.low,
        high=gate.high,
        filling=order.filling,
    )


def times_of(method: Method | None, product: Product | None) -> tuple[float, float, float]:
    """Return the times (s) of stirring, of the rest after filling, and in the bath; 0 where none is given."""
    given = None if method is None else method.preparation
    stirring = rest = bath = None
    if given is not None:
        stirring, rest, bath = given.stirring, given.rest, given.equilibrating
    if product is not None and product.equilibrating is not None:
        bath = product.equilibrating
    return (stirring or 0) / SECOND, (rest or 0) / SECOND, (bath or 0) / SECOND


def outcome_of(reader: Reader, catalogue: Catalogue, run_id: str) -> Outcome:
    """Return the end of a run, and the need of a repeat of its sample.

    Where a result is damaged, what it states is left out: the bench goes on, and the start of a repeat is refused.
    """
    run = reader.run(run_id)
    newest = reader.newest_result(run_id)
    if run is None:
        return Outcome(run=run_id)
    if newest is None:
        return Outcome(run=run_id, outcome=run.outcome)
    ended = Outcome(run=run_id, outcome=run.outcome)
    try:
        data = values_of(newest)
        ended = Outcome(run=run_id, outcome=run.outcome, validity=data["validity"], verdict=data["verdict"]["verdict"])
        return ended.model_copy(update={"repeat": _repeat_of(reader, catalogue, run)})
    except (DamagedResultError, ValidationError):  # of this run, or of another one of its sample
        return ended


def _repeat_of(reader: Reader, catalogue: Catalogue, run: RunRecord) -> Repeat:
    kept = find(reader, Sample, run.sample)
    name = (kept.record.product if kept else "") or run.product
    product = product_of_sample(reader, run.sample, name, catalogue.products)
    method = f"{run.method_id} {run.method_version}"
    if without_cause(reader, run.sample, run.method_id):
        return "cause"
    if product is None or product.replicates_of(method) is None:
        return "free"
    is_open = any(test.method == method for test in open_tests(reader, run.sample, product))
    return "replicate" if is_open else "free"
