"""The acts by which two persons enter a value that was read by eye; the second one does not see the first value."""

import math
import uuid
from typing import Annotated, Any, Final

from pydantic import Field

from daq.adapters.store.records import Change
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, new
from daq.app.records.transcriptions import Transcription, named
from daq.core.errors import SettingError
from daq.core.units import UNITS, convert
from daq.laboratory.transcribed import Transcribed
from daq.methods.files.fields import Amount, Label, Model, NeededLabel, amount
from daq.process.moments import past_moment, read_moment


class OfReading(Model):
    """Order on one reading of a test of a sample, with the value as it was read: ``34.5 s``."""

    sample: NeededLabel
    test: NeededLabel
    value: NeededLabel
    replicate: Annotated[int, Field(ge=1, le=9_999)] = 1


class Transcribe(OfReading):
    """Order to enter a value for the first time, or again after a mismatch or with a reason."""

    read_at: Label = ""
    """Time of the reading: 14:30, or ISO 8601 with its offset; "" means now."""
    remark: Label = ""
    because: Label = ""


class Confirm(OfReading):
    """Order of a second person to enter the same value without seeing the first."""


def transcribe(laboratory: Laboratory, order: Transcribe) -> dict[str, Any]:
    """Enter a value as the first person.

    Raises:
        SettingError: the value is no number with its unit, or the reading has a value already.
    """
    given = _amount(order.value)
    with laboratory.reader() as reader:
        before = named(reader, order.sample, order.test, order.replicate)
    if before is not None:
        _refuse_change(before.record, laboratory.who, order.because)
    now = laboratory.clock.utc_ns()
    record = Transcribed(
        id=str(uuid.uuid4()) if before is None else before.record.id,
        sample=order.sample,
        test=order.test,
        replicate=order.replicate,
        value=given.value,
        unit=given.unit,
        as_typed=order.value,
        read_utc_ns=now if not order.read_at else _read_at(order.read_at, now),
        remark=order.remark,
        first=laboratory.who,
    )
    change = new(record, "value_transcribed") if before is None else _change(before, record, "value_transcribed_again")
    laboratory.change(change, because=order.because)
    return {"id": record.id, "sample": record.sample, "test": record.test, "state": record.state}


def confirm(laboratory: Laboratory, order: Confirm) -> dict[str, Any]:
    """Enter the value as the second person; another value than the first is recorded and refused.

    Raises:
        SettingError: there is no such value that waits, the person is the first one, or the values differ.
    """
    given = _amount(order.value)
    with laboratory.reader() as reader:
        found = named(reader, order.sample, order.test, order.replicate)
    if found is None or found.record.state != "waiting":
        state = "is not entered yet" if found is None else f"does not wait: {found.state}"
        raise SettingError(f"{order.test} of sample {order.sample} {state}")
    before = found.record
    if before.first == laboratory.who:
        raise SettingError(
            f"{laboratory.who} entered the first value; the second person is another one (persons that share a login "
            "are distinguished by --as or by a badge, where people are switched on)"
        )
    same = _equal(given, before)
    update = {"state": "confirmed" if same else "mismatch", "second": laboratory.who}
    record = before.model_copy(update=update | ({} if same else {"second_typed": order.value}))
    laboratory.change(_change(found, record, "transcription_confirmed" if same else "transcription_refused"))
    if not same:
        raise SettingError(
            f"the two values of {order.test} of sample {order.sample} differ; both are recorded, and none counts: read "
            "it again, then enter it again"
        )
    return {"id": record.id, "sample": record.sample, "test": record.test, "value": before.as_typed}


def _read_at(text: str, now_utc_ns: int) -> int:
    return read_moment(past_moment(text, now_utc_ns, "read_at"), end=False)


def _amount(text: str) -> Amount:
    try:
        given = amount(text)
    except ValueError as error:
        raise SettingError(str(error), key="value") from None
    if not math.isfinite(given.value):
        raise SettingError(f"{text!r} is no finite number", key="value")
    return Amount(given.value, given.unit or "1")


def _equal(given: Amount, before: Transcribed) -> bool:
    """Return whether two values are equal; "0.575 min" is 34.5 s."""
    if given.unit == before.unit:
        return given.value == before.value
    if UNITS[given.unit].dimension != UNITS[before.unit].dimension:
        return False
    return math.isclose(convert(given.value, given.unit, before.unit), before.value, rel_tol=1e-12)


def _refuse_change(before: Transcribed, who: str, because: str) -> None:
    if before.state == "mismatch":
        return
    if before.state == "waiting" and before.first != who:
        raise SettingError(
            f"{before.test} of sample {before.sample} was entered by {before.first} and waits for a second person: "
            "daq transcribe --confirm"
        )
    if not because:
        raise SettingError(
            f"{before.test} of sample {before.sample} is entered already; a change needs a reason, and another reading "
            "another number (--replicate)",
            key="because",
        )


def _change(found: Transcription, record: Transcribed, what: str) -> Change:
    return Change(record.kind, record.id, what, record.model_dump(mode="json"), record.keys(), found.revision)


ACTS: Final = (
    Act("transcribe", Transcribe, "measure", transcribe),
    Act("transcribe_confirm", Confirm, "measure", confirm),
)
