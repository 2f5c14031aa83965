"""Verification status of an instrument: passed, failed, overdue; and overdue calibrations.

Pure: the present time is an argument.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.arguments import require_instance, require_within
from daq.core.context import Context, OverdueCalibration, Standing, Verified

if TYPE_CHECKING:
    from daq.core.plan import Plan
    from daq.methods.parts.statement import Statement

SECOND: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class AuditedLevel:
    """One level of an audited verification."""

    torque_percent: float | None
    deviation_percent: float | None
    accepted: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditedVerification:
    """A verification in the audit trail."""

    run: str
    result: str
    passed: bool | None
    """None if it was not decided."""
    condition: str
    fluid: str
    lot: str
    certificate: str
    geometry: str
    geometry_serial: str
    serial: str
    levels: tuple[AuditedLevel, ...]
    results_in_doubt: int

    def verified(self, utc_ns: int) -> Verified:
        """Return the verification as `standing` takes it."""
        return Verified(
            utc_ns=utc_ns,
            run=self.run,
            passed=bool(self.passed),
            condition=self.condition,
            fluid=self.fluid,
            lot=self.lot,
            geometry=self.geometry,
            geometry_serial=self.geometry_serial,
            serial=self.serial,
        )


@dataclass(frozen=True, slots=True)
class Pair:
    """An instrument with a measuring geometry: a verification counts for both together."""

    serial: str = ""
    """Serial number of the instrument; "" where it is not known."""
    geometry: str = ""
    """Name of the geometry; "" without one."""
    geometry_serial: str = ""

    def counts(self, verified: Verified) -> bool:
        """Return whether a verification counts for this pair.

        A pass counts only for the same serial numbers; a geometry without one is known by its name.  A failure counts
        also where a serial number is known on one side only: it may be the same.
        """
        geometry = same_number(self.geometry_serial, verified.geometry_serial)
        if not (self.geometry_serial and verified.geometry_serial) and self.geometry != verified.geometry:
            geometry = False
        found = (same_number(self.serial, verified.serial), geometry)
        return False not in found and (None not in found or not verified.passed)


def same_number(own: str, other: str) -> bool | None:
    """Return whether two serial numbers are equal; None where only one of them is known."""
    return None if bool(own) != bool(other) else own == other


def standing(history: Sequence[Verified], *, now_utc_ns: int, every_ns: int | None, pair: Pair) -> Standing:
    """Return the verification status of an instrument with a measuring geometry.

    `history` are the judged verifications of the instrument, oldest first.  Those of another pair do not count.
    With an interval `every_ns` it is overdue if more than that has passed since the last pass, or if there is no pass.
    The newest verification decides between passed and failed: a passed one as left clears a failed one as found.
    """
    own = [v for v in history if pair.counts(v)]
    passes = [v.utc_ns for v in own if v.passed]
    last_pass = passes[-1] if passes else None
    due = None if every_ns is None or last_pass is None else last_pass + every_ns
    overdue = every_ns is not None and (due is None or now_utc_ns > due)
    return Standing(own[-1] if own else None, last_pass, due, overdue)


def standing_faults(plan: "Plan") -> list[str]:
    """Return the faults of a result that follow from calibrations, and from verifications of the instrument.

    The verifications before it do not make a verification doubtful.
    """
    # A calibration is another thing than a verification: a verification does not make up for it.
    out = ["calibration_past_due"] if plan.context.overdue else []
    found = plan.context.standing
    if found is None or plan.context.verification is not None:
        return out
    if found.passed is False:
        out.append("verification_failed")
    if found.overdue:
        out.append("verification_overdue")
    return out


def day(utc_ns: int) -> str:
    """Return the day (UTC) of a time as ``YYYY-MM-DD``, in the proleptic Gregorian calendar.

    The algorithm counts years that begin in March (H. Hinnant, "chrono-Compatible Low-Level Date Algorithms", 2013).

    Raises:
        ArgumentError: a time that is no whole number, or outside the years 0 to 9999.
    """
    require_within("utc_ns", utc_ns, -62_167_219_200 * SECOND, 253_402_300_799 * SECOND, "ns")
    require_instance("utc_ns", utc_ns, int)
    days = utc_ns // (86_400 * SECOND) + 719_468
    era, rest = divmod(days, 146_097)
    of_era = (rest - rest // 1460 + rest // 36_524 - rest // 146_096) // 365
    of_year = rest - (365 * of_era + of_era // 4 - of_era // 100)
    month = (5 * of_year + 2) // 153
    number = of_year - (153 * month + 2) // 5 + 1
    month += 3 if month < 10 else -9
    return f"{of_era + era * 400 + (month <= 2):04d}-{month:02d}-{number:02d}"


def standing_statements(context: Context, fault: str) -> "list[Statement]":
    """Return the statements of a fault of this module, with its dates; none for a fault without dates."""
    if fault == "calibration_past_due":
        return [_calibration(o) for o in context.overdue]
    return [] if context.standing is None else [_verification(context.standing, fault)]


def _calibration(overdue: OverdueCalibration) -> "Statement":
    from daq.methods.parts.statement import state  # the sentences are not needed to read a history

    if not overdue.due:
        return state("never_calibrated", piece=overdue.piece)
    return state("calibration_past_due", piece=overdue.piece, date=overdue.due)


def _verification(found: Standing, fault: str) -> "Statement":
    from daq.methods.parts.statement import state

    last = found.last
    if fault == "verification_failed" and last is not None:
        return state(fault, date=day(last.utc_ns), fluid=last.fluid, condition=last.condition)
    if found.due_utc_ns is None:
        return state("never_verified")
    return state(fault, date=day(found.due_utc_ns))


__all__ = [
    "AuditedLevel",
    "AuditedVerification",
    "Pair",
    "Standing",
    "Verified",
    "day",
    "same_number",
    "standing",
    "standing_faults",
    "standing_statements",
]
