"""The file with the findings of the newest trial: its process writes it, queries read it, and its size is bounded."""

import os
from pathlib import Path
from typing import Final, Literal

from pydantic import Field

from daq.core.errors import SettingError
from daq.laboratory.trials import DriverTrial
from daq.methods.files.fields import Model

FILE: Final = "trial.json"
"""Name of the file in the state directory."""
CAPTURE_FILE: Final = "trial.capture"
"""Name of the file with the lines of the newest trial at a port, for a second check of the description."""
LARGEST: Final = 1 << 20
"""Greatest size of each file, bytes."""
MOST_LINES: Final = 200
LONGEST_LINE: Final = 300
"""Greatest number of lines of the capture that are kept, and of characters of each text."""
MOST_FINDINGS: Final = 100
LONGEST_S: Final = 180
"""Longest time in seconds of a trial, all of its stages together; then its processes are killed."""

Stage = Literal["capturing", "describing", "checking", "done", "failed"]


class TrialFinding(Model):
    """A finding of the conformance kit: name, outcome, message and remedy."""

    name: str
    outcome: str
    message: str
    do: str = ""


class TrialReport(Model):
    """The state of a trial.

    Attributes:
        id: id of the trial.
        kind: name of the kind of instrument.
        port: the port, as the machine lists it.
        began_utc_ns: its start.
        stage: what goes on; ``failed``: it ended early, `reason` says why.
        reason: why it failed; "" otherwise.
        received, sent: number of bytes that came, and of requests.
        asked: the order, without a description, for another trial with the same settings.
        lines: first lines of the capture, escaped; while it goes on, its newest lines.
        values: the readings in each of these lines, as the description has them; "" for a line without one.
        left_out: number of lines that are not kept.
        remarks: what was found in the capture, and what is wrong with the description.
        description: text of the description; "" before it is written.
        findings: failed checks and notes of the conformance kit.
        passed: number of checks that passed.
    """

    id: str
    kind: str
    port: str
    began_utc_ns: int
    stage: Stage = "capturing"
    reason: str = ""
    received: int = 0
    sent: int = 0
    asked: dict[str, str | int | bool] = Field(default_factory=dict)
    lines: tuple[str, ...] = ()
    values: tuple[str, ...] = ()
    left_out: int = 0
    remarks: tuple[str, ...] = ()
    description: str = ""
    findings: tuple[TrialFinding, ...] = ()
    passed: int = 0


def report_of(order: DriverTrial, ident: str, utc_ns: int) -> TrialReport:
    """Return the report of a trial that starts."""
    asked = order.model_dump(mode="json", exclude={"description", "captured", "of"})
    return TrialReport(id=ident, kind=order.kind, port=order.port, began_utc_ns=utc_ns, asked=asked)


def short(text: str) -> str:
    """Return the beginning of a text, on one line."""
    return " ".join(text.splitlines())[:LONGEST_LINE]


def write_report(state: Path, report: TrialReport) -> None:
    """Replace the file of the state directory; only its owner reads it."""
    write_private(state / FILE, report.model_dump_json().encode())


def write_private(path: Path, text: bytes) -> None:
    """Replace a file of the state directory; only its owner reads it.  `SettingError` where it is too long."""
    if len(text) > LARGEST:
        raise SettingError("the findings are too long", file=path.name)
    beside = path.with_name(f"{path.name}.new")
    beside.unlink(missing_ok=True)
    fd = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(fd, "wb") as file:
        file.write(text)
    beside.replace(path)


def read_report(state: Path, utc_ns: int) -> TrialReport | None:
    """Return the newest trial; None before the first.  One that has not ended in its time has failed.

    Raises:
        SettingError: the file cannot be read.
    """
    try:
        with (state / FILE).open("rb") as file:
            report = TrialReport.model_validate_json(file.read(LARGEST + 1), strict=False)
    except FileNotFoundError:
        return None
    except (OSError, ValueError):
        raise SettingError("cannot be read; begin another trial", file=FILE) from None
    if report.stage not in ("done", "failed") and utc_ns - report.began_utc_ns > (LONGEST_S + 5) * 10**9:
        return report.model_copy(update={"stage": "failed", "reason": "it was not finished in its time"})
    return report
