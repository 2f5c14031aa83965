"""Verification status of an instrument: passed, failed, overdue; overdue calibrations; and the control of a shift.

Pure: the present time is an argument.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.arguments import require_instance, require_within
from daq.core.context import (
    CheckKind,
    Context,
    ControlState,
    OverdueCalibration,
    RequiredControl,
    Standing,
    Verified,
)
from daq.methods.parts.statement import Statement, state

if TYPE_CHECKING:
    from daq.core.plan import Plan

SIGMAS: Final = 3.0
"""Distance of the control limits from the centre line in standard deviations (ISO 7870-2)."""
CONTROL_FAULTS: Final[Mapping[ControlState, str]] = {
    "missing": "control_missing",
    "failed": "control_failed",
    "not_judged": "control_not_judged",
    "expired": "control_expired",
}
"""Fault of a result by the state of the required control; a control that passed is none."""
SECOND: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class AuditedLevel:
    """One level of an audited verification."""

    torque_percent: float | None
    deviation_percent: float | None
    accepted: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditedVerification:
    """A verification or a control in the audit trail."""

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
    kind: CheckKind = "verification"

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


@dataclass(frozen=True, slots=True)
class StoredControl:
    """A stored control.

    Attributes:
        verified: its run, serial numbers and measuring geometry; `utc_ns` is the start of the run.
        passed: None where it was not judged.
        began_seq: number of the audit entry of the start of its run.
    """

    verified: Verified
    passed: bool | None
    began_seq: int


def standing(history: Sequence[Verified], *, now_utc_ns: int, every_ns: int | None, pair: Pair) -> Standing:
    """Return the verification status of an instrument with a measuring geometry.

    `history` are the judged verifications of the instrument, oldest first.  Those of another pair do not count.
    With an interval `every_ns` it is overdue if there is no pass, or if the last one lies more than that in the past or
    in the future.
    The newest verification decides between passed and failed: a passed one as left clears a failed one as found.
    """
    own = [v for v in history if pair.counts(v)]
    passes = [v.utc_ns for v in own if v.passed]
    last_pass = passes[-1] if passes else None
    last = own[-1] if own else None
    if every_ns is None:
        return Standing(last, last_pass, None, overdue=False)
    # A clock that was set back makes the age negative.  A pass of a distant future would hold until then, and the day
    # on which the next one is due after that is no day since which anything is overdue.
    if last_pass is None or last_pass - now_utc_ns > every_ns:
        return Standing(last, last_pass, None, overdue=True)
    return Standing(last, last_pass, last_pass + every_ns, overdue=now_utc_ns - last_pass > every_ns)


def standing_faults(plan: "Plan") -> list[str]:
    """Return the faults of a result that follow from calibrations, and from verifications of the instrument.

    The verifications before it do not make a verification doubtful, but they do so with a control.
    """
    # A calibration is another thing than a verification: a verification does not make up for it.
    out = ["calibration_past_due"] if plan.context.overdue else []
    found = plan.context.standing
    asked = plan.context.verification
    if found is None or (asked is not None and asked.kind == "verification"):
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


def standing_statements(context: Context, fault: str) -> list[Statement]:
    """Return the statements of a fault of this module, with its dates; none for a fault without dates."""
    if fault == "calibration_past_due":
        return [_calibration(o) for o in context.overdue]
    return [] if context.standing is None else [_verification(context.standing, fault)]


def required_control(
    fluid: str, history: Sequence[StoredControl], *, pair: Pair, now_utc_ns: int, after_seq: int, longest_ns: int
) -> RequiredControl:
    """Return the state of the control that a bench requires.

    The newest control of the pair decides: a failed one blocks until one passes, whenever it was.  A pass counts for
    the same serial numbers and the same measuring geometry only.

    Args:
        fluid: the control fluid that is required.
        history: the stored controls of the instrument with this fluid, oldest first.
        pair: the instrument with its measuring geometry.
        now_utc_ns: start of the run (UTC, ns).
        after_seq: number of the audit entry with which the shift began or the measuring geometry was fitted, the later
            one; the run of a control must have started after it.
        longest_ns: greatest age of a control (ns).
    """
    own = [c for c in history if pair.counts(c.verified)]
    if not own:
        return RequiredControl(fluid=fluid, state="missing")
    last = own[-1]
    found: ControlState = "passed"
    if last.passed is False:
        found = "failed"
    elif last.passed is None:
        found = "not_judged"
    # A clock that was set back makes the age negative; a control of the future is no control of this shift either.
    elif last.began_seq <= after_seq or abs(now_utc_ns - last.verified.utc_ns) >= longest_ns:
        found = "expired"
    return RequiredControl(fluid=fluid, state=found, last=last.verified)


def control_faults(plan: "Plan") -> list[str]:
    """Return the fault of a result that follows from the required control; none for a verification and a control."""
    found = plan.context.control
    if found is None or plan.context.verification is not None:
        return []
    return [CONTROL_FAULTS[found.state]] if found.state in CONTROL_FAULTS else []


def control_statement(context: Context, fault: str, instrument: str) -> Statement:
    """Return the statement of a fault of this module: fluid, instrument, geometry and the newest control."""
    found = context.control
    if found is None:
        return state(fault)
    last = found.last
    return state(
        fault,
        fluid=found.fluid,
        instrument=instrument,
        geometry=context.geometry_name,
        moment=None if last is None else moment(last.utc_ns),
        run=None if last is None else last.run,
    )


def control_due(plan: "Plan") -> Statement | None:
    """Return the warning before a run whose result will be Uncertain because the control has not passed, or None."""
    found = plan.context.control
    if found is None or not control_faults(plan):
        return None
    return state(
        "control_not_passed",
        fluid=found.fluid,
        instrument=plan.lead.name,
        geometry=plan.context.geometry_name,
        control=found.state,
    )


def moment(utc_ns: int) -> str:
    """Return a time (UTC, ns) as ``YYYY-MM-DDThh:mm:ssZ``; errors as in `day`."""
    date = day(utc_ns)
    seconds = utc_ns // SECOND % 86_400
    return f"{date}T{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}Z"


def _calibration(overdue: OverdueCalibration) -> Statement:
    if not overdue.due:
        return state("never_calibrated", piece=overdue.piece)
    return state("calibration_past_due", piece=overdue.piece, date=overdue.due)


def _verification(found: Standing, fault: str) -> Statement:
    last = found.last
    if fault == "verification_failed" and last is not None:
        return state(fault, date=day(last.utc_ns), fluid=last.fluid, condition=last.condition)
    if found.future_pass_utc_ns is not None:
        return state("verified_in_future", date=day(found.future_pass_utc_ns))
    if found.due_utc_ns is None:
        return state("never_verified")
    return state(fault, date=day(found.due_utc_ns))


__all__ = [
    "CONTROL_FAULTS",
    "SIGMAS",
    "AuditedLevel",
    "AuditedVerification",
    "Pair",
    "Standing",
    "StoredControl",
    "Verified",
    "control_due",
    "control_faults",
    "control_statement",
    "day",
    "moment",
    "required_control",
    "same_number",
    "standing",
    "standing_faults",
    "standing_statements",
]
