"""The constants with which a verification was measured: a pass counts for an instrument with the same ones only."""

import hashlib
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision
from daq.app.records.checks.audited_checks import Entry
from daq.app.setup.constants import (
    around_now,
    as_stored,
    constants_around,
    constants_of,
    differing_around,
    renamed,
    restored_instrument,
)
from daq.app.setup.fitted import fits_in_order, is_piece
from daq.core.errors import StoreError
from daq.laboratory.configuration import Fitted, KeptText, RunConfiguration

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.methods.files.instrument import Instrument
    from daq.methods.planning.standing import Pair

GEOMETRY: Final = "fitted"
"""Name under which the constants of a geometry are compared: another name makes it no other piece."""


@dataclass(frozen=True, slots=True)
class Constants:
    """The constants of an instrument with one measuring geometry.

    Attributes:
        own: those of instrument and geometry.
        around: those of its companions, and the digests of their drivers' descriptions; "" where one is not known.
    """

    own: Mapping[str, str]
    around: Mapping[str, str]

    def are(self, other: "Constants") -> bool:
        """Return whether they are those of another time; a digest that is not known is not compared."""
        return self.own == other.own and not differing_around(self.around, other.around)


@dataclass(frozen=True, slots=True)
class ConstantsThen:
    """The stored constants of an instrument, with those that it has now.

    The configuration that is stored with the run of a verification has its constants.  For a run without one, as of an
    earlier version of the program, the records of fitted geometries have them.  A run fails to begin if the record
    changed meanwhile, and nothing is fitted during a run, so the newest record before the end of a run is that of the
    run.
    """

    reader: Reader
    now: Constants | None = None
    """None: nothing is compared."""
    seqs: tuple[int, ...] = ()
    """Numbers of the audit entries of the records, oldest first."""
    records: tuple[Fitted, ...] = ()

    @classmethod
    def of(
        cls, reader: Reader, instrument: "Instrument | None", pair: "Pair", catalogue: "Catalogue"
    ) -> "ConstantsThen":
        """Read the records of an instrument; without its file, or the geometry in the file, nothing is compared.

        Args:
            reader: the database.
            instrument: the instrument's file.
            pair: the instrument with the geometry for which verifications are to count.
            catalogue: the files of companions and descriptions.
        """
        fitted = None if instrument is None else _with_geometry(instrument, pair.geometry, pair.geometry_serial)
        if instrument is None or fitted is None:
            return cls(reader)
        found = fits_in_order(reader, instrument.name)
        now = Constants(_own(as_stored(fitted)), around_now(catalogue, fitted))
        return cls(reader, now, tuple(seq for seq, _ in found), tuple(record for _, record in found))

    @classmethod
    def of_run(
        cls, reader: Reader, run: str, instrument: "Instrument", pair: "Pair", catalogue: "Catalogue"
    ) -> "ConstantsThen":
        """Read the constants with which a run was measured, for another geometry that it is declared to have used.

        The file of the instrument describes that geometry.  Everything else is as stored with the run, because files
        that were edited since have no part in its value.  A run without a stored configuration is taken as of now.

        Raises:
            StoreError: a stored text of the run was changed.
        """
        found = cls.of(reader, instrument, pair, catalogue)
        fitted = _with_geometry(instrument, pair.geometry, pair.geometry_serial)
        stored = _stored_with(reader, run)
        if fitted is None or fitted.geometry is None or fitted.fitted is None or stored is None:
            return found
        lead, around = stored
        known = lead.geometries | {fitted.fitted: as_stored(fitted).geometries[fitted.fitted]}
        own = lead.model_copy(update={"geometries": known}).with_fitted(fitted.fitted)
        return replace(found, now=Constants(_own(own), around))

    def are_the_same(self, e: Entry) -> bool:
        """Return whether a verification was measured with the constants that the instrument has now.

        Where none are stored, as by an earlier version of the program, True.
        """
        if self.now is None:
            return True
        try:
            then = _configured(self.reader, e)
        except StoreError:  # the text was changed: nothing shows with which constants it was measured
            return False
        if then is not None:
            return then.are(self.now)
        record = self._record_at(e.seq, e.data["geometry"], e.data["geometry_serial"])
        return record is None or renamed(record.constants, record.geometry, GEOMETRY) == self.now.own

    def _record_at(self, seq: int, geometry: str, serial: str) -> Fitted | None:
        """Return the record of a geometry that held at an audit entry, else the nearest one before or after it.

        A verification that was corrected to another geometry has no record of its own.
        """
        place = bisect_left(self.seqs, seq)
        for record in (*reversed(self.records[:place]), *self.records[place:]):
            if record.constants and is_piece(record, geometry, serial):
                return record
        return None


def _with_geometry(instrument: "Instrument", name: str, serial: str) -> "Instrument | None":
    """Return an instrument with the geometry of this name and serial number; None where it has no such one."""
    if not name:
        return instrument.model_copy(update={"fitted": None})
    known = instrument.geometries
    named = [name] if name in known and not (serial and known[name].serial not in (None, serial)) else []
    same = [*named, *(other for other, g in known.items() if serial and g.serial == serial)]
    return instrument.with_fitted(same[0]) if same else None


def _own(instrument: "Instrument") -> dict[str, str]:
    return renamed(constants_of(instrument), instrument.fitted or "", GEOMETRY)


def _configured(reader: Reader, e: Entry) -> Constants | None:
    """Return the constants of the configuration that is stored with the run of a verification.

    None where there is none, or where it has no geometry as the run was corrected to.

    Raises:
        StoreError: a stored text was changed.
    """
    stored = _stored_with(reader, e.run)
    if stored is None:
        return None
    lead, around = stored
    instrument = _with_geometry(lead, e.data["geometry"], e.data["geometry_serial"])
    return None if instrument is None else Constants(_own(instrument), around)


def _stored_with(reader: Reader, run: str) -> "tuple[Instrument, dict[str, str]] | None":
    """Return the instrument and the constants around it as they are stored with a run; None where they are not.

    Raises:
        StoreError: a stored text was changed.
    """
    stored = newest_revision(reader, RunConfiguration.kind, run)
    if stored is None:
        return None
    used = RunConfiguration.model_validate(stored.data, strict=False).used
    texts = [newest_revision(reader, KeptText.kind, u.text) for u in used if u.what == "instrument"]
    found = [_readable(t.id, str(t.data["text"])) for t in texts if t is not None]
    lead, *others = found or [None]
    if lead is None or None in others or len(found) < len(texts):
        return None
    # A file of the configuration is compared as it is, an installed driver by what it does.
    digests = {u.id: u.text or u.file_text for u in used if u.what == "description"}
    by_name = {other.name: other for other in others if other is not None}
    return lead, constants_around(lead, by_name, lambda i: digests.get(i.driver, ""))


def _readable(digest: str, text: str) -> "Instrument | None":
    """Return the instrument of a stored text; None where another version of the program wrote it.

    Raises:
        StoreError: the text was changed.
    """
    if hashlib.sha256(text.encode()).hexdigest() != digest:
        raise StoreError(f"the stored text {digest[:8]} of an instrument was changed: run `daq verify`")
    try:
        return restored_instrument(text)
    except StoreError:
        return None
