"""The recorded state of equipment: out of service, and when a calibration is due.  Each is decided here alone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daq.adapters.clock import utc_text
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, found_by, revisions
from daq.app.records.pieces import Piece
from daq.core.context import OverdueCalibration
from daq.core.errors import SettingError, SettingErrors, coded
from daq.laboratory.equipment import LISTED, CalibratedValue, Equipment, owned_key
from daq.laboratory.kinds import LAST
from daq.methods.files.fields import Amount
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.standing import day, same_number


@dataclass(frozen=True, slots=True)
class KeptEquipment:
    """A record of equipment in one revision, with the person and the time (UTC ns) of that revision."""

    record: Equipment
    revision: int
    what: str
    who: str
    utc_ns: int
    because: str


@dataclass(frozen=True, slots=True)
class OutOfService:
    """A piece that is out of service, with reason, person and time (UTC ns)."""

    piece: Piece
    record: Equipment
    who: str
    utc_ns: int

    @property
    def words(self) -> str:
        """The piece with reason, person and time, and the command that puts it back."""
        other = "" if self.record.piece == self.piece.name else f", recorded as {self.record.piece}"
        return (
            f"{self.piece.words}{other} is out of service, by {self.who}, {utc_text(self.utc_ns)}: "
            f"{self.record.out_of_service}; when it can be used again, a person who reviews puts it back: "
            f"daq equipment back {self.record.piece} --because TEXT"
        )


@dataclass(frozen=True, slots=True)
class EquipmentOfRun:
    """The recorded state of the equipment of a run at its start.

    Attributes:
        overdue: pieces whose calibration is overdue.
        cautions: constants of a certificate that the files do not have.
        changes: key, value, and number of revisions of the records with it, for the transaction that begins the run.
    """

    overdue: tuple[OverdueCalibration, ...]
    cautions: tuple[Statement, ...]
    changes: tuple[tuple[str, str, int], ...]


def records_of(reader: Reader, piece: Piece, *, at_ns: int | None = None) -> list[KeptEquipment]:
    """Return the records that have the name or the serial number of a piece, as they are now or were at a time."""
    found: dict[str, KeptEquipment] = {}
    for name, value in piece.keys:
        for stored in found_by(reader, Equipment.kind, name, value, limit=-1):
            kept = stored if at_ns is None else _at(reader, stored.id, at_ns)
            if kept is not None:
                found[stored.id] = _kept(kept)
    return list(found.values())


def _at(reader: Reader, ident: str, at_ns: int) -> StoredRecord | None:
    return next((r for r in reversed(revisions(reader, Equipment.kind, ident)) if r.utc_ns <= at_ns), None)


def history(reader: Reader, ident: str) -> list[KeptEquipment]:
    """Return all revisions of a record, oldest first."""
    return [_kept(r) for r in revisions(reader, Equipment.kind, ident)]


def all_records(reader: Reader) -> list[KeptEquipment]:
    """Return all records in their newest revision, by id."""
    return [_kept(r) for r in found_by(reader, Equipment.kind, LISTED, "", LAST, limit=-1)]


def _kept(stored: StoredRecord) -> KeptEquipment:
    record = Equipment.model_validate(stored.data, strict=False)
    return KeptEquipment(record, stored.revision, stored.what, stored.who, stored.utc_ns, stored.because)


def concerns(record: Equipment, piece: Piece) -> bool:
    """Return whether a record may be about a piece: a serial number that is known on one side only may be the same.

    Neither the instrument of a probe nor the file states the probe's serial number.  So a probe is known by its name,
    and by the serial number of its instrument under another name; a geometry without a serial number, too.
    """
    named = (record.piece, record.part) == (piece.name, piece.part) or _of_same_owner(record, piece)
    if piece.part == "probe":
        return named
    same = same_number(piece.serial, record.serial)
    if named:
        return same is not False
    return same is True and bool(record.serial) and (record.part, record.make) == (piece.part, piece.make)


def _of_same_owner(record: Equipment, piece: Piece) -> bool:
    """Return whether a record and a piece are of one instrument, under any name, by its serial number."""
    owned = record.owner and record.part == piece.part
    return bool(owned) and owned_key(record.piece, record.owner_make, record.owner) == owned_key(
        piece.name, piece.owner_make, piece.owner
    )


def is_of(record: Equipment, piece: Piece) -> bool:
    """Return whether a record is about a piece for certain: both serial numbers are equal, or none is known.

    Without a serial number of its own, it is none of an instrument with another serial number.
    """
    if piece.part != "probe" and record.serial != piece.serial:
        return False
    known = bool(record.owner and piece.owner) and (piece.part == "probe" or not piece.serial)
    return concerns(record, piece) and (not known or _of_same_owner(record, piece))


def out_of_service(reader: Reader, piece: Piece, *, at_ns: int | None = None) -> list[OutOfService]:
    """Return the records by which a piece is out of service, now or at a time."""
    found = []
    for kept in records_of(reader, piece, at_ns=at_ns):
        record = kept.record
        if not record.out_of_service or not concerns(record, piece):
            continue
        # A later revision may be a calibration: person and time are those of the revision that stated the reason.
        since = kept
        for earlier in reversed(history(reader, record.id)[: kept.revision]):
            if not earlier.record.out_of_service:
                break
            since = earlier
        if at_ns is None and _moved_on(reader, record, piece, since.utc_ns):
            continue
        found.append(OutOfService(piece, record, since.who, since.utc_ns))
    return found


def _moved_on(reader: Reader, record: Equipment, piece: Piece, since_utc_ns: int) -> bool:
    """Return whether the instrument of a record was connected under another name since then.

    A probe, or a geometry without a serial number, went with it; that of the instrument which has the name now is
    another one.  Where the instrument was connected nowhere else, the piece may have stayed with its successor.
    """
    if not (record.owner and piece.owner) or record.serial or _of_same_owner(record, piece):
        return False
    name = piece.name.partition("/")[0]
    return any(
        i.serial == record.owner and i.name != name and i.last_seen_utc_ns >= since_utc_ns for i in reader.instruments()
    )


def newest_calibration(records: Sequence[KeptEquipment], piece: Piece) -> Equipment | None:
    """Return the record of a piece with its newest calibration, or None."""
    own = [k.record for k in records if k.record.calibration is not None and is_of(k.record, piece)]
    return max(own, key=lambda r: "" if r.calibration is None else r.calibration.day, default=None)


def due_of(records: Sequence[KeptEquipment], piece: Piece) -> str | None:
    """Return the last day on which the calibration of a piece holds; None: no day is stated.

    The answer is "" where a calibration is due under this name, or may be that of this piece, and none is recorded for
    this serial number.
    """
    newest = newest_calibration(records, piece)
    if newest is not None and newest.calibration is not None:
        return newest.calibration.due
    expected = [
        k.record.calibration.due
        for k in records
        if k.record.calibration is not None
        and ((k.record.piece, k.record.part) == (piece.name, piece.part) or concerns(k.record, piece))
    ]
    return "" if any(due is not None for due in expected) else None


def overdue(records: Sequence[KeptEquipment], piece: Piece, today: str) -> OverdueCalibration | None:
    """Return the overdue calibration of a piece on a day (YYYY-MM-DD), or None."""
    due = due_of(records, piece)
    return None if due is None or today <= due else OverdueCalibration(piece.name, due)


def other_constants(records: Sequence[KeptEquipment], piece: Piece) -> list[tuple[CalibratedValue, Amount | None]]:
    """Return the constants that the newest calibration left, where the file has another value or none."""
    newest = newest_calibration(records, piece)
    if newest is None or newest.calibration is None:
        return []
    found = []
    for value in newest.calibration.values:
        given = (piece.constants or {}).get(value.name)
        if not value.constant or (given is not None and _equal(value, given)):
            continue
        found.append((value, given))
    return found


def _equal(value: CalibratedValue, given: Amount) -> bool:
    try:
        return math.isclose(given.in_unit(value.unit), value.as_left, rel_tol=1e-9, abs_tol=1e-12)
    except SettingError:
        return False


def difference(piece: Piece, value: CalibratedValue, given: Amount | None) -> Statement:
    """Return the statement of a constant that the file does not have as the calibration left it."""
    left = f"{value.as_left:.10g} {value.unit}".rstrip()
    if given is None:
        return state("calibrated_constant_missing", piece=piece.name, constant=value.name, left=left)
    used = f"{given.value:.10g} {given.unit}".rstrip()
    return state("calibrated_constant_differs", piece=piece.name, constant=value.name, left=left, used=used)


def equipment_of_run(reader: Reader, pieces: Sequence[Piece], now_utc_ns: int) -> EquipmentOfRun:
    """Return the recorded state of the equipment of a run that is about to start.

    Raises:
        SettingErrors: a piece is out of service; the text names it, with reason, person and time.
    """
    from daq.adapters.store.declaring.beginning import revisions_of_equipment  # a list of equipment starts no run

    # The numbers come first: a change after them makes the transaction that begins the run fail.
    changes = tuple(
        (name, value, revisions_of_equipment(reader, name, value)) for p in pieces for name, value in p.keys
    )
    refused = [
        coded(SettingError(o.words), "out_of_service", out=o.words)
        for piece in pieces
        for o in out_of_service(reader, piece)
    ]
    if refused:
        raise SettingErrors(refused)
    late: list[OverdueCalibration] = []
    cautions: list[Statement] = []
    for piece in pieces:
        records = records_of(reader, piece)
        found = overdue(records, piece, day(now_utc_ns))
        late += [] if found is None else [found]
        cautions += [difference(piece, *other) for other in other_constants(records, piece)]
    return EquipmentOfRun(tuple(late), tuple(cautions), changes)


def was_overdue(reader: Reader, piece: Piece, at_ns: int) -> OverdueCalibration | None:
    """Return the calibration of a piece that was overdue at a time, as it was recorded at that time."""
    return overdue(records_of(reader, piece, at_ns=at_ns), piece, day(at_ns))
