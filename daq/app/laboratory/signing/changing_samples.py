"""Acts that change a sample, take it off the worklist or open it again; they withdraw certificates that state it."""

from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Kept, Laboratory, changed
from daq.app.laboratory.repeats import refuse_without_cause
from daq.app.laboratory.samples import REOPENED, Errors, check_day, in_state, wrong_id
from daq.app.laboratory.signing.changed_samples import store_change
from daq.app.records.judged.judging import tried_of_sample
from daq.core.errors import SettingError, SettingErrors, coded
from daq.laboratory.samples import Priority, Retained, Sample, SampleState
from daq.methods.files.fields import Label, Model, NeededLabel
from daq.process.moments import any_moment, past_moment


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


def change(laboratory: Laboratory, order: ChangeSample) -> dict[str, Any]:
    """Change a sample; the state before the change stays in its revisions.

    Certificates that state what changes are withdrawn.

    Raises:
        NotAllowedError: it withdraws a certificate, and the person does not review.
        SettingErrors: there is no such sample, or a new value is wrong.
    """
    kept = laboratory.get(Sample, order.id)
    given = order.model_dump(exclude={"id", "because", "retain", "discard_on", "discarded"}, exclude_none=True)
    errors, now, catalogue = Errors(), laboratory.clock.utc_ns(), laboratory.catalogue
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
        raise coded(
            SettingError(f"sample {order.id!r} has these values already; name a value that is to change"),
            "sample_same",
            sample=order.id,
        )
    step = changed(kept, after, "sample_changed")
    gone = store_change(laboratory, step, kept.record, after, order.because)
    return {"id": order.id, "withdrawn": gone}


def _check_product(errors: Errors, laboratory: Laboratory, ident: str, product: str) -> None:
    with laboratory.reader() as reader:
        runs = reader.runs(limit=1, sample=ident)
    if runs:
        # The verdicts of its runs are those of the other product.
        reason = (
            f"cannot change, because sample {ident!r} has runs; add a sample with the right product and cancel this one"
        )
        errors.add("product", reason, "sample_has_runs", sample=ident)
    elif product:
        found = errors.of("product", lambda: laboratory.catalogue.product(product))
        if found is not None and (wrong := wrong_id(found, ident)):
            patterns = ", ".join(found.sample_ids)
            errors.add("product", wrong, "sample_id_wrong", sample=ident, product=product, patterns=patterns)


def _retained(errors: Errors, before: Retained | None, order: ChangeSample) -> dict[str, Any] | None:
    """Return place and day of the retained part after a change; None where nothing is retained."""
    place = "" if before is None else before.place
    day = None if before is None else before.discard_on
    if order.discarded:
        if before is None:
            errors.add("discarded", "no part of this sample is retained", "nothing_retained")
        elif order.retain or order.discard_on:
            errors.add("discarded", "has no place beside a place or a day; give one of them", "discarded_with_place")
        return None
    place = place if order.retain is None else order.retain
    day = day if order.discard_on is None else order.discard_on or None
    if order.retain == "" and before is not None:
        reason = "must not be empty; for a part that was discarded use --discarded"
        errors.add("retain", reason, "retained_without_place")
    elif day and not place:
        errors.add("retain", "is missing: the place of the part that is to be discarded", "place_missing")
    elif order.discard_on:
        check_day(errors, "discard_on", order.discard_on)
    return {"place": place, "discard_on": day} if place else None


def cancel(laboratory: Laboratory, order: CloseSample) -> dict[str, Any]:
    """Take a sample off the worklist; its record stays, and its certificates are withdrawn.

    Raises:
        NotAllowedError: it withdraws a certificate, and the person does not review.
        SettingError: there is no such sample, or it is not open.
    """
    kept = laboratory.get(Sample, order.id)
    if kept.record.state != "open":
        raise coded(
            SettingError(f"sample {order.id!r} is {kept.record.state}; only an open one can be cancelled"),
            "sample_not_open",
            sample=order.id,
            state=kept.record.state,
        )
    return _in_state(laboratory, kept, "cancelled", "sample_cancelled", order.because)


def again(laboratory: Laboratory, order: CloseSample) -> dict[str, Any]:
    """Put a sample that is done or cancelled on the worklist again; its results stay, its certificates do not.

    Raises:
        NotAllowedError: it withdraws a certificate, and the person does not review.
        SettingError: there is no such sample, it is open, or its result is outside and no cause is assigned.
    """
    kept = laboratory.get(Sample, order.id)
    if kept.record.state == "open":
        raise coded(SettingError(f"sample {order.id!r} is open already"), "sample_open", sample=order.id)
    with laboratory.reader() as reader:
        for test in sorted({t.run.method_id for t in tried_of_sample(reader, order.id)}):
            refuse_without_cause(reader, order.id, test)
    return _in_state(laboratory, kept, "open", REOPENED, order.because)


def _in_state(laboratory: Laboratory, kept: Kept[Sample], to: SampleState, what: str, because: str) -> dict[str, Any]:
    after = kept.record.model_copy(update={"state": to})
    gone = store_change(laboratory, in_state(kept, to, what), kept.record, after, because)
    return {"id": kept.record.id, "withdrawn": gone}


ACTS: Final = (
    Act("sample_change", ChangeSample, "measure", change),
    Act("sample_cancel", CloseSample, "measure", cancel),
    Act("sample_again", CloseSample, "measure", again),
)
