"""The calibrations that found a piece of equipment outside of its tolerance, and the results that they put in doubt.

A list of runs asks for them, so nothing here imports the models of records and results.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.forms.result_values import DamagedResultError, values_of
from daq.adapters.store.newest_runs import LATEST, FirstResult, first_results, run_started_seq
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, newest_revision, with_ids
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import DOUBT_DECISION, EQUIPMENT, FOUND_INSIDE, FOUND_OUTSIDE, LAST, decision_id
from daq.process.moments import read_moment

if TYPE_CHECKING:
    from daq.app.records.checks.audited_checks import Entry
    from daq.methods.messages.doubting import Doubt

CALIBRATED: Final = "equipment_calibrated"
"""Name of the change by which a calibration is recorded."""
SeenResults = dict[tuple[str, ...], bool | DamagedResultError]
"""By piece and id of a result: whether the result was measured with the piece; the error where it is damaged."""
AT: Final = "@"
"""Between the id of a record and the day, in the name of a calibration."""


_NAMED: Final = ("piece", "part", "serial", "make", "owner", "owner_make")


@dataclass(frozen=True, slots=True)
class Calibrated:
    """One calibration as it is recorded now.

    Attributes:
        ident: its name: the id of the record, the day and the number of the certificate.
        piece, part, serial, make, owner, owner_make: as in `daq.laboratory.equipment.Equipment`.
        certificate, day, found: as in `daq.laboratory.equipment.Calibration`.
        was_adjusted: a value was adjusted by more than its uncertainty, or a person states that it was left inside.
        seq, utc_ns: number and time of the audit entry that recorded it first.
        revised_seq: number of the entry that recorded it as it is now.
        who: the person of that entry.
    """

    ident: str
    piece: str
    part: str
    serial: str
    make: str
    certificate: str
    day: str
    found: str
    was_adjusted: bool
    seq: int
    utc_ns: int
    revised_seq: int
    who: str
    owner: str = ""
    owner_make: str = ""

    @property
    def record(self) -> str:
        """The id of its record."""
        return self.ident.removesuffix(calibration_ident("", {"day": self.day, "certificate": self.certificate}))

    def is_of_same(self, other: "Calibrated") -> bool:
        """Return whether two calibrations are of the same piece: by the serial number, where it is known.

        A probe, and a piece without a serial number, is known by its instrument: by serial number and driver, or by the
        name where one of both calibrations was recorded without them.
        """
        if (self.part, self.serial) != (other.part, other.serial):
            return False
        if self.part != "probe" and self.serial:
            return self.make == other.make
        (name, _, own), (other_name, _, other_own) = self.piece.partition("/"), other.piece.partition("/")
        if not (self.owner and other.owner):
            return (name, own) == (other_name, other_own)
        return (self.owner_make, self.owner, own) == (other.owner_make, other.owner, other_own)

    @property
    def identity(self) -> tuple[str, ...]:
        """All by which a result states that it was measured with the piece."""
        return (self.part, self.make, self.serial, self.piece, self.owner, self.owner_make)

    @property
    def left_inside(self) -> bool:
        """Return whether the calibration left the piece within its tolerance."""
        return self.found == FOUND_INSIDE or (self.found == FOUND_OUTSIDE and self.was_adjusted)

    @property
    def order(self) -> tuple[str, int]:
        """Its place among the calibrations of a piece: the day, and on one day the order of the entries."""
        return (self.day, self.seq)


@dataclass(frozen=True, slots=True)
class OutsideCalibration:
    """A calibration that found a piece outside of its tolerance.

    Results since the last calibration that found the same piece within it are in doubt, up to the first calibration
    after which the piece was within it: this one, where it was adjusted.  The days of all count whole, because a day
    has no time.

    Attributes:
        of: the calibration.
        after_seq, after_ns: first audit entry, and begin of the day (UTC ns), of the last one that found it within; 0:
            there is none.
        end: the first calibration that left the piece within its tolerance; None: there is none.
        until_ns: end of the day of `end`.
    """

    of: Calibrated
    after_seq: int
    after_ns: int
    end: Calibrated | None
    until_ns: int

    @property
    def ident(self) -> str:
        """Its name: id of the record, day and certificate, as in ``bench-1 R-1042@2026-11-20 K-1``."""
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

    def reaches(self, seq: int, began_utc_ns: int, started: Callable[[], int]) -> bool:
        """Return whether a result is of the time that it puts in doubt.

        Args:
            seq: number of the audit entry of the run's first result.
            began_utc_ns: start of the run.
            started: returns the number of the audit entry of the run's start.
        """
        if seq < self.after_seq and began_utc_ns < self.after_ns:
            return False
        if self.end is None:
            return True
        # A run that seems to begin after a calibration was recorded, but started before that, had a wrong clock.
        if self.until_ns < began_utc_ns <= self.end.utc_ns:
            return False
        # A run that was in progress at the entry began with the piece as it was.
        return seq <= self.end.seq or started() <= self.end.seq

    def concerns(self, data: Mapping[str, Any]) -> bool:
        """Return whether a result (its JSON values) was measured with the piece.

        A serial number that is known on one side only may be the same.  A probe is known by its instrument.
        """
        c, origin = self.of, data["origin"]
        used = {origin["instrument"]: origin.get("serial"), **origin.get("companions", {})}
        owner, _, own = c.piece.partition("/")
        if c.part == "probe":
            return owner in used or (bool(c.owner) and c.owner in used.values())
        if c.part == "instrument":
            return any(_may_be(serial, c.serial, name == c.piece) for name, serial in used.items())
        geometry = data.get("geometry") or {}
        if not geometry:
            return False
        on_it = origin["instrument"] == owner or (bool(c.owner) and origin.get("serial") == c.owner)
        named = on_it and geometry.get("name") == own
        # Two kinds of geometry may share a short serial number.
        if not named and c.make and geometry.get("kind") not in (None, c.make):
            return False
        return _may_be(geometry.get("serial"), c.serial, named)


def _may_be(serial: str | None, recorded: str, named: bool) -> bool:
    """Return whether a piece may be the recorded one: by equal serial numbers, or by its name where one is unknown."""
    return serial == recorded if serial and recorded else named


def outside_calibrations(reader: Reader) -> list[OutsideCalibration]:
    """Return the calibrations that found a piece outside of its tolerance, in the order in which they were recorded."""
    return outside_among(list(calibrations(reader)))


def outside_of_piece(reader: Reader, ident: str, given: Calibrated | None = None) -> list[OutsideCalibration]:
    """Return the calibrations that found the piece of a calibration outside of its tolerance.

    A calibration that is recorded or corrected moves the limits of the others of its piece, too.

    Args:
        reader: the database.
        ident: name of the calibration.
        given: the calibration as it would be recorded, in place of the stored one.
    """
    known = {c.ident: c for c in calibrations(reader)} | ({} if given is None else {ident: given})
    own = known.get(ident)
    return [] if own is None else outside_among(list(known.values()), own)


def outside_among(known: list[Calibrated], of: Calibrated | None = None) -> list[OutsideCalibration]:
    """Return those of all calibrations that found a piece outside of its tolerance, as `outside_calibrations`.

    With a calibration `of`, they are those of its piece.
    """
    asked = known if of is None else [c for c in known if c.is_of_same(of)]
    out = [_outside(c, known) for c in asked if c.found == FOUND_OUTSIDE]
    return sorted(out, key=lambda c: c.seq)


def _outside(c: Calibrated, known: list[Calibrated]) -> OutsideCalibration:
    own = [k for k in known if k.is_of_same(c)]
    within = [k for k in own if k.found == FOUND_INSIDE and k.day < c.day]
    last = max(within, key=lambda k: k.order, default=None)
    after = (0, 0) if last is None else (last.seq, read_moment(last.day, end=False))
    # Another one of the same day may have come before it: entries are no proof of the order of a day.
    ends = [k for k in own if k.left_inside and (k == c or k.day > c.day)]
    end = min(ends, key=lambda k: k.order, default=None)
    return OutsideCalibration(c, *after, end, LATEST if end is None else read_moment(end.day, end=True))


def calibration_ident(record: str, calibration: Mapping[str, Any]) -> str:
    """Return the name of a calibration: a piece may have two of one day, with a certificate each."""
    return f"{record}{AT}{calibration['day']} {calibration['certificate']}"


def was_adjusted(calibration: Mapping[str, Any]) -> bool:
    """Return whether a calibration states that the piece was adjusted so that it was left within its tolerance."""
    return bool(calibration.get("left")) or any(is_adjusted(v) for v in calibration.get("values", ()))


def is_adjusted(value: Mapping[str, Any]) -> bool:
    """Return whether a value (its JSON values) was adjusted by more than its uncertainty."""
    difference, uncertainty = abs(value["as_found"] - value["as_left"]), value["uncertainty"]
    # 20.1 - 20.0 is not more than 0.1.
    return bool(difference > uncertainty and not math.isclose(difference, uncertainty, rel_tol=1e-9))


def calibrations(reader: Reader) -> Iterator[Calibrated]:
    """Yield every calibration; one that was corrected, which has the same day and certificate, as it is now."""
    found: dict[str, tuple[StoredRecord, StoredRecord]] = {}
    for stored in with_ids(reader, EQUIPMENT, "", LAST, limit=-1):
        calibration = stored.data.get("recorded") or stored.data.get("calibration")
        if stored.what == CALIBRATED and calibration:
            ident = calibration_ident(stored.id, calibration)
            found[ident] = (found.get(ident, (stored,))[0], stored)
    for first, now in found.values():
        made = calibrated(now.id, now.data, first.audit_seq, first.utc_ns, now.who)
        yield replace(made, revised_seq=now.audit_seq)


def calibrated(record: str, data: Mapping[str, Any], seq: int, utc_ns: int, who: str) -> Calibrated:
    """Return the calibration that a revision of a record of equipment (its JSON values) states."""
    calibration = data.get("recorded") or data["calibration"]
    about: dict[str, str] = {name: data.get(name, "") for name in _NAMED}
    about |= {name: calibration.get(name, "") for name in ("certificate", "day", "found")}
    ident = calibration_ident(record, calibration)
    return Calibrated(
        ident=ident, was_adjusted=was_adjusted(calibration), seq=seq, utc_ns=utc_ns, revised_seq=seq, who=who, **about
    )


def named_calibration(reader: Reader, given: str) -> OutsideCalibration | None:
    """Return the calibration of a name: its own, or without the certificate, or without the serial number, too.

    None where it is none.

    Raises:
        SettingError: several calibrations have this name.
    """
    if AT not in given:
        return None
    outside = outside_calibrations(reader)
    whole = [c for c in outside if c.ident == given]
    found = whole or [c for c in outside if given in _short_names(c)]
    if len(found) > 1:
        known = ", ".join(c.ident for c in found)
        error = SettingError(f"several calibrations have the name {given!r}; name one of {known}")
        raise coded(error, "several_calibrations", names=known)
    return found[0] if found else None


def _short_names(c: OutsideCalibration) -> tuple[str, str]:
    return f"{c.of.piece}{AT}{c.of.day}", c.ident.removesuffix(f" {c.of.certificate}")


def results_in_doubt(
    reader: Reader, calibration: OutsideCalibration, known: SeenResults | None = None
) -> list[tuple[str, str]]:
    """Return the results (with their runs) that a calibration puts in doubt, oldest first.

    Args:
        reader: the database.
        calibration: the calibration.
        known: what was found out about results before, so that their long texts are not read again; it is filled.
    """
    out: list[FirstResult] = []
    known = {} if known is None else known
    after = (calibration.after_seq, calibration.after_ns)
    end = LATEST if calibration.end is None else calibration.end.seq
    for stream in reader.values_of_runs("instrument"):
        for first in first_results(reader, stream, after, end):
            started = partial(run_started_seq, reader, first.run)
            if not calibration.reaches(first.seq, first.began_utc_ns, started):
                continue
            key = (*calibration.of.identity, first.newest)
            if key not in known:
                known[key] = _concerned(reader, calibration, first.run)
            if known[key] is not False:
                out.append(first)
    return [(first.id, first.run) for first in sorted(out, key=lambda first: first.seq)]


def is_concerned(reader: Reader, calibration: OutsideCalibration, run: str) -> bool:
    """Return whether the newest result of a run was measured with the piece, or may have been: it is damaged."""
    return _concerned(reader, calibration, run) is not False


def _concerned(reader: Reader, calibration: OutsideCalibration, run: str) -> bool | DamagedResultError:
    newest = reader.newest_result(run)
    try:
        return newest is not None and calibration.concerns(values_of(newest))
    except DamagedResultError as error:  # nothing shows with what it was measured
        return error


def decision_about(reader: Reader, cause: "Entry | OutsideCalibration", run: str) -> str | None:
    """Return what a person decided about a run that a check or a calibration put in doubt; None before that.

    A decision about a calibration that was corrected since is none: the person saw other values.
    """
    stored = newest_revision(reader, DOUBT_DECISION, decision_id(cause.ident, run, cause.doubt or ""))
    if stored is None or (isinstance(cause, OutsideCalibration) and stored.audit_seq < cause.of.revised_seq):
        return None
    return str(stored.data["decision"])
