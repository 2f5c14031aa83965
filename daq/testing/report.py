"""Report of the conformance kit on a driver: one finding for each check."""

from dataclasses import dataclass, field
from typing import Any, Final, Literal

from daq.core.errors import DaqError

Outcome = Literal["passed", "failed", "note", "not_applicable"]
MARKS: Final[dict[str, str]] = {"passed": "ok", "failed": "FAILED", "note": "note", "not_applicable": "-"}
SHOWN_BYTES: Final = 120


@dataclass(frozen=True, slots=True)
class Finding:
    """Result of one check.

    Attributes:
        name: name of the check.
        outcome: ``note`` is no fault, but limits the use of the driver.
        message: the finding, in one sentence.
        evidence: bytes and values of the finding, escaped.
        do: remedy of a fault.
    """

    name: str
    outcome: Outcome
    message: str
    evidence: tuple[str, ...] = ()
    do: str = ""


@dataclass(slots=True)
class Report:
    """All checks of one driver, in order."""

    driver: str
    findings: list[Finding] = field(default_factory=list)

    @property
    def passed(self) -> bool:
        """True where no check failed."""
        return not self.failed

    @property
    def failed(self) -> list[Finding]:
        """The checks that failed."""
        return [f for f in self.findings if f.outcome == "failed"]

    def finding(self, name: str) -> Finding:
        """Return the finding of a check.

        Raises:
            KeyError: there is no check of this name.
        """
        for f in self.findings:
            if f.name == name:
                return f
        raise KeyError(name)

    def text(self, *, everything: bool = True) -> str:
        """Return the report for a person; without `everything` only failed checks and notes."""
        width = max((len(f.name) for f in self.findings), default=0)
        lines: list[str] = []
        for f in self.findings:
            if not everything and f.outcome in ("passed", "not_applicable"):
                continue
            lines.append(f"{MARKS[f.outcome]:<6} {f.name:<{width}}  {f.message}".rstrip())
            lines += [f"{'':<6} {'':<{width}}  seen: {e}" for e in f.evidence]
            if f.do and f.outcome == "failed":
                lines.append(f"{'':<6} {'':<{width}}  do: {f.do}")
        lines.append(self.summary())
        return "\n".join(lines)

    def summary(self) -> str:
        """Return one line with the number of checks for each outcome."""
        counts = {outcome: sum(f.outcome == outcome for f in self.findings) for outcome in MARKS}
        failed = f"{counts['failed']} FAILED" if counts["failed"] else "none failed"
        return (
            f"{self.driver}: {counts['passed']} checks passed, {failed}, {counts['note']} notes, "
            f"{counts['not_applicable']} not applicable"
        )

    def as_json(self) -> dict[str, Any]:
        """Return the report as JSON values."""
        return {
            "driver": self.driver,
            "passed": self.passed,
            "checks": [
                {"name": f.name, "outcome": f.outcome, "message": f.message, "evidence": list(f.evidence), "do": f.do}
                for f in self.findings
            ],
        }


class DriverFaultError(DaqError):
    """A fault of the driver, raised by a check."""

    def __init__(self, message: str, *evidence: str, do: str = "") -> None:
        super().__init__(message)
        self.message, self.evidence, self.do = message, evidence, do


class NotApplicableError(DaqError):
    """A check does not apply; the message is the reason."""


def shown(data: object) -> str:
    """Return bytes or a value as evidence: escaped, and cut to `SHOWN_BYTES` characters."""
    text = repr(data)
    return text if len(text) <= SHOWN_BYTES else f"{text[:SHOWN_BYTES]}... ({len(text)} characters)"
