"""Acts on samples, and questions about them."""

from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, listed, new
from daq.app.laboratory.moments import any_moment, past_moment
from daq.core.errors import SettingError
from daq.laboratory.record import LAST
from daq.laboratory.samples import ROUTINE, Priority, Rework, Sample, worklist_key
from daq.methods.files.fields import Label, Model, NeededLabel


class AddSample(Model):
    """Order to add a sample; the fields are those of `Sample`, times as a person types them."""

    id: NeededLabel
    product: Label = ""
    lot: Label = ""
    sampled_at: Label = ""
    due: Label = ""
    condition: Label = ""
    received_by: Label = ""
    rework: Rework | None = None
    bench: Label = ""
    priority: Priority = ROUTINE
    remark: Label = ""


class CancelSample(Model):
    """Order to take a sample off the worklist."""

    id: NeededLabel
    because: NeededLabel


def add(laboratory: Laboratory, order: AddSample) -> dict[str, Any]:
    """Add a sample.

    Raises:
        SettingError: the id is in use, product, instrument or earlier sample are not known, or a time is wrong.
    """
    if laboratory.found(Sample, order.id) is not None:
        raise SettingError(f"there is a sample {order.id!r} already; give this one another id", key="id")
    laboratory.change(new(_checked(laboratory, order), "sample_added"))
    return {"id": order.id}


def _checked(laboratory: Laboratory, order: AddSample) -> Sample:
    catalogue, now = laboratory.catalogue, laboratory.clock.utc_ns()
    if order.product:
        catalogue.product(order.product)
    if order.bench:
        catalogue.instrument(order.bench)
    if order.rework is not None:
        laboratory.get(Sample, order.rework.of)
    given = order.model_dump(exclude={"sampled_at", "due"})
    times = {
        "sampled_at": past_moment(order.sampled_at, now, "sampled_at"), "due": any_moment(order.due, now, "due"),
    }  # fmt: skip
    return Sample.model_validate(given | times)


def cancel(laboratory: Laboratory, order: CancelSample) -> dict[str, Any]:
    """Take a sample off the worklist; its record stays.

    Raises:
        SettingError: there is no such sample, or it is not open.
    """
    kept = laboratory.get(Sample, order.id)
    if kept.record.state != "open":
        raise SettingError(f"sample {order.id!r} is {kept.record.state}; only an open one can be cancelled")
    cancelled = kept.record.model_copy(update={"state": "cancelled"})
    laboratory.change(changed(kept, cancelled, "sample_cancelled"), because=order.because)
    return {"id": order.id}


def sample(reader: Reader, ident: str) -> Kept[Sample] | None:
    """Return a sample by its id, or None."""
    return find(reader, Sample, ident)


def worklist(reader: Reader, bench: str = "", *, limit: int = 100) -> list[Kept[Sample]]:
    """Return the open samples that a bench can take, by priority and due time; "" means those without a bench only."""
    found = [k for name in {"", bench} for k in listed(reader, Sample, worklist_key(name), "", LAST, limit=limit)]
    return sorted(found, key=lambda k: (k.record.priority, k.record.due or LAST, k.record.id))[:limit]


ACTS: Final = (
    Act("sample_add", AddSample, "measure", add),
    Act("sample_cancel", CancelSample, "measure", cancel),
)
