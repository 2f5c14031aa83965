"""The runs that a check or a calibration puts in doubt, each with the decision of a person about it."""

from dataclasses import dataclass
from typing import Any

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.signing.suspending import runs_of
from daq.app.records.checks.audited_checks import Entry as Verification
from daq.app.records.checks.audited_checks import checks
from daq.app.records.checks.doubts import doubt_by
from daq.app.records.checks.outside_calibrations import (
    OutsideCalibration,
    SeenResults,
    decision_about,
    named_calibration,
    outside_calibrations,
)
from daq.app.records.run_rows import Entry, entry
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError, coded


def affected(reader: Reader, given: str) -> list[tuple[Entry, str | None]]:
    """Return the runs that a check or a calibration puts in doubt, each with the decision about it.

    Args:
        reader: the database.
        given: the run of a failed verification or control, or the name of a calibration that found a piece outside of
            its tolerance.

    Raises:
        SettingError: it puts nothing in doubt.
    """
    cause, runs = _in_doubt(reader, given)
    releases = Releases(reader)
    return [(entry(reader, run, releases), decision_about(reader, cause, run.id)) for run in runs]


def affected_first(reader: Reader, given: str, most: int) -> tuple[list[tuple[Entry, str | None]], int]:
    """Return at most `most` runs as `affected`, those without a decision first, and the number of all."""
    cause, runs = _in_doubt(reader, given)
    waiting: list[tuple[RunRecord, str | None]] = []
    decided: list[tuple[RunRecord, str | None]] = []
    for run in runs:
        decision = decision_about(reader, cause, run.id)
        (decided if decision else waiting).append((run, decision))
        if len(waiting) == most:
            break
    releases = Releases(reader)
    shown = [*waiting, *decided][:most]
    return [(entry(reader, run, releases), decision) for run, decision in shown], len(runs)


def _in_doubt(reader: Reader, given: str) -> tuple[Verification | OutsideCalibration, list[RunRecord]]:
    """Return a check or a calibration by its name, and the runs that it puts in doubt; as `affected`."""
    calibration = named_calibration(reader, given)
    if calibration is not None:
        return calibration, runs_of(reader, calibration)
    run = find_run(reader, given)
    found = checks(reader, run.instrument)
    own = next((e for e in found if e.run == run.id), None)
    if own is None or own.doubt is None:
        error = SettingError(
            f"run {run.id} is no failed verification or control; `daq verification` and `daq chart --control` show them"
        )
        raise coded(
            error,
            "no_failed_verification",
            run=run.id,
        )
    runs = (reader.run(other) for _, other in doubt_by(reader, found, own).results)
    return own, [r for r in runs if r is not None]


def cause_named(reader: Reader, given: str) -> str:
    """Return the name of what puts results in doubt: of a calibration, or of a run; errors as in `find_run`."""
    calibration = named_calibration(reader, given)
    return find_run(reader, given).id if calibration is None else calibration.ident


@dataclass(frozen=True, slots=True)
class OutsideFound:
    """A calibration that found a piece outside of its tolerance, with the numbers of results in doubt by it."""

    calibration: OutsideCalibration
    in_doubt: int
    undecided: int

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        of = self.calibration.of
        about = {name: getattr(of, name) for name in ("piece", "serial", "certificate", "day", "who")}
        return {"calibration": of.ident, **about, "in_doubt": self.in_doubt, "undecided": self.undecided}


def outside_found(reader: Reader, first_utc_ns: int, last_utc_ns: int) -> list[OutsideFound]:
    """Return the calibrations of a span of time, by the time of their entry, that found a piece outside."""
    out, known = [], SeenResults()
    for calibration in outside_calibrations(reader):
        if first_utc_ns <= calibration.utc_ns <= last_utc_ns:
            runs = runs_of(reader, calibration, known)
            left = sum(decision_about(reader, calibration, run.id) is None for run in runs)
            out.append(OutsideFound(calibration, len(runs), left))
    return out


def failed_checks(reader: Reader, instrument: str) -> list[Verification]:
    """Return the verifications and controls of an instrument that put results in doubt, newest first."""
    return [e for e in reversed(checks(reader, instrument)) if e.doubt is not None]
