"""The act that adds a sample, and the checks of samples."""

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, new
from daq.core.errors import SettingError, SettingErrors, coded, moved
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
    errors = Errors()
    if order.id == NEWEST:
        errors.add(
            "id",
            f"{NEWEST!r} names the newest run in commands; give this sample another id",
            "sample_id_reserved",
            sample=order.id,
        )
    if exists(order.id):
        errors.add(
            "id", f"there is a sample {order.id!r} already; give this one another id", "sample_exists", sample=order.id
        )
    if order.product:
        product = errors.of("product", lambda: catalogue.product(order.product))
        if product is not None and (wrong := wrong_id(product, order.id)):
            patterns = ", ".join(product.sample_ids)
            errors.add("id", wrong, "sample_id_wrong", sample=order.id, product=product.id, patterns=patterns)
    if order.bench:
        errors.of("bench", lambda: catalogue.instrument(order.bench))
    if order.rework is not None and not exists(order.rework.of):
        reason = f"there is no sample {order.rework.of!r}; write the id of the earlier sample"
        errors.add("rework.of", reason, "sample_unknown", sample=order.rework.of)
    if order.retained is not None:
        check_day(errors, "retained.discard_on", order.retained.discard_on or "")
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


class Errors:
    """Collects errors, each under the key of the order that caused it."""

    def __init__(self) -> None:
        self.found: list[SettingError] = []

    def add(self, key: str, reason: str, code: str, /, **values: str) -> None:
        """Add an error with its code and values; the key is its `field`."""
        self.found.append(coded(SettingError(reason, key=key), code, **values, field=key))

    def of(self, key: str, ask: Callable[[], Any]) -> Any:
        """Return what `ask` returns; None where it refuses."""
        try:
            return ask()
        except SettingError as error:
            self.found.append(moved(error, key))
            return None


def check_day(errors: Errors, key: str, day: str) -> None:
    """Add an error where a text is no day of the calendar; "" is none."""
    if not day:
        return
    try:
        date.fromisoformat(day)
    except ValueError:
        errors.add(key, f"{day!r} is no day of the calendar; write it as 2027-03-31", "no_day", given=day)


def in_state(kept: Kept[Sample], state: SampleState, what: str) -> Any:
    """Return the change of a sample to another state."""
    return changed(kept, kept.record.model_copy(update={"state": state}), what)


ACTS: Final = (Act("sample_add", AddSample, "measure", add, clients=True),)
"""The acts on samples that may stand on a certificate are in `daq.app.laboratory.signing.changing_samples`."""
