"""The results of an instrument that a verification or control puts in doubt, and those that put a result in doubt.

A list of runs decides it for each release, so nothing here imports the models of methods and results.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.newest_runs import LATEST
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry, all_checked
from daq.app.records.checks.check_trail import CheckTrail, Pairing, pairing


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed verification or control, and the results since the last pass before it, which are in doubt."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Ids of result and run, oldest first."""


@dataclass(frozen=True, slots=True)
class Doubting:
    """The judgements that put results of an instrument in doubt; computed once for many results.

    Attributes:
        is_check: tells whether a run is a verification or control, whose own result nothing puts in doubt.
        reaches: failed verifications and controls and withdrawn controls, oldest first, each with the audit entries
            after which and up to which results are in doubt.
    """

    is_check: Callable[[str], bool]
    reaches: tuple[tuple[Entry, int, int], ...]


NOTHING_DOUBTS: Final = Doubting(bool, ())


def doubting(trail: CheckTrail) -> Doubting:
    """Return the judgements that put results of an instrument in doubt."""
    found = trail.deciding()
    return Doubting(trail.is_check, tuple((e, *window(found, e)) for e in found if e.doubt is not None))


def failures_after(reader: Reader, found: Doubting, run: str, seq: int) -> list[Entry]:
    """Return the failed verifications and controls, and the withdrawn controls, that put a result in doubt.

    A control puts only results of its own measuring geometry in doubt.

    Args:
        reader: the database.
        found: the judgements that put results of the instrument in doubt.
        run: the run of the result; a verification or control puts no other one in doubt.
        seq: number of the audit entry of the run's first result.
    """
    near = [e for e, after, until in found.reaches if after < seq <= until]
    if not near or found.is_check(run):
        return []
    return [e for e in near if not e.is_control or may_be_of(reader, run, e)]


def window(found: Sequence[Entry], e: Entry) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results can be in doubt by a verification or control."""
    after, until = reach(found, e)
    return after, LATEST if until is None else until


def reach(found: Sequence[Entry], e: Entry, *, however: bool = False) -> tuple[int, int | None]:
    """Return the audit entries between which results are in doubt by an entry; None means without an end.

    A failure puts the results since the last pass in doubt, a withdrawn control those until the next pass.  With
    `however` the reach is that of both, however a control is judged.
    """
    after = _seq(last_pass(found, e)) if e.passed is False or not e.is_control or however else e.seq
    if not (e.is_control and (however or (e.has_passed and not e.passed))):
        return after, e.seq
    pair = _pair(e)
    later = [o.seq for o in found if o.is_control and o.passed and o.seq > e.seq and _pair(o) == pair]
    return after, later[0] if later else None


def last_pass(found: Sequence[Entry], failed: Entry) -> Entry | None:
    """Return the last pass, of the same kind and pair, before a failed verification or control."""
    pair = _pair(failed)
    earlier = (e for e in reversed(found) if e.seq < failed.seq and e.is_control == failed.is_control)
    return next((e for e in earlier if e.passed and _pair(e) == pair), None)


def _seq(e: Entry | None) -> int:
    return 0 if e is None else e.seq


def _pair(e: Entry) -> tuple[Pairing, bool]:
    """Return instrument and measuring geometry, and whether they were simulated."""
    return pairing(e.data["serial"], e.data["geometry"], e.data["geometry_serial"]), e.simulated


def may_be_of(reader: Reader, run: str, control: Entry) -> bool:
    """Return whether a result may be of instrument and measuring geometry of a control; True where it is not known."""
    from daq.methods.planning.standing import Pair

    newest = reader.newest_result(run)
    if newest is None:
        return True
    data = json.loads(newest.data)
    geometry = data.get("geometry") or {}
    own = Pair(data["origin"].get("serial") or "", geometry.get("name") or "", geometry.get("serial") or "")
    # As a failure, which counts also where a serial number is known on one side only.
    return own.counts(replace(control.verified, passed=False))


def in_doubt(reader: Reader, instrument: str, found: Sequence[Entry]) -> InDoubt | None:
    """Return the newest failed verification with every result since the last pass of its pair; None if none failed."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    return None if failed is None else doubt_by(reader, instrument, found, failed)


def doubt_by(
    reader: Reader, instrument: str, found: Sequence[Entry], failed: Entry, *, however: bool = False
) -> InDoubt:
    """Return a verification or control with every result of the instrument that it puts in doubt if it failed.

    With `however` these are all results that it could put in doubt, however it is judged.
    """
    after, until = reach(found, failed, however=however)
    results = results_between(reader, instrument, after, until)
    if failed.is_control:
        results = [(result, run) for result, run in results if may_be_of(reader, run, failed)]
    return InDoubt(failed, last_pass(found, failed), tuple(results))


def results_between(reader: Reader, instrument: str, after: int, before: int | None = None) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without its checks."""
    own = all_checked(reader, instrument)
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]
