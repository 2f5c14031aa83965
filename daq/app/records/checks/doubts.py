"""The results that a failed verification, and a failed or withdrawn control, put in doubt."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry
from daq.methods.planning.standing import AuditedVerification, Pair

NO_END: Final = 2**63 - 1
"""Largest integer of SQLite."""


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed verification or control, and the results since the last pass before it, which are in doubt."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Ids of result and run, oldest first."""


def in_doubt(reader: Reader, instrument: str, found: Sequence[Entry]) -> InDoubt | None:
    """Return the newest failed verification with every result since the last pass of its pair; None if none failed."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    return None if failed is None else doubt_by(reader, instrument, found, failed)


def failures_after(reader: Reader, found: Sequence[Entry], run: str, seq: int) -> list[Entry]:
    """Return the failed verifications and controls, and the withdrawn controls, that put a result in doubt.

    A control puts only results of its own measuring geometry in doubt.

    Args:
        reader: the database.
        found: all verifications and controls of the instrument.
        run: the run of the result; a verification or control puts no other one in doubt.
        seq: number of the audit entry of the run's first result.
    """
    if any(e.detail.run == run for e in found):
        return []
    near = [e for e in found if e.doubt is not None and _reaches(found, e, seq)]
    return [e for e in near if not e.is_control or _may_be_of(reader, run, e.detail)]


def _reaches(found: Sequence[Entry], e: Entry, seq: int) -> bool:
    after, until = _reach(found, e)
    return after < seq and (until is None or seq <= until)


def _reach(found: Sequence[Entry], e: Entry, *, however: bool = False) -> tuple[int, int | None]:
    """Return the audit entries between which results are in doubt by an entry; None means without an end.

    A failure puts the results since the last pass in doubt, a withdrawn control those until the next pass.  With
    `however` the reach is that of both, however a control is judged.
    """
    after = _seq(_last_pass(found, e)) if e.passed is False or not e.is_control or however else e.seq
    if not (e.is_control and (however or (e.has_passed and not e.passed))):
        return after, e.seq
    pair = _pair(e)
    later = [o.seq for o in found if o.is_control and o.passed and o.seq > e.seq and _pair(o) == pair]
    return after, later[0] if later else None


def _may_be_of(reader: Reader, run: str, control: AuditedVerification) -> bool:
    """Return whether a result may be of instrument and measuring geometry of a control; True where it is not known."""
    newest = reader.newest_result(run)
    if newest is None:
        return True
    data = json.loads(newest.data)
    geometry = data.get("geometry") or {}
    own = Pair(data["origin"].get("serial") or "", geometry.get("name") or "", geometry.get("serial") or "")
    # As a failure, which counts also where a serial number is known on one side only.
    return own.counts(replace(control.verified(0), passed=False))


def window(found: Sequence[Entry], e: Entry) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results can be in doubt by a verification or control."""
    after, until = _reach(found, e)
    return after, NO_END if until is None else until


def _last_pass(found: Sequence[Entry], failed: Entry) -> Entry | None:
    """Return the last pass, of the same kind and pair, before a failed verification or control."""
    pair = _pair(failed)
    same = [e for e in found if e.is_control == failed.is_control and e.seq < failed.seq]
    passes = [e for e in same if e.passed and _pair(e) == pair]
    return passes[-1] if passes else None


def _seq(e: Entry | None) -> int:
    return 0 if e is None else e.seq


def doubt_by(
    reader: Reader, instrument: str, found: Sequence[Entry], failed: Entry, *, however: bool = False
) -> InDoubt:
    """Return a verification or control with every result of the instrument that it puts in doubt if it failed.

    With `however` these are all results that it could put in doubt, however it is judged.
    """
    after, until = _reach(found, failed, however=however)
    results = results_between(reader, instrument, after, until)
    if failed.is_control:
        results = [(result, run) for result, run in results if _may_be_of(reader, run, failed.detail)]
    return InDoubt(failed, _last_pass(found, failed), tuple(results))


def _pair(e: Entry) -> tuple[Pair, bool]:
    """Return instrument and measuring geometry, and whether they were simulated."""
    detail = e.detail
    # A geometry with a serial number is the same under another name.
    pair = Pair(detail.serial, "" if detail.geometry_serial else detail.geometry, detail.geometry_serial)
    return pair, e.simulated


def results_between(reader: Reader, instrument: str, after: int, before: int | None = None) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without its checks."""
    own = {json.loads(e.detail)["run"] for e in reader.verifications(instrument)}
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]
