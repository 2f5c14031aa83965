"""The record of a piece of equipment: an instrument, a measuring geometry or a temperature probe."""

from typing import Annotated, ClassVar, Final, Literal

from pydantic import Field

from daq.laboratory.kinds import EQUIPMENT
from daq.laboratory.record import Record
from daq.methods.files.fields import Day, Label, Listed, Model, NeededLabel

PieceKind = Literal["instrument", "geometry", "probe"]
Found = Literal["", "inside", "outside"]
Left = Literal["", "inside"]
PIECE: Final = "piece"
SERIAL: Final = "serial"
"""Keys by which the records of a piece are found: its name, and its serial number with its kind and make.

A probe, and a geometry, is found by the serial number of its instrument, too.
"""
LISTED: Final = "listed"
"""Key that every record has, with its id."""


class CalibratedValue(Model):
    """One value of a calibration; all numbers are in `unit`.

    Attributes:
        name: key of the instrument's file (`constant`), or a point of the certificate such as "at 20 Cel".
        constant: whether the file has a constant of this name, with which the value is compared.
        unit: UCUM code.
        as_found, as_left: before and after an adjustment; equal where none was made.
        uncertainty: expanded uncertainty (k = 2) of `as_left`.
    """

    name: NeededLabel
    constant: bool
    unit: Label
    as_found: float
    as_left: float
    uncertainty: Annotated[float, Field(ge=0)]


class Calibration(Model):
    """A calibration of a piece, with the number of its certificate; days are YYYY-MM-DD.

    `found` states whether the piece was within its tolerance before any adjustment; "" where nothing was stated.
    """

    certificate: NeededLabel
    day: Day
    due: Day | None = None
    """Last day on which it holds; None: no day is stated."""
    values: Annotated[tuple[CalibratedValue, ...], Listed] = ()
    found: Found = ""
    left: Left = ""
    """Statement that it was within its tolerance afterwards; "" where the values alone tell it."""


class Equipment(Record):
    """A piece of equipment with one serial number; the id is the name of the piece and the serial number.

    Another serial number under the same name is another piece with a record of its own.  A probe has one record, whose
    id is its name: neither its instrument nor the file states its serial number.

    Attributes:
        piece: name: ``bench-1``, ``bench-1/coaxial-12`` (a geometry), ``thermo-2/probe_1`` (a probe).
        part: kind of the piece.
        serial: its serial number; "" where it is not known.
        make: driver of an instrument, kind of a geometry; serial numbers are compared within one make.
        owner: of a probe or geometry: the serial number of its instrument, when it was recorded.
        owner_make: the driver of that instrument.
        out_of_service: the reason; "" while it is in service.
        calibration: the newest one, by its day; others are in other revisions.
        recorded: the one that this revision records, where that is not the newest one.
    """

    kind: ClassVar[str] = EQUIPMENT
    piece: NeededLabel
    part: PieceKind
    serial: Label = ""
    make: Label = ""
    owner: Label = ""
    owner_make: Label = ""
    out_of_service: Label = ""
    calibration: Calibration | None = None
    recorded: Calibration | None = None

    @property
    def stated(self) -> Calibration | None:
        """The calibration that this revision records, where it records one."""
        return self.recorded or self.calibration

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: the name, the serial number where it is known, and the id in the list of all."""
        found = [(PIECE, self.piece), (LISTED, self.id)]
        if self.serial:
            found.append((SERIAL, serial_key(self.part, self.make, self.serial)))
        if self.owner:
            found.append((SERIAL, owned_key(self.piece, self.owner_make, self.owner)))
        return tuple(found)


def serial_key(part: PieceKind, make: str, serial: str) -> str:
    """Return the value of the key of a serial number."""
    return f"{part} {make} {serial}"


def owned_key(piece: str, make: str, owner: str) -> str:
    """Return the value of the key of a probe or geometry by the serial number of its instrument."""
    return f"of {make} {owner}/{piece.partition('/')[2]}"


def equipment_id(piece: str, serial: str) -> str:
    """Return the id of the record of a piece with a serial number ("": not known)."""
    return f"{piece} {serial}".rstrip()
