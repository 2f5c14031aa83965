"""All pieces of equipment with state, days that are due and history, for a person."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from daq.adapters.clock import utc_text
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import entries, pair_of
from daq.app.records.checks.instrument_history import standing_of
from daq.app.records.equipment_state import (
    KeptEquipment,
    all_records,
    concerns,
    difference,
    due_of,
    history,
    newest_calibration,
    other_constants,
    out_of_service,
    overdue,
    records_of,
)
from daq.app.records.pieces import Piece, all_pieces
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fits_of, with_fits
from daq.laboratory.equipment import Calibration
from daq.methods.planning.standing import day


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One piece of equipment as it is now.

    Attributes:
        piece, part, serial: as in `daq.app.records.pieces.Piece`.
        fitted: for a geometry, whether it is fitted.
        in_service: False where a record takes it out of service.
        state: ``in service``, or ``out of service`` with the reason.
        calibration: day until which the calibration holds, in words.
        calibration_overdue: whether that day has passed.
        verification: day on which the verification is due, in words; of the instrument with its fitted geometry.
        verification_overdue: whether that day has passed, there was no pass, or the newest verification failed.
        certificate: number of the newest certificate; "" without one.
        remarks: sentences that a person must know.
    """

    piece: str
    part: str
    serial: str
    fitted: bool
    in_service: bool
    state: str
    calibration: str
    calibration_overdue: bool
    verification: str
    verification_overdue: bool
    certificate: str
    remarks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the line as JSON values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One change of a record of equipment."""

    kept: KeptEquipment

    @property
    def words(self) -> str:
        """The change in one line."""
        k = self.kept
        record, reason = k.record, f": {k.because}" if k.because else ""
        what = {
            "equipment_out_of_service": "out of service",
            "equipment_back_in_service": "back in service",
            "equipment_calibrated": "calibrated",
        }.get(k.what, k.what)
        number = f", serial number {record.serial}" if record.serial else ""
        values = f"; {calibration_words(record.stated)}" if k.what == "equipment_calibrated" else ""
        return f"{utc_text(k.utc_ns)} {k.who}{number}: {what}{reason}{values}"

    def as_json(self) -> dict[str, Any]:
        """Return the change as JSON values."""
        k = self.kept
        return {
            "time": utc_text(k.utc_ns),
            "who": k.who,
            "what": k.what,
            "because": k.because,
            "record": k.record.model_dump(mode="json"),
        }


def calibration_words(calibration: Calibration | None) -> str:
    """Return a calibration with its values in one line."""
    if calibration is None:
        return "no calibration"
    until = f", holds until {calibration.due}" if calibration.due else ""
    until += {"inside": ", found within its tolerance", "outside": ", found OUTSIDE of its tolerance"}.get(
        calibration.found, ""
    )
    until += ", left within it" if calibration.left else ""
    values = "".join(
        f"; {v.name}: as found {v.as_found:g}, as left {v.as_left:g} ± {v.uncertainty:g} {v.unit} (k = 2)".replace(
            " 1 (k", " (k"
        )
        for v in calibration.values
    )
    return f"certificate {calibration.certificate} of {calibration.day}{until}{values}"


def inventory(catalogue: Catalogue, reader: Reader, now_utc_ns: int) -> list[Line]:
    """Return all pieces of the configuration, and those that only records know."""
    pieces = all_pieces(catalogue, reader)
    verified = dict(_verifications(catalogue, reader, now_utc_ns))
    known = [*pieces, *_gone(reader, pieces)]
    return [_line(reader, piece, verified.get(piece.name, ("-", False)), day(now_utc_ns)) for piece in known]


def _gone(reader: Reader, pieces: list[Piece]) -> Iterator[Piece]:
    """Yield the recorded pieces that the configuration does not have with this serial number."""
    for kept in all_records(reader):
        record = kept.record
        if not any(concerns(record, piece) for piece in pieces):
            known = Piece(record.piece, record.part, record.serial, record.make)
            yield replace(known, owner=record.owner, owner_make=record.owner_make)


def _line(reader: Reader, piece: Piece, verification: tuple[str, bool], today: str) -> Line:
    records = records_of(reader, piece)
    out, newest = out_of_service(reader, piece), newest_calibration(records, piece)
    late, due = overdue(records, piece, today), due_of(records, piece)
    calibration = newest.calibration if newest is not None else None
    if due is None:
        words = "-" if calibration is None else f"no day stated ({calibration.certificate})"
    elif not due:
        words = "OVERDUE: none is recorded for this serial number"
    else:
        words = f"OVERDUE since {due}" if late is not None else due
    serial = piece.serial or next((k.record.serial for k in records if piece.part == "probe"), "")
    return Line(
        piece=piece.name,
        part=piece.part,
        serial=serial,
        fitted=piece.fitted,
        in_service=not out,
        state="out of service: " + "; ".join(o.record.out_of_service for o in out) if out else "in service",
        calibration=words,
        calibration_overdue=late is not None,
        verification=verification[0],
        verification_overdue=verification[1],
        certificate="" if calibration is None else calibration.certificate,
        remarks=tuple(difference(piece, *other).text for other in other_constants(records, piece)),
    )


def _verifications(catalogue: Catalogue, reader: Reader, now_utc_ns: int) -> Iterator[tuple[str, tuple[str, bool]]]:
    """Yield the day on which the verification of each instrument with its fitted geometry is due, and if it is late."""
    seen = {i.name: i.serial for i in reader.instruments()}
    for instrument in with_fits(catalogue, fits_of(reader, catalogue.instruments)).instruments.values():
        if instrument.verification is None:
            continue
        serial = seen.get(instrument.name) or instrument.expect_serial
        found = standing_of(
            reader, entries(reader, instrument.name), instrument, pair_of(instrument, serial), now_utc_ns, catalogue
        )
        due = "never passed" if found.due_utc_ns is None else day(found.due_utc_ns)
        if found.future_pass_utc_ns is not None:
            due = f"passed on {day(found.future_pass_utc_ns)}, in the future"
        words = "FAILED" if found.passed is False else f"OVERDUE: {due}" if found.overdue else due
        yield instrument.name, (words, found.overdue or found.passed is False)


def history_of(reader: Reader, piece: Piece) -> list[HistoryEntry]:
    """Return all changes of the records of a piece, of every serial number it had, oldest first."""
    found = [k for record in records_of(reader, piece) for k in history(reader, record.record.id)]
    return [HistoryEntry(k) for k in sorted(found, key=lambda k: k.utc_ns)]
