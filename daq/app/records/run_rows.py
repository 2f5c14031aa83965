"""Runs as rows: each with its newest result, for lists, sheets and notebooks."""

from dataclasses import dataclass
from typing import Any

from daq.adapters.store.forms.result_values import DamagedResultError, values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import of_sample
from daq.app.screens.text import expanded_of, plain, shown_value, spaced, utc_iso
from daq.core.faults import ANNULLED
from daq.core.units import symbol
from daq.laboratory.kinds import ReleaseState
from daq.quality.digits import NOTHING, is_interval, uncertain


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One run with its newest result; None for a value that does not exist."""

    run: str
    began: str | None
    began_utc_ns: int
    ended: str | None
    sample: str
    product: str | None
    lot: str | None
    method_id: str
    method_version: str
    instrument: str
    replicate: int
    operator: str
    attribution: str
    simulated: bool
    state: str
    outcome: str | None
    reason: str | None
    reason_code: str | None
    """Code of the reason, for other languages; None where the result does not state it."""
    motor: str | None
    quantity: str | None
    value: float | None
    reported: str | None
    shown: str | None
    expanded: float | None
    """Half of the interval around `value`, in `unit`."""
    unit: str | None
    quality: str | None
    validity: str | None
    verdict: str | None
    corrected: bool
    annulled: bool
    release: ReleaseState | None
    """None where it was never released or rejected."""
    transcribed: tuple[dict[str, Any], ...]
    """Values of the sample that were read by eye and entered by hand (`Transcription.as_json`); none is of this run."""


def _code_of(reason: str, data: dict[str, Any]) -> str | None:
    """Return the code of the reason for which a run ended; the store has its text, the result has the statement."""
    stated = [*data.get("reasons", ()), (data.get("span") or {}).get("stop_reason")]
    return next((s["code"] for s in reversed(stated) if s and s["text"] == reason), None)


def entry(reader: Reader, record: RunRecord, releases: Releases | None = None) -> Entry:
    """Return one run with its newest result; `releases` is shared by the runs of a list."""
    newest = reader.newest_result(record.id)
    reason, data = record.reason, dict[str, Any]()
    try:
        data = {} if newest is None else values_of(newest)
    except DamagedResultError as error:  # it ends no list of runs
        reason = str(error)
    return Entry(
        run=record.id,
        began=utc_iso(record.began_utc_ns),
        began_utc_ns=record.began_utc_ns,
        ended=utc_iso(record.ended_utc_ns),
        sample=record.sample,
        product=record.product or None,
        lot=record.lot or None,
        method_id=record.method_id,
        method_version=record.method_version,
        instrument=record.instrument,
        replicate=record.replicate,
        operator=record.operator,
        attribution=record.attribution,
        simulated=record.simulated,
        state=record.state,
        outcome=record.outcome or None,
        reason=reason or None,
        reason_code=_code_of(reason, data),
        motor=record.motor or None,
        quantity=data.get("quantity"),
        value=data.get("value"),
        reported=data.get("reported"),
        shown=None if data.get("value") is None else shown_value(data),
        expanded=expanded_of(data),
        unit=data.get("unit"),
        quality=data.get("quality"),
        validity=data.get("validity"),
        verdict=(data.get("verdict") or {}).get("verdict"),
        corrected=newest is not None and newest.supersedes is not None,
        annulled=ANNULLED in data.get("faults", ()),
        release=(Releases(reader) if releases is None else releases).of_run(record, newest),
        transcribed=tuple(t.as_json() for t in of_sample(reader, record.sample)),
    )


def value_of(e: Entry, *, interval: bool = False) -> str:
    """Return the value of a run with its unit, with `interval` also half of its interval; a dash without a value."""
    if e.value is None:
        return NOTHING
    unit = symbol(e.unit or "")
    half = f" ± {uncertain(e.expanded)}" if interval and is_interval(e.expanded) else ""
    return f"{e.shown}{half} {unit}".rstrip()


def verdict_of(e: Entry) -> str:
    """Return the verdict of a run for a person, or how the run ended where it is not complete."""
    if e.state == "running":
        return "running"
    if e.outcome not in (None, "complete"):
        return plain(e.outcome)
    return "no limits" if e.verdict == "none" else spaced(e.verdict or NOTHING)


def marks_of(e: Entry) -> list[str]:
    """Return the words that a reader of the value must see: simulated, annulled or corrected, and its release."""
    marks = ["simulated"] * e.simulated + (["annulled"] if e.annulled else ["corrected"] * e.corrected)
    return marks if e.release is None else [*marks, spaced(e.release)]
