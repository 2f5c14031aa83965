"""How an instrument stands with its verifications: passed, failed, overdue.  Pure: the present comes as an argument."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from daq.core.plan import Plan

SECOND: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Verified:
    """One judged verification, as it was audited."""

    utc_ns: int
    run: str
    passed: bool
    order: str = "as found"
    fluid: str = ""
    lot: str = ""
    geometry: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """What holds for the results of an instrument at one moment; times in ns UTC."""

    last: Verified | None
    """The newest judged verification."""
    last_pass_utc_ns: int | None
    due_utc_ns: int | None
    """When the next is due; None where the instrument's file asks for none."""
    overdue: bool

    @property
    def passed(self) -> bool | None:
        """Whether the newest verification passed; None without any."""
        return None if self.last is None else self.last.passed

    @property
    def said(self) -> str:
        """In words."""
        if self.last is not None and not self.last.passed:
            return "failed"
        if self.overdue:
            return "overdue"
        return "never verified" if self.last is None else "passed"


def standing(history: Sequence[Verified], *, now_utc_ns: int, every_ns: int | None, serial: str | None) -> Standing:
    """The standing of an instrument from its judged verifications, oldest first.

    Those of another serial number were of another instrument and do not count.  With an interval `every_ns` it is
    overdue when more than that has passed since the last pass, and as long as there is none.  The newest verification
    decides between passed and failed: one `as left` clears a failed one `as found`.
    """
    own = [v for v in history if not serial or not v.serial or v.serial == serial]
    passes = [v.utc_ns for v in own if v.passed]
    last_pass = passes[-1] if passes else None
    due = None if every_ns is None or last_pass is None else last_pass + every_ns
    overdue = every_ns is not None and (due is None or now_utc_ns > due)
    return Standing(own[-1] if own else None, last_pass, due, overdue)


def for_plan(found: Standing) -> dict[str, Any]:
    """What a plan carries of a standing."""
    return {
        "last": None if found.last is None else asdict(found.last),
        "due_utc_ns": found.due_utc_ns,
        "last_pass_utc_ns": found.last_pass_utc_ns,
        "overdue": found.overdue,
    }


def standing_faults(plan: Plan) -> list[str]:
    """Faults of a result by the instrument's verifications; none for a verification itself."""
    said: dict[str, Any] | None = plan.context.get("standing")
    if said is None or plan.context.get("verification") is not None:
        return []
    out: list[str] = []
    if said["last"] is not None and not said["last"]["passed"]:
        out.append("verification_failed")
    if said["overdue"]:
        out.append("verification_overdue")
    return out


def day(utc_ns: int) -> str:
    """The day (UTC) of a moment as ``YYYY-MM-DD``: days from civil, proleptic Gregorian calendar.

    The algorithm is the usual one with years that begin in March (H. Hinnant, "chrono-Compatible Low-Level Date
    Algorithms", 2013).
    """
    days = utc_ns // (86_400 * SECOND) + 719_468
    era, rest = divmod(days, 146_097)
    of_era = (rest - rest // 1460 + rest // 36_524 - rest // 146_096) // 365
    of_year = rest - (365 * of_era + of_era // 4 - of_era // 100)
    month = (5 * of_year + 2) // 153
    number = of_year - (153 * month + 2) // 5 + 1
    month += 3 if month < 10 else -9
    return f"{of_era + era * 400 + (month <= 2):04d}-{month:02d}-{number:02d}"


def said_of(plan: Plan, fault: str) -> str:
    """What stands behind a fault of this module, in words."""
    said: dict[str, Any] = plan.context["standing"]
    if fault == "verification_failed":
        last = said["last"]
        return f"on {day(last['utc_ns'])} with {last['fluid']} ({last['order']})"
    if said["due_utc_ns"] is None:
        return "it was never passed"
    return f"it was due on {day(said['due_utc_ns'])}"


__all__ = ["Standing", "Verified", "day", "for_plan", "said_of", "standing", "standing_faults"]
