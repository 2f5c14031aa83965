"""Find out whether a sample is measured, and note it in its record."""

from typing import TYPE_CHECKING, Final

from daq.adapters.store.newest_runs import run_started_seq
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangedMeanwhileError, ChangeRecords, revisions
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import Kept, find
from daq.app.laboratory.samples import REOPENED, in_state
from daq.app.records.judged.judging import judged, judged_sample, tried_of_sample
from daq.app.records.judged.product_versions import product_of_sample, versions_of
from daq.laboratory.samples import Sample
from daq.methods.files.product import Product
from daq.methods.files.producttest import ProductTest

if TYPE_CHECKING:
    from daq.adapters.store.store import Writing
    from daq.app.setup.catalogue import Catalogue

TRIES: Final = 5
"""Number of times that the note is tried where a person changes the sample at the same moment."""


def is_measured(reader: Reader, sample: Sample, catalogue: "Catalogue") -> bool:
    """Return whether a sample has a reportable result of every test of its product, by the rule for replicates.

    The version of the product with which its measurement began says which tests these are.
    """
    product = product_of_sample(reader, sample.id, sample.product, catalogue.products)
    return not open_tests(reader, sample.id, product) if product and product.tests else _is_reported(reader, sample)


def _is_reported(reader: Reader, sample: Sample) -> bool:
    return judged_sample(reader, sample.id).value is not None


def open_tests(reader: Reader, sample: str, product: Product) -> tuple[ProductTest, ...]:
    """Return the tests of a product of which a sample has no reportable result yet."""
    runs, version_of = tried_of_sample(reader, sample), versions_of(reader)
    products = {t.run.product for t in runs if t.moved is None and t.run.product}

    def is_open(test: ProductTest) -> bool:
        own = [t for t in runs if t.attempt[0].method == test.method]
        return judged(sample, own, version_of, products=products).value is None

    return tuple(test for test in product.tests if is_open(test))


def note_done(store: "Writing", catalogue: "Catalogue", run_id: str, utc_ns: int, who: str = "") -> bool:
    """Set the sample of an ended run to done if it is open and measured; return whether it was set.

    Args:
        store: the store.
        catalogue: the configuration.
        run_id: the run.
        utc_ns: the present time.
        who: the person; "" means the operator of the run.

    Raises:
        StoreError: the store cannot be read or written.
    """
    for tries_left in reversed(range(TRIES)):
        with store.reader() as reader:
            run = reader.run(run_id)
            kept = None if run is None else find(reader, Sample, run.sample)
            if run is None or kept is None or not _is_due(reader, run, kept, catalogue):
                return False
        because = f"result of run {run.id}"
        done = ChangeRecords((in_state(kept, "done", "sample_done"),), utc_ns, who or run.operator, because)
        try:
            store.submit(done).result()
        except ChangedMeanwhileError:
            if not tries_left:
                raise
        else:
            return True
    return False


def note_undone(store: "Writing", catalogue: "Catalogue", sample: str, utc_ns: int, who: str, because: str) -> bool:
    """Open a sample again if it is done and not measured any more; return whether it was opened.

    Args:
        store: the store.
        catalogue: the configuration.
        sample: id of the sample from which a run was taken by a correction or an annulment.
        utc_ns: the present time.
        who: the person who did that.
        because: the reason.

    Raises:
        StoreError: the store cannot be read or written.
    """
    with store.reader() as reader:
        kept = find(reader, Sample, sample)
        if kept is None or kept.record.state != "done":
            return False
        if is_measured(reader, kept.record, catalogue):
            return False
    store.submit(ChangeRecords((in_state(kept, "open", REOPENED),), utc_ns, who, because)).result()
    return True


def _is_due(reader: Reader, run: RunRecord, kept: Kept[Sample], catalogue: "Catalogue") -> bool:
    """Return whether the sample of an ended run becomes done."""
    if kept.record.state != "open":
        return False
    reopened = [r.audit_seq for r in revisions(reader, Sample.kind, kept.record.id) if r.what == REOPENED]
    # After it was opened again a sample waits for a further run. The audit trail has the order of both: a clock can be
    # set back, and the start of a repeat opens its sample at the same time.
    if reopened and run_started_seq(reader, run.id) <= max(reopened):
        return False
    return is_measured(reader, kept.record, catalogue)
