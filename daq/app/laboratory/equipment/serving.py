"""The acts that take a piece of equipment out of service, put it back, and record its calibration."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any, Final, Self

from pydantic import Field, model_validator

from daq.adapters.store.declaring.publishing import ANYTHING, PublishRecords
from daq.adapters.store.forms.result_values import DamagedResultError
from daq.adapters.store.newest_runs import LATEST
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change
from daq.app.laboratory.act import Act
from daq.app.laboratory.equipment.certificate_values import GivenValue, certified_values
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, listed, new
from daq.app.laboratory.signing.reportable_records import Keeping
from daq.app.laboratory.signing.suspending import runs_of, suspending_by_calibration
from daq.app.records.checks.outside_calibrations import (
    CALIBRATED,
    Calibrated,
    SeenResults,
    calibrated,
    calibration_ident,
    calibrations,
    is_adjusted,
    outside_of_piece,
    was_adjusted,
)
from daq.app.records.equipment_state import difference, is_of, other_constants, out_of_service, records_of
from daq.app.records.pieces import Piece, named_piece
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError, coded
from daq.laboratory.equipment import PIECE, CalibratedValue, Calibration, Equipment, Found, Left
from daq.laboratory.kinds import FOUND_OUTSIDE
from daq.methods.files.fields import Day, KeyedError, Label, Listed, Model, NeededLabel
from daq.methods.planning.standing import day

_Found = tuple[str, Kept[Equipment] | None]
"""Id of a record, and the record; None where there is none."""
MOST_VALUES: Final = 50
"""Greatest number of values of one calibration."""


class OfPiece(Model):
    """Order on a piece of equipment, by its name: bench-1, bench-1/coaxial-12, thermo-2/probe_1."""

    piece: NeededLabel
    serial: Label = ""
    """Its serial number, where neither the instrument nor the file states it."""


class TakeOut(OfPiece):
    """Order to take a piece out of service."""

    because: NeededLabel


class PutBack(OfPiece):
    """Order to put a piece back into service."""

    because: NeededLabel


class Calibrate(OfPiece):
    """Order to record a calibration; a correction of a recorded one needs a reason."""

    certificate: NeededLabel
    day: Day
    due: Day | None = None
    values: Annotated[tuple[GivenValue, ...], Listed, Field(max_length=MOST_VALUES)] = ()
    found: Found = ""
    """State as found, within the tolerance or outside, as the certificate or the limits of the works say."""
    left: Left = ""
    """Statement that it was left within its tolerance, where no value shows an adjustment."""
    in_doubt: Annotated[int, Field(ge=0)] | None = None
    """The number of results that it newly puts in doubt, as the person knows it: it is needed where there are any."""
    because: Label = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.due is not None and self.due <= self.day:
            error = KeyedError("due", f"{self.due} is not after the day of the calibration, {self.day}")
            raise coded(error, "due_before_day", due=self.due, day=self.day)
        return self


def take_out(laboratory: Laboratory, order: TakeOut) -> dict[str, Any]:
    """Take a piece out of service: from now on no run starts with it.  A run in progress goes on.

    Raises:
        SettingError: there is no such piece, or it is out of service already.
    """
    with laboratory.reader() as reader:
        piece, change = taken_out(reader, laboratory.catalogue, order)
        running = [r.sample for r in reader.unfinished_runs() if _instrument(piece) in (r.instrument, *r.companions)]
    laboratory.change(change, because=order.because)
    return {"piece": piece.name, "serial": piece.serial, "running": running}


def taken_out(reader: Reader, catalogue: Catalogue, order: TakeOut) -> tuple[Piece, Change]:
    """Return a piece and the change that takes it out of service; errors as in `take_out`."""
    piece = _piece(catalogue, reader, order)
    already = out_of_service(reader, piece)
    if already:
        raise coded(SettingError(already[0].words), "out_of_service", out=already[0].words)
    return piece, _changed(piece, _record_of(reader, piece), "equipment_out_of_service", out_of_service=order.because)


def put_back(laboratory: Laboratory, order: PutBack) -> dict[str, Any]:
    """Put a piece back into service, also one that the configuration has no more or that has another place now.

    One without a serial number is named by that of its instrument, where several are out of service.

    Raises:
        SettingError: there is no such piece, it is in service, or several with this name are out of service.
    """
    with laboratory.reader() as reader:
        found = [k for k in listed(reader, Equipment, PIECE, order.piece, limit=-1) if k.record.out_of_service]
        out = [k for k in found if order.serial in ("", k.record.serial, k.record.owner)]
        if not out:
            named_piece(laboratory.catalogue, reader, order.piece)
            raise coded(
                SettingError(f"{order.piece} is in service", key="piece"), "piece_in_service", piece=order.piece
            )
    if len(out) > 1:
        known = ", ".join(k.record.serial or k.record.owner or "not known" for k in out)
        error = SettingError(
            f"several pieces of this name are out of service, with the serial numbers {known}; name one",
            key="serial",
        )
        raise coded(
            error,
            "several_serials",
            serials=known,
        )
    (kept,) = out
    record = kept.record.model_copy(update={"out_of_service": "", "recorded": None})
    laboratory.change(changed(kept, record, "equipment_back_in_service"), because=order.because)
    return {"piece": record.piece, "serial": record.serial}


def calibrate(laboratory: Laboratory, order: Calibrate) -> dict[str, Any]:
    """Record a calibration.  Constants of files are never changed; the outcome names those that differ.

    One that found the piece outside of its tolerance puts the results since the last one that found it within in doubt:
    their releases are blocked, and the outcome has their number.  Where it was not adjusted, it is out of service.
    A damaged result may be one of them, so it is in doubt, too; the outcome names run and field.
    Certificates may be recorded in any order.  An entry with the day and the certificate of a recorded one corrects it.

    Raises:
        SettingError: there is no such piece, the file has no such constant, a unit does not fit, the day is in the
            future, a correction has no reason, nothing states whether the piece was found within its tolerance
            although a value was adjusted, or `in_doubt` is not the number of results that it newly puts in doubt.
    """
    now_ns = laboratory.clock.utc_ns()
    if order.day > day(now_ns):
        raise coded(
            SettingError(f"{order.day} is in the future", key="day"), "day_in_future", field="day", day=order.day
        )
    with laboratory.reader() as reader:
        piece = _piece(laboratory.catalogue, reader, order)
        values = certified_values(piece, order.values)
        _require_found(order, values)
        given = Calibration(
            certificate=order.certificate,
            day=order.day,
            due=order.due,
            values=values,
            found=order.found,
            left=order.left,
        )
        change = _calibration_change(reader, piece, given, order.because)
        ident = calibration_ident(change.id, given.model_dump())
        known: SeenResults = {}
        before = _in_doubt(reader, ident, known)
        future = calibrated(change.id, change.data, LATEST, now_ns, laboratory.who)
        earlier = next((c for c in calibrations(reader) if c.ident == ident), None)
        if earlier is not None:
            future = replace(future, seq=earlier.seq, utc_ns=earlier.utc_ns)
        _require_number(order, len(_in_doubt(reader, ident, known, future).keys() - before.keys()))
    utc_ns, who = laboratory.clock.utc_ns(), laboratory.who
    follow = suspending_by_calibration(laboratory.topics, ident, utc_ns, who, order.because, known)
    laboratory.store.submit(PublishRecords((change,), (), ANYTHING, utc_ns, who, order.because, follow)).result()
    with laboratory.reader() as reader:
        after = _in_doubt(reader, ident, known)
        own = [run for c in outside_of_piece(reader, ident) if c.ident == ident for run in runs_of(reader, c, known)]
    keeping = Keeping(laboratory.store, laboratory.topics, utc_ns, who)
    _, damages = keeping.store_of_readable((before | after).values())
    damages += [found for found in known.values() if isinstance(found, DamagedResultError)]
    with laboratory.reader() as reader:
        differing = [difference(piece, *other).text for other in other_constants(records_of(reader, piece), piece)]
        out = out_of_service(reader, piece)
    return {
        "piece": piece.name,
        "serial": piece.serial,
        "due": order.due,
        "differing": differing,
        "calibration": ident,
        "in_doubt": len(own),
        "damaged": list({error.values["run"]: dict(error.values) for error in damages}.values()),
        "out_of_service": out[0].record.out_of_service if out else "",
    }


def _calibration_change(reader: Reader, piece: Piece, given: Calibration, because: str) -> Change:
    """Return the change that records a calibration; `SettingError` where a correction has no reason.

    The record keeps the calibration of the newest day as its own; a revision may record an older one.
    """
    found = _certified(reader, piece, given) or _record_of(reader, piece)
    record, before = found
    newest = None if before is None else before.record.calibration
    ident = calibration_ident(record, given.model_dump())
    is_known = any(c.ident == ident for c in calibrations(reader))
    if is_known and not because:
        error = SettingError(
            f"the calibration {given.certificate} of {given.day} is recorded; a correction needs a reason",
            key="because",
        )
        raise coded(error, "calibration_of_day", certificate=given.certificate)
    is_newest = (
        newest is None
        or given.day > newest.day
        or (given.day == newest.day and (not is_known or given.certificate == newest.certificate))
    )
    update: dict[str, Any] = {"calibration": given} if is_newest else {"recorded": given}
    out = "" if before is None else before.record.out_of_service
    reason = f"calibration {given.certificate} of {given.day}: found outside of its tolerance and not adjusted"
    is_outside = given.found == FOUND_OUTSIDE and not was_adjusted(given.model_dump())
    if is_newest and is_outside and not out:
        update["out_of_service"] = reason
    elif out == reason and not is_outside:
        update["out_of_service"] = ""
    return _changed(piece, found, CALIBRATED, **update)


def _certified(reader: Reader, piece: Piece, given: Calibration) -> _Found | None:
    """Return the record of a piece, under any name, that has a calibration of this day and certificate; None: none."""
    for c in calibrations(reader):
        if (c.day, c.certificate) == (given.day, given.certificate):
            kept = find(reader, Equipment, c.record)
            if kept is not None and is_of(kept.record, piece):
                return c.record, kept
    return None


def _require_found(order: Calibrate, values: Sequence[CalibratedValue]) -> None:
    """Refuse a calibration with an adjusted value that does not state whether the piece was within its tolerance."""
    adjusted = [v.name for v in values if is_adjusted(v.model_dump())]
    if adjusted and not order.found:
        names = ", ".join(adjusted)
        error = SettingError(
            f"values differ from those left by more than their uncertainty ({names}); state whether the piece was "
            "found inside or outside of its tolerance",
            key="found",
        )
        raise coded(error, "found_not_stated", name=names)


def _require_number(order: Calibrate, count: int) -> None:
    """Refuse a calibration that puts results in doubt, unless the person gives their number.

    A mistyped statement would withdraw certificates and signatures, which a correction does not bring back.
    """
    if count and order.in_doubt != count:
        error = SettingError(
            f"this calibration puts {count} results in doubt: their releases are blocked, and certificates and "
            "signatures of reportable results with them are withdrawn for good; to record it, give this number",
            key="in_doubt",
        )
        raise coded(error, "results_in_doubt", count=str(count))


def _in_doubt(reader: Reader, ident: str, known: SeenResults, given: Calibrated | None = None) -> dict[str, str]:
    """Return the runs that the calibrations of one piece put in doubt, with their samples; as `outside_of_piece`."""
    found = outside_of_piece(reader, ident, given)
    return {run.id: run.sample for calibration in found for run in runs_of(reader, calibration, known)}


def _piece(catalogue: Catalogue, reader: Reader, order: OfPiece) -> Piece:
    piece = named_piece(catalogue, reader, order.piece)
    if piece.serial and order.serial not in ("", piece.serial):
        raise coded(
            SettingError(f"{piece.name} has the serial number {piece.serial!r}, not {order.serial!r}", key="serial"),
            "other_serial",
            piece=piece.name,
            serial=piece.serial,
            given=order.serial,
        )
    return replace(piece, serial=order.serial or piece.serial)


def _instrument(piece: Piece) -> str:
    return piece.name.partition("/")[0]


def _changed(piece: Piece, found: _Found, what: str, **update: Any) -> Change:
    ident, before = found
    known = {"owner": piece.owner, "owner_make": piece.owner_make} if piece.owner else {}
    if before is None:
        record = Equipment(id=ident, piece=piece.name, part=piece.part, serial=piece.serial, make=piece.make)
        return new(record.model_copy(update={**known, **update}), what)
    # The number of a probe is known from its record alone.
    known["serial"] = piece.serial or before.record.serial
    return changed(before, before.record.model_copy(update={**known, "recorded": None, **update}), what)


def _record_of(reader: Reader, piece: Piece) -> _Found:
    """Return the id of the record of a piece, and the record; None where there is none.

    A probe, and a geometry without a serial number, of another instrument under the same name has a record of its own.
    """
    kept = find(reader, Equipment, piece.id)
    unnumbered = piece.part == "probe" or (piece.part == "geometry" and not piece.serial)
    if kept is None or not unnumbered or "" in (piece.owner, kept.record.owner) or kept.record.owner == piece.owner:
        return piece.id, kept
    ident = f"{piece.id} of {piece.owner}"
    return ident, find(reader, Equipment, ident)


ACTS: Final = (
    Act("equipment_out", TakeOut, "measure", take_out),
    Act("equipment_back", PutBack, "review", put_back),
    Act("equipment_calibrated", Calibrate, "review", calibrate),
)
