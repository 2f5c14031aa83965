"""The calibrations that found a piece of equipment outside of its tolerance, and the results that they put in doubt.

A list of runs asks for them, so nothing here imports the models of records and results.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.newest_runs import first_results
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, with_ids
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import EQUIPMENT, FOUND_INSIDE, FOUND_OUTSIDE, LAST
from daq.process.moments import read_moment

if TYPE_CHECKING:
    from daq.methods.messages.doubting import Doubt

CALIBRATED: Final = "equipment_calibrated"
"""Name of the change by which a calibration is recorded."""
AT: Final = "@"
"""Between the id of a record and the day, in the name of a calibration."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """One calibration as it is recorded now.

    Attributes:
        ident: its name: the id of the record and the day.
        piece, part, serial, make: as in `daq.laboratory.equipment.Equipment`.
        certificate, day, found: as in `daq.laboratory.equipment.Calibration`.
        seq, utc_ns: number and time of the audit entry that recorded it first.
        who: the person who recorded it as it is now.
    """

    ident: str
    piece: str
    part: str
    serial: str
    make: str
    certificate: str
    day: str
    found: str
    seq: int
    utc_ns: int
    who: str

    @property
    def same(self) -> tuple[str, ...]:
        """The key by which two calibrations are of the same piece: the serial number, where it is known."""
        if self.part == "probe" or not self.serial:
            return (self.part, self.piece, self.serial)
        return (self.part, self.make, self.serial)


@dataclass(frozen=True, slots=True)
class OutsideCalibration:
    """A calibration that found a piece outside of its tolerance.

    Results since the last calibration that found the same piece within it are in doubt.  The days of both count whole,
    because a day has no time.

    Attributes:
        of: the calibration.
        after_seq, after_ns: first audit entry, and begin of the day (UTC ns), of the last one that found it within; 0:
            there is none.
        until_ns: end of the day of this one.
    """

    of: Calibrated
    after_seq: int
    after_ns: int
    until_ns: int

    @property
    def ident(self) -> str:
        """Its name: id of the record and day, as in ``bench-1 R-1042@2026-11-20``."""
        return self.of.ident

    @property
    def seq(self) -> int:
        """Number of the audit entry that recorded it first."""
        return self.of.seq

    @property
    def utc_ns(self) -> int:
        """Time of that entry."""
        return self.of.utc_ns

    @property
    def doubt(self) -> "Doubt":
        """The fault of the results that it puts in doubt."""
        return "calibration_outside_later"

    def reaches(self, seq: int, began_utc_ns: int) -> bool:
        """Return whether a result is of the time that it puts in doubt.

        Args:
            seq: number of the audit entry of the run's first result.
            began_utc_ns: start of the run.
        """
        if seq > self.of.seq:
            return False
        if seq < self.after_seq and began_utc_ns < self.after_ns:
            return False
        # A run that seems to begin after a calibration was recorded, but has a result before that, had a wrong clock.
        return began_utc_ns <= self.until_ns or began_utc_ns > self.of.utc_ns

    def concerns(self, data: Mapping[str, Any]) -> bool:
        """Return whether a result (its JSON values) was measured with the piece.

        A serial number that is known on one side only may be the same.  A probe is known by the name of its instrument.
        """
        c, origin = self.of, data["origin"]
        used = {origin["instrument"]: origin.get("serial"), **origin.get("companions", {})}
        owner, _, own = c.piece.partition("/")
        if c.part == "probe":
            return owner in used
        if c.part == "instrument":
            return any(_may_be(serial, c.serial, name == c.piece) for name, serial in used.items())
        geometry = data.get("geometry") or {}
        named = (origin["instrument"], geometry.get("name")) == (owner, own)
        return bool(geometry) and _may_be(geometry.get("serial"), c.serial, named)


def _may_be(serial: str | None, recorded: str, named: bool) -> bool:
    """Return whether a piece may be the recorded one: by equal serial numbers, or by its name where one is unknown."""
    return serial == recorded if serial and recorded else named


def outside_calibrations(reader: Reader) -> list[OutsideCalibration]:
    """Return the calibrations that found a piece outside of its tolerance, in the order in which they were recorded."""
    known = list(_calibrations(reader))
    out = [_outside(c, known) for c in known if c.found == FOUND_OUTSIDE]
    return sorted(out, key=lambda c: c.seq)


def _outside(c: Calibrated, known: list[Calibrated]) -> OutsideCalibration:
    within = [k for k in known if k.same == c.same and k.found == FOUND_INSIDE and k.day < c.day]
    last = max(within, key=lambda k: k.day, default=None)
    after = (0, 0) if last is None else (last.seq, read_moment(last.day, end=False))
    return OutsideCalibration(c, *after, read_moment(c.day, end=True))


def _calibrations(reader: Reader) -> Iterator[Calibrated]:
    """Yield every calibration; one that was corrected, which has the same day, as it is now."""
    found: dict[str, tuple[StoredRecord, StoredRecord]] = {}
    for stored in with_ids(reader, EQUIPMENT, "", LAST, limit=-1):
        calibration = stored.data.get("calibration")
        if stored.what == CALIBRATED and calibration:
            ident = f"{stored.id}{AT}{calibration['day']}"
            found[ident] = (found.get(ident, (stored,))[0], stored)
    for ident, (first, now) in found.items():
        about: dict[str, str] = {name: now.data.get(name, "") for name in ("piece", "part", "serial", "make")}
        about |= {name: now.data["calibration"].get(name, "") for name in ("certificate", "day", "found")}
        yield Calibrated(ident=ident, seq=first.audit_seq, utc_ns=first.utc_ns, who=now.who, **about)


def named_calibration(reader: Reader, given: str) -> OutsideCalibration | None:
    """Return the calibration of a name: its id, or the name of the piece and the day; None where it is none.

    Raises:
        SettingError: pieces with several serial numbers have this name and day.
    """
    if AT not in given:
        return None
    outside = outside_calibrations(reader)
    whole = [c for c in outside if c.ident == given]
    found = whole or [c for c in outside if f"{c.of.piece}{AT}{c.of.day}" == given]
    if len(found) > 1:
        known = ", ".join(c.ident for c in found)
        error = SettingError(f"several calibrations have the name {given!r}; name one of {known}")
        raise coded(error, "several_calibrations", names=known)
    return found[0] if found else None


def results_in_doubt(reader: Reader, calibration: OutsideCalibration) -> list[tuple[str, str]]:
    """Return the results (with their runs) that a calibration puts in doubt, oldest first."""
    out: list[tuple[int, str, str]] = []
    for stream in reader.values_of_runs("instrument"):
        for result, run, seq, began in first_results(reader, stream, calibration.seq):
            if calibration.reaches(seq, began) and is_concerned(reader, calibration, run):
                out.append((seq, result, run))
    return [(result, run) for _, result, run in sorted(out)]


def is_concerned(reader: Reader, calibration: OutsideCalibration, run: str) -> bool:
    """Return whether the newest result of a run was measured with the piece."""
    newest = reader.newest_result(run)
    return newest is not None and calibration.concerns(json.loads(newest.data))
