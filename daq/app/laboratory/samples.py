"""Acts on samples."""

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, new
from daq.app.laboratory.repeats import refuse_without_cause
from daq.app.records.judged.judging import tried_of_sample
from daq.core.errors import SettingError, SettingErrors
from daq.laboratory.kinds import NEWEST
from daq.laboratory.samples import ROUTINE, Priority, Retained, Rework, Sample, SampleState
from daq.methods.files.fields import Label, Model, NeededLabel
from daq.methods.files.product import Product
from daq.process.moments import any_moment, past_moment

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue

SampleExists = Callable[[str], bool]
"""Returns whether there is a sample with an id."""
REOPENED: Final = "sample_reopened"
"""The change that opens a sample again, in its audit entry."""


class AddSample(Model):
    """Order to add a sample; the fields are those of `Sample`, times as a person types them."""

    id: NeededLabel
    product: Label = ""
    lot: Label = ""
    sampled_at: Label = ""
    due: Label = ""
    condition: Label = ""
    received_by: Label = ""
    retained: Retained | None = None
    rework: Rework | None = None
    bench: Label = ""
    priority: Priority = ROUTINE
    remark: Label = ""


class ChangeSample(Model):
    """Order to change a sample; None leaves a field as it is, "" empties it."""

    id: NeededLabel
    because: NeededLabel
    product: Label | None = None
    lot: Label | None = None
    sampled_at: Label | None = None
    due: Label | None = None
    condition: Label | None = None
    received_by: Label | None = None
    retain: Label | None = None
    """Place of the retained part."""
    discard_on: Label | None = None
    """Day (YYYY-MM-DD) from which the retained part may be discarded."""
    discarded: bool = False
    """The retained part was discarded."""
    bench: Label | None = None
    priority: Priority | None = None
    remark: Label | None = None


class CloseSample(Model):
    """Order to take a sample off the worklist, or to put it on the worklist again."""

    id: NeededLabel
    because: NeededLabel


def add(laboratory: Laboratory, order: AddSample) -> dict[str, Any]:
    """Add a sample.

    Raises:
        SettingErrors: the id is in use, product, instrument or earlier sample are not known, or a time is wrong.
    """
    with laboratory.reader() as reader:

        def exists(ident: str) -> bool:
            return find(reader, Sample, ident) is not None

        made, errors = checked(order, laboratory.catalogue, laboratory.clock.utc_ns(), exists)
    if made is None:
        raise SettingErrors(errors)
    laboratory.change(new(made, "sample_added"))
    return {"id": order.id}


def checked(
    order: AddSample, catalogue: "Catalogue", utc_ns: int, exists: SampleExists
) -> tuple[Sample | None, list[SettingError]]:
    """Return the sample of an order, or None and everything that is wrong with the order; keys are those of the order.

    Args:
        order: the order.
        catalogue: the configuration.
        utc_ns: the present time.
        exists: returns whether there is a sample with an id.
    """
    errors = _Errors()
    if order.id == NEWEST:
        errors.add("id", f"{NEWEST!r} names the newest run in commands; give this sample another id")
    if exists(order.id):
        errors.add("id", f"there is a sample {order.id!r} already; give this one another id")
    if order.product:
        product = errors.of("product", lambda: catalogue.product(order.product))
        if product is not None and (wrong := wrong_id(product, order.id)):
            errors.add("id", wrong)
    if order.bench:
        errors.of("bench", lambda: catalogue.instrument(order.bench))
    if order.rework is not None and not exists(order.rework.of):
        errors.add("rework.of", f"there is no sample {order.rework.of!r}; write the id of the earlier sample")
    if order.retained is not None:
        _check_day(errors, "retained.discard_on", order.retained.discard_on or "")
    times = {
        "sampled_at": errors.of("sampled_at", lambda: past_moment(order.sampled_at, utc_ns, "sampled_at")),
        "due": errors.of("due", lambda: any_moment(order.due, utc_ns, "due")),
    }
    if errors.found:
        return None, errors.found
    return Sample.model_validate(order.model_dump(exclude=set(times)) | times), []


def wrong_id(product: Product, ident: str) -> str:
    """Return why an id cannot be that of a sample of a product; "" where it can."""
    if product.admits(ident):
        return ""
    patterns = " or ".join(product.sample_ids)
    return (
        f"{ident!r} is no id of a sample of {product.id}: its ids are {patterns} (# is a digit, @ a letter); check the "
        "id, or name another product"
    )


class _Errors:
    """Collects errors, each under the key of the order that caused it."""

    def __init__(self) -> None:
        self.found: list[SettingError] = []

    def add(self, key: str, reason: str) -> None:
        self.found.append(SettingError(reason, key=key))

    def of(self, key: str, ask: Callable[[], Any]) -> Any:
        """Return what `ask` returns; None where it refuses."""
        try:
            return ask()
        except SettingError as error:
            self.add(key, error.reason)
            return None


def _check_day(errors: _Errors, key: str, day: str) -> None:
    if not day:
        return
    try:
        date.fromisoformat(day)
    except ValueError:
        errors.add(key, f"{day!r} is no day of the calendar; write it as 2027-03-31")


def change(laboratory: Laboratory, order: ChangeSample) -> dict[str, Any]:
    """Change a sample; the state before the change stays in its revisions.

    Raises:
        SettingErrors: there is no such sample, or a new value is wrong.
    """
    kept = laboratory.get(Sample, order.id)
    given = order.model_dump(exclude={"id", "because", "retain", "discard_on", "discarded"}, exclude_none=True)
    errors, now, catalogue = _Errors(), laboratory.clock.utc_ns(), laboratory.catalogue
    if "product" in given and given["product"] != kept.record.product:
        _check_product(errors, laboratory, order.id, given["product"])
    if given.get("bench"):
        errors.of("bench", lambda: catalogue.instrument(given["bench"]))
    if order.sampled_at is not None:
        given["sampled_at"] = errors.of("sampled_at", lambda: past_moment(given["sampled_at"], now, "sampled_at"))
    if order.due is not None:
        given["due"] = errors.of("due", lambda: any_moment(given["due"], now, "due"))
    given["retained"] = _retained(errors, kept.record.retained, order)
    if errors.found:
        raise SettingErrors(errors.found)
    after = Sample.model_validate(kept.record.model_dump() | given)
    if after == kept.record:
        raise SettingError(f"sample {order.id!r} has these values already; name a value that is to change")
    laboratory.change(changed(kept, after, "sample_changed"), because=order.because)
    return {"id": order.id}


def _check_product(errors: _Errors, laboratory: Laboratory, ident: str, product: str) -> None:
    with laboratory.reader() as reader:
        runs = reader.runs(limit=1, sample=ident)
    if runs:
        # The verdicts of its runs are those of the other product.
        reason = (
            f"cannot change, because sample {ident!r} has runs; add a sample with the right product and cancel this one"
        )
        errors.add("product", reason)
    elif product:
        found = errors.of("product", lambda: laboratory.catalogue.product(product))
        if found is not None and (wrong := wrong_id(found, ident)):
            errors.add("product", wrong)


def _retained(errors: _Errors, before: Retained | None, order: ChangeSample) -> dict[str, Any] | None:
    """Return place and day of the retained part after a change; None where nothing is retained."""
    place = "" if before is None else before.place
    day = None if before is None else before.discard_on
    if order.discarded:
        if before is None:
            errors.add("discarded", "no part of this sample is retained")
        elif order.retain or order.discard_on:
            errors.add("discarded", "has no place beside a place or a day; give one of them")
        return None
    place = place if order.retain is None else order.retain
    day = day if order.discard_on is None else order.discard_on or None
    if order.retain == "" and before is not None:
        errors.add("retain", "must not be empty; for a part that was discarded use --discarded")
    elif day and not place:
        errors.add("retain", "is missing: the place of the part that is to be discarded")
    elif order.discard_on:
        _check_day(errors, "discard_on", order.discard_on)
    return {"place": place, "discard_on": day} if place else None


def cancel(laboratory: Laboratory, order: CloseSample) -> dict[str, Any]:
    """Take a sample off the worklist; its record stays.

    Raises:
        SettingError: there is no such sample, or it is not open.
    """
    kept = laboratory.get(Sample, order.id)
    if kept.record.state != "open":
        raise SettingError(f"sample {order.id!r} is {kept.record.state}; only an open one can be cancelled")
    laboratory.change(in_state(kept, "cancelled", "sample_cancelled"), because=order.because)
    return {"id": order.id}


def again(laboratory: Laboratory, order: CloseSample) -> dict[str, Any]:
    """Put a sample that is done or cancelled on the worklist again; its results stay.

    Raises:
        SettingError: there is no such sample, it is open, or its result is outside and no cause is assigned.
    """
    kept = laboratory.get(Sample, order.id)
    if kept.record.state == "open":
        raise SettingError(f"sample {order.id!r} is open already")
    with laboratory.reader() as reader:
        for test in sorted({t.run.method_id for t in tried_of_sample(reader, order.id)}):
            refuse_without_cause(reader, order.id, test)
    laboratory.change(in_state(kept, "open", REOPENED), because=order.because)
    return {"id": order.id}


def in_state(kept: Kept[Sample], state: SampleState, what: str) -> Any:
    """Return the change of a sample to another state."""
    return changed(kept, kept.record.model_copy(update={"state": state}), what)


ACTS: Final = (
    Act("sample_add", AddSample, "measure", add, clients=True),
    Act("sample_change", ChangeSample, "measure", change),
    Act("sample_cancel", CloseSample, "measure", cancel),
    Act("sample_again", CloseSample, "measure", again),
)
