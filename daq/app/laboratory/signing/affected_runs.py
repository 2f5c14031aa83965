"""The runs that a failed verification or control puts in doubt, each with the decision of a person about it."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision
from daq.app.laboratory.named_runs import find_run
from daq.app.records.checks.audited_checks import Entry as Verification
from daq.app.records.checks.audited_checks import checks
from daq.app.records.checks.doubts import doubt_by
from daq.app.records.run_rows import Entry, entry
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import decision_id
from daq.laboratory.signing import DoubtDecision


def affected(reader: Reader, given: str) -> list[tuple[Entry, str | None]]:
    """Return the runs that a failed verification or control puts in doubt, each with the decision about it.

    Raises:
        SettingError: the run is no verification or control that failed, and no control that was withdrawn.
    """
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
    releases = Releases(reader)
    out: list[tuple[Entry, str | None]] = []
    for _, other in doubt_by(reader, run.instrument, found, own).results:
        record = reader.run(other)
        if record is not None:
            stored = newest_revision(reader, DoubtDecision.kind, decision_id(run.id, other, own.doubt))
            out.append((entry(reader, record, releases), None if stored is None else str(stored.data["decision"])))
    return out


def failed_checks(reader: Reader, instrument: str) -> list[Verification]:
    """Return the verifications and controls of an instrument that put results in doubt, newest first."""
    return [e for e in reversed(checks(reader, instrument)) if e.doubt is not None]
