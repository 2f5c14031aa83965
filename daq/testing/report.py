"""What the conformance kit found out about a driver, check by check."""

from dataclasses import dataclass, field
from typing import Any, Final, Literal

from daq.core.errors import DaqError

Outcome = Literal["passed", "failed", "note", "not_applicable"]
MARKS: Final[dict[str, str]] = {"passed": "ok", "failed": "FAILED", "note": "note", "not_applicable": "-"}
SHOWN_BYTES: Final = 120


@dataclass(frozen=True, slots=True)
class Finding:
    """One check.

    Attributes:
        name: of the check.
        outcome: ``note`` is no fault, but somebody should know.
        said: what was found, in one sentence.
        evidence: bytes and values it was seen on, escaped.
        do: what to do about a fault.
    """

    name: str
    outcome: Outcome
    said: str
    evidence: tuple[str, ...] = ()
    do: str = ""


@dataclass(slots=True)
class Report:
    """All checks of one driver, in order."""

    driver: str
    findings: list[Finding] = field(default_factory=list)

    @property
    def passed(self) -> bool:
        """Whether no check failed."""
        return not self.failed

    @property
    def failed(self) -> list[Finding]:
        """The checks that failed."""
        return [f for f in self.findings if f.outcome == "failed"]

    def finding(self, name: str) -> Finding:
        """The check of that name; KeyError where there is none."""
        for f in self.findings:
            if f.name == name:
                return f
        raise KeyError(name)

    def text(self, *, everything: bool = True) -> str:
        """The report for a person; without `everything` only what failed or is worth knowing."""
        width = max((len(f.name) for f in self.findings), default=0)
        lines: list[str] = []
        for f in self.findings:
            if not everything and f.outcome in ("passed", "not_applicable"):
                continue
            lines.append(f"{MARKS[f.outcome]:<6} {f.name:<{width}}  {f.said}".rstrip())
            lines += [f"{'':<6} {'':<{width}}  seen: {e}" for e in f.evidence]
            if f.do and f.outcome == "failed":
                lines.append(f"{'':<6} {'':<{width}}  do: {f.do}")
        lines.append(self.summary())
        return "\n".join(lines)

    def summary(self) -> str:
        """One line: how many checks came to what."""
        counts = {outcome: sum(f.outcome == outcome for f in self.findings) for outcome in MARKS}
        failed = f"{counts['failed']} FAILED" if counts["failed"] else "none failed"
        return (
            f"{self.driver}: {counts['passed']} checks passed, {failed}, {counts['note']} notes, "
            f"{counts['not_applicable']} not applicable"
        )

    def as_json(self) -> dict[str, Any]:
        """The same for machines."""
        return {
            "driver": self.driver,
            "passed": self.passed,
            "checks": [
                {"name": f.name, "outcome": f.outcome, "said": f.said, "evidence": list(f.evidence), "do": f.do}
                for f in self.findings
            ],
        }


class DriverFaultError(DaqError):
    """What a check found, on its way to the report."""

    def __init__(self, said: str, *evidence: str, do: str = "") -> None:
        super().__init__(said)
        self.said, self.evidence, self.do = said, evidence, do


class NotApplicableError(DaqError):
    """A check has nothing to look at, and why."""


def shown(data: object) -> str:
    """Bytes or a value as evidence: escaped, and cut where long."""
    text = repr(data)
    return text if len(text) <= SHOWN_BYTES else f"{text[:SHOWN_BYTES]}... ({len(text)} characters)"
