"""Decide whether a repeat of a sample needs an assigned cause: no sample is measured until its result fits."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import find
from daq.app.records.attempts import attempt_of, runs_of_sample
from daq.app.records.searching import RunSearch, search
from daq.core.errors import SettingError
from daq.laboratory.bench.repeatcause import RepeatCause

if TYPE_CHECKING:
    from daq.methods.files.product import Product

SHOWN_ID: Final = 8
"""Number of characters of a run's id that a message shows."""


def without_cause(reader: Reader, sample: str, product: "Product | None", method: str) -> str:
    """Return the run after which a further run of a sample needs an assigned cause; "" where it needs none.

    It needs one where the reportable value by this method is outside its limits, and no cause is assigned to the newest
    valid run.  A result that the product's rule still asks for needs none.

    Args:
        reader: the database.
        sample: id of the sample.
        product: its product; None for none.
        method: id and version of the method of the further run.
    """
    from daq.methods.concluding.reportable import reportable  # a list of a shift rarely has a repeat that waits

    own = [a for a in (attempt_of(reader, r) for r in runs_of_sample(reader, sample)) if a[0].method == method]
    found = reportable(sample, own, product)
    if found.value is None or found.verdict != "outside":
        return ""
    newest = [attempt.run for attempt, data in own if data is not None and data["validity"] == "valid"][-1]
    return "" if find(reader, RepeatCause, newest) is not None else newest


def waiting_for_cause(reader: Reader, products: "Mapping[str, Product]", *, limit: int) -> list[RunRecord]:
    """Return the runs after which a repeat of their sample waits for an assigned cause, newest first.

    Args:
        reader: the database.
        products: the products by id.
        limit: greatest number of runs outside their limits that are examined.
    """
    out: list[RunRecord] = []
    seen: set[tuple[str, str]] = set()
    for run in search(reader, RunSearch(verdict="outside"), limit=limit).runs:
        method = f"{run.method_id} {run.method_version}"
        if not run.sample or (run.sample, method) in seen:
            continue
        seen.add((run.sample, method))
        found = reader.run(without_cause(reader, run.sample, products.get(run.product), method) or "")
        if found is not None:
            out.append(found)
    return out


def refuse_without_cause(reader: Reader, sample: str, product: "Product | None", method: str) -> None:
    """Refuse a further run of a sample that needs an assigned cause.

    Raises:
        SettingError: it needs one; the text has the command of the reviewer.
    """
    run = without_cause(reader, sample, product, method)
    if run:
        raise SettingError(
            f"sample {sample!r} is outside its limits (valid run {run[:SHOWN_ID]}, {method}): a repeat needs an "
            f"assigned cause from a person who reviews: daq repeat {run[:SHOWN_ID]} --cause CAUSE --because TEXT",
            key="sample",
        )
