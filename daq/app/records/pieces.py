"""The pieces of equipment of the configuration: instruments, measuring geometries and probes, with serial numbers."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from daq.adapters.store.reading import Reader
from daq.app.setup.fitted import fits_of, with_fits
from daq.core.errors import SettingError, coded
from daq.laboratory.equipment import PIECE, SERIAL, PieceKind, equipment_id, owned_key, serial_key
from daq.methods.files.fields import Amount

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.core.driver import Identity
    from daq.methods.files.instrument import Instrument

_LENGTHS: Final = ("inner_radius", "outer_radius", "length", "radius", "gap", "diameter", "height")
_NUMBERS: Final = {"end_factor": "1", "angle": "1"}
"""Dimensions without a unit of `daq.core.units`; an angle is in degrees."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of equipment as the configuration has it.

    Attributes:
        name, part, serial, make, owner, owner_make: as in `daq.laboratory.equipment.Equipment`.
        constants: the constants of the file that a calibration gives, by key.
        fitted: for a geometry, whether it is fitted.
    """

    name: str
    part: PieceKind
    serial: str = ""
    make: str = ""
    constants: Mapping[str, Amount] | None = None
    fitted: bool = False
    owner: str = ""
    owner_make: str = ""

    @property
    def id(self) -> str:
        """Id of its record."""
        return self.name if self.part == "probe" else equipment_id(self.name, self.serial)

    @property
    def keys(self) -> tuple[tuple[str, str], ...]:
        """Names and values of the keys by which records of this piece are found."""
        known = self.serial and self.part != "probe"
        by_serial = ((SERIAL, serial_key(self.part, self.make, self.serial)),) if known else ()
        by_owner = ((SERIAL, owned_key(self.name, self.owner_make, self.owner)),) if self.owner else ()
        return ((PIECE, self.name), *by_serial, *by_owner)

    @property
    def words(self) -> str:
        """Name with serial number."""
        return f"{self.name} (serial number {self.serial})" if self.serial else self.name


def pieces_of_run(
    catalogue: "Catalogue", names: Iterable[str], identities: "Mapping[str, Identity | None]"
) -> tuple[Piece, ...]:
    """Return the pieces that take part in a run: the instruments, their fitted geometries and their probes.

    Args:
        catalogue: the configuration, with the geometries that are recorded as fitted.
        names: names of the instruments.
        identities: identity that each instrument answered.
    """
    found: list[Piece] = []
    for instrument in (catalogue.instrument(name) for name in names):
        found += pieces_in_use(instrument, identities.get(instrument.name))
    return tuple(found)


def pieces_in_use(instrument: "Instrument", identity: "Identity | None") -> list[Piece]:
    """Return the pieces of one instrument that take part in a run, as in `pieces_of_run`."""
    serial = instrument.expect_serial if identity is None else identity.serial
    return [p for p in pieces_of(instrument, serial or "") if p.part != "geometry" or p.fitted]


def pieces_of(instrument: "Instrument", serial: str) -> list[Piece]:
    """Return all pieces of one instrument, which has the serial number `serial`; "": it is not known."""
    found = [Piece(instrument.name, "instrument", serial, instrument.driver, _of_instrument(instrument))]
    owner, make = (serial, instrument.driver) if serial else ("", "")
    for name, geometry in instrument.geometries.items():
        given = {k: getattr(geometry, k, None) for k in (*_LENGTHS, *_NUMBERS)}
        constants = {k: Amount(v, _NUMBERS.get(k, "mm")) for k, v in given.items() if v is not None}
        full_scale = getattr(geometry, "full_scale_viscosity", None)
        if full_scale is not None:
            constants["full_scale_viscosity"] = full_scale
        piece = Piece(
            f"{instrument.name}/{name}",
            "geometry",
            geometry.serial or "",
            geometry.kind,
            constants,
            owner=owner,
            owner_make=make,
        )
        found.append(replace(piece, fitted=instrument.fitted == name))
    for name, probe in instrument.probes.items():
        constants = {"offset": Amount(probe.offset, "K")}
        found.append(
            Piece(f"{instrument.name}/{name}", "probe", "", probe.kind or "", constants, owner=owner, owner_make=make)
        )
    return found


def _of_instrument(instrument: "Instrument") -> dict[str, Amount]:
    found = {}
    specification, vessel = instrument.specification, instrument.density_vessel
    if specification is not None and specification.torque_full_scale is not None:
        found["torque_full_scale"] = specification.torque_full_scale
    if vessel is not None:
        found["density_vessel.volume"] = vessel.volume
    return {key: Amount(value.value, value.unit) for key, value in found.items()}


def all_pieces(catalogue: "Catalogue", reader: Reader) -> list[Piece]:
    """Return the pieces of all instruments of the configuration, with what is recorded of serial numbers."""
    seen = {i.name: i.serial for i in reader.instruments()}
    fitted = with_fits(catalogue, fits_of(reader, catalogue.instruments))
    return [
        piece
        for instrument in fitted.instruments.values()
        for piece in pieces_of(instrument, seen.get(instrument.name) or instrument.expect_serial or "")
    ]


def named_piece(catalogue: "Catalogue", reader: Reader, name: str) -> Piece:
    """Return the piece of a name.

    Raises:
        SettingError: there is none, or a geometry and a probe have this name.
    """
    pieces = all_pieces(catalogue, reader)
    found = [p for p in pieces if p.name == name]
    if len(found) > 1:
        raise coded(
            SettingError(f"a geometry and a probe have the name {name!r}; give one of them another name in the file"),
            "piece_name_twice",
            name=name,
        )
    if not found:
        known = ", ".join(p.name for p in pieces) or "none"
        raise coded(
            SettingError(f"there is no piece of equipment {name!r}; known: {known}", key="piece"),
            "unknown_name",
            what="piece",
            name=name,
        )
    return found[0]
