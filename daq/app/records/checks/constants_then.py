"""The constants with which a verification was measured: a pass counts for an instrument with the same ones only."""

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry
from daq.app.setup.constants import constants_of
from daq.app.setup.fitted import fits_in_order
from daq.laboratory.configuration import Fitted

if TYPE_CHECKING:
    from daq.methods.files.instrument import Instrument


@dataclass(frozen=True, slots=True)
class ConstantsThen:
    """The records of fitted geometries of an instrument, with its present file.

    A run fails to begin if the record changed meanwhile, and nothing is fitted during a run, so the newest record
    before the end of a run is that of the run.
    """

    now: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """The constants of the present file by geometry."""
    seqs: tuple[int, ...] = ()
    """Numbers of the audit entries of the records, oldest first."""
    records: tuple[Fitted, ...] = ()

    @classmethod
    def of(cls, reader: Reader, instrument: "Instrument | None") -> "ConstantsThen":
        """Read the records of an instrument; without its file nothing is compared."""
        if instrument is None:
            return cls()
        found = fits_in_order(reader, instrument.name)
        now = {name: constants_of(instrument.with_fitted(name)) for name in instrument.geometries}
        return cls(now, tuple(seq for seq, _ in found), tuple(record for _, record in found))

    def are_the_same(self, e: Entry) -> bool:
        """Return whether a verification was measured with the constants that the file has now for its geometry.

        Where no record has constants, as of an earlier version of the program, True.
        """
        name, serial = e.data["geometry"], e.data["geometry_serial"]
        then = self._record_at(e.seq, name, serial)
        return then is None or name not in self.now or then.constants == self.now[name]

    def _record_at(self, seq: int, geometry: str, serial: str) -> Fitted | None:
        """Return the record of a geometry that held at an audit entry, else the nearest one before or after it.

        A verification that was corrected to another geometry has no record of its own.
        """
        place = bisect_left(self.seqs, seq)
        for record in (*reversed(self.records[:place]), *self.records[place:]):
            same_serial = not (record.serial and serial) or record.serial == serial
            if record.constants and record.geometry == geometry and same_serial:
                return record
        return None
