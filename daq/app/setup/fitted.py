"""The fitted measuring geometries as recorded facts, and the configuration with them.

The key `fitted` of an instrument's file counts once: where nothing is recorded yet.  A later change of it has no
effect, and no run starts until a person records the geometry that is really fitted.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daq.adapters.clock import utc_text
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, newest_revision, revisions
from daq.app.setup.constants import (
    DESCRIPTION,
    around_now,
    constants_of,
    differing,
    differing_around,
    differing_words,
)
from daq.core.errors import SettingError, coded
from daq.laboratory.configuration import Fitted

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.methods.files.instrument import Instrument

COMPANIONS = "companions."
"""Beginning of the keys of a companion's constants: "companions.ROLE.KEY"."""
NOTED = "constants_noted"
"""Name of the change that adds the constants of the file to a record without them."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The geometry that is recorded as fitted, with revision, person and time (UTC ns)."""

    record: Fitted
    revision: int
    who: str
    utc_ns: int

    @property
    def words(self) -> str:
        """The geometry with its serial number."""
        serial = self.record.serial
        return f"{self.record.geometry} (serial number {serial})" if serial else self.record.geometry


def fit_of(reader: Reader, instrument: str) -> Fit | None:
    """Return the geometry recorded as fitted to an instrument, or None."""
    stored = newest_revision(reader, Fitted.kind, instrument)
    if stored is None:
        return None
    return Fit(Fitted.model_validate(stored.data), stored.revision, stored.who, stored.utc_ns)


def fits_of(reader: Reader, instruments: Iterable[str]) -> dict[str, Fit]:
    """Return the geometries recorded as fitted, by name of the instrument; instruments without one are left out."""
    found = {name: fit_of(reader, name) for name in instruments}
    return {name: fit for name, fit in found.items() if fit is not None}


def fits_in_order(reader: Reader, instrument: str) -> list[tuple[int, Fitted]]:
    """Return all records of what was fitted to an instrument, oldest first, each with the number of its audit entry."""
    return [(s.audit_seq, Fitted.model_validate(s.data)) for s in revisions(reader, Fitted.kind, instrument)]


def is_piece(record: Fitted, geometry: str, serial: str) -> bool:
    """Return whether a record is that of a geometry: of its serial number, under any name, or of its name without."""
    return record.serial == serial if record.serial and serial else record.geometry == geometry


def fits_by_file(catalogue: "Catalogue", instruments: Iterable[str], known: Mapping[str, Fit]) -> list[Change]:
    """Return the changes that the files make to the records of what is fitted to `instruments`.

    Where nothing is known yet, the geometry of the file is recorded.  Where the file has come to name the recorded
    geometry, this is noted, so that its next change is noticed even if it returns to the name it had before.  A record
    of an earlier version of the program gets the constants of the file.
    """
    changes = []
    for instrument in (catalogue.instrument(name) for name in instruments):
        fit, given = known.get(instrument.name), instrument.fitted
        if _unknown(catalogue, instrument):  # its constants are recorded when the file of the companion is right
            continue
        if fit is None:
            if given is not None:
                changes.append(change_of(fitted_as(catalogue, instrument, given), "fitted_as_the_file_states", 0))
        elif given == fit.record.geometry != fit.record.in_file:
            noted = fit.record.model_copy(update={"in_file": given})
            changes.append(change_of(noted, "file_names_what_is_fitted", fit.revision))
        elif (not fit.record.constants or fit.record.around is None) and fit.record.geometry in instrument.geometries:
            known_now = fit.record.constants or constants_of(instrument.with_fitted(fit.record.geometry))
            noted = fit.record.model_copy(update={"constants": known_now, "around": around_now(catalogue, instrument)})
            changes.append(change_of(noted, NOTED, fit.revision))
    return changes


def change_of(record: Fitted, what: str, after: int) -> Change:
    """Return the change that stores a fitted geometry as the revision after `after`."""
    return Change(record.kind, record.id, what, record.model_dump(mode="json"), record.keys(), after)


def fitted_as(catalogue: "Catalogue", instrument: "Instrument", geometry: str, serial: str = "") -> Fitted:
    """Return the record of a geometry, with the serial number of the file or the one that a person states.

    Raises:
        SettingError: the file has no such geometry, or another serial number than the person states; or the file of a
            companion is missing or wrong, so that its constants are not known.
    """
    for role, other in _unknown(catalogue, instrument):
        raise SettingError(
            f"{other!r} has no valid file, so its constants cannot be recorded; put instruments/{other}.toml right",
            file=instrument.source,
            key=f"{COMPANIONS}{role}",
        )
    stated = instrument.with_fitted(geometry).geometries[geometry].serial or ""
    if serial and stated and serial != stated:
        raise SettingError(
            f"the file states {stated!r} for {geometry}, and you state {serial!r}; correct the one that is wrong",
            file=instrument.source,
            key=f"geometries.{geometry}.serial",
        )
    return Fitted(
        id=instrument.name,
        geometry=geometry,
        serial=serial or stated,
        in_file=instrument.fitted or "",
        constants=constants_of(instrument.with_fitted(geometry)),
        around=around_now(catalogue, instrument),
    )


def conflict(catalogue: "Catalogue", instrument: "Instrument", fit: Fit | None) -> SettingError | None:
    """Return the error of a file that does not agree with the recorded geometry, with the command; None if it does.

    The files of its companions and the descriptions are compared, too: each number depends on them.
    """
    if fit is None:
        return None
    name, record = instrument.name, fit.record
    since = f"recorded as fitted by {fit.who}, {utc_text(fit.utc_ns)}"
    given = instrument.fitted or ""
    if record.geometry not in instrument.geometries:
        reason = f"{record.geometry!r} is {since}, and the file has no such geometry any more; record the one that is"
        error = SettingError(
            f"{reason} fitted: daq fit {name} GEOMETRY", file=instrument.source, key=f"geometries.{record.geometry}"
        )
        return coded(error, "fit_not_in_file", instrument=name, geometry=record.geometry)
    if given not in ("", record.geometry, record.in_file):
        reason = (
            f"a change of this key to {given!r} has no effect: {fit.words} is {since}; if {given} is fitted, record "
            f"it: daq fit {name} {given}; if not: daq fit {name} {record.geometry}"
        )
        error = SettingError(reason, file=instrument.source, key="fitted")
        return coded(error, "fit_other_in_file", instrument=name, geometry=fit.words, given=given)
    serial = instrument.geometries[record.geometry].serial
    if serial is not None and serial != record.serial:
        reason = (
            f"is {serial!r}, and {fit.words} is {since}; if the one of this file is fitted, record it: "
            f"daq fit {name} {record.geometry}"
        )
        error = SettingError(reason, file=instrument.source, key=f"geometries.{record.geometry}.serial")
        return coded(error, "fit_other_serial", instrument=name, geometry=fit.words, given=str(serial))
    other = changed_constants(catalogue, instrument, record)
    if other:
        reason = (
            f"differs from what is recorded: {differing_words(other)}; {fit.words} is {since}. Put the file right, or "
            f"record the new constants: daq fit {name} {record.geometry}; verification and control then count anew"
        )
        file, key = _place(catalogue, instrument, other[0][0])
        error = SettingError(reason, file=file, key=key)
        return coded(error, "fit_other_constants", instrument=name, geometry=fit.words, file=file, key=key)
    return None


def _unknown(catalogue: "Catalogue", instrument: "Instrument") -> list[tuple[str, str]]:
    """Return role and name of the companions that have no valid file."""
    return [(role, name) for role, name in instrument.companions.items() if name not in catalogue.instruments]


def _place(catalogue: "Catalogue", instrument: "Instrument", key: str) -> tuple[str, str]:
    """Return the file of a constant, and its key there; those of a companion are in the companion's file."""
    where, own = instrument, key
    if key.startswith(COMPANIONS):
        role, _, own = key.removeprefix(COMPANIONS).partition(".")
        found = catalogue.instruments.get(instrument.companions.get(role, ""))
        if found is None:
            return instrument.source, f"{COMPANIONS}{role}"
        where = found
    return (str(catalogue.description_path(where)) if own == DESCRIPTION else where.source), own


def changed_constants(catalogue: "Catalogue", instrument: "Instrument", record: Fitted) -> list[tuple[str, str, str]]:
    """Return key, recorded and present value of each constant that changed since a geometry was fitted."""
    if record.geometry not in instrument.geometries:
        return []
    found: list[tuple[str, str, str]] = []
    if record.constants:
        found += differing(record.constants, constants_of(instrument.with_fitted(record.geometry)))
    if record.around is not None:
        found += differing_around(record.around, around_now(catalogue, instrument))
    return found


def conflicts(catalogue: "Catalogue", fits: Mapping[str, Fit]) -> list[SettingError]:
    """Return the errors of all files that do not agree with the recorded geometries."""
    known = catalogue.instruments
    found = [conflict(catalogue, known[n], fit) for n, fit in fits.items() if n in known]
    return [error for error in found if error is not None]


def with_fits(catalogue: "Catalogue", fits: Mapping[str, Fit]) -> "Catalogue":
    """Return a configuration in which the recorded geometries are fitted; the given one stays as it is.

    A recorded geometry that the file no longer has leaves the instrument without one.
    """
    instruments = {name: with_fit(instrument, fits.get(name)) for name, instrument in catalogue.instruments.items()}
    return replace(catalogue, instruments=instruments)


def with_fit(instrument: "Instrument", fit: Fit | None) -> "Instrument":
    """Return an instrument with the recorded geometry and its serial number; unchanged where nothing is recorded."""
    if fit is None:
        return instrument
    name = fit.record.geometry
    if name not in instrument.geometries:
        return instrument.model_copy(update={"fitted": None})
    geometry = instrument.geometries[name].model_copy(update={"serial": fit.record.serial or None})
    return instrument.model_copy(update={"fitted": name, "geometries": instrument.geometries | {name: geometry}})
