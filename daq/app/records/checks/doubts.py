"""The results of an instrument that a verification or control puts in doubt, and those that put a result in doubt.

A list of runs decides it for each release, so nothing here imports the models of methods and results.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.newest_runs import LATEST, run_started_seq
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry, all_checked
from daq.app.records.checks.check_trail import CheckTrail, PairOfCheck, later_pairs, pair_of_check


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed or withdrawn verification or control, and the results that it puts in doubt."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Ids of result and run, oldest first."""


@dataclass(frozen=True, slots=True)
class Doubting:
    """The judgements that put results of an instrument in doubt; computed once for many results.

    Attributes:
        is_check: tells whether a run is a verification or control, whose own result nothing puts in doubt.
        reaches: failed and withdrawn verifications and controls, oldest first, each with the audit entries after which
            and up to which results are in doubt.
    """

    is_check: Callable[[str], bool]
    reaches: tuple[tuple[Entry, int, int], ...]


NOTHING_DOUBTS: Final = Doubting(bool, ())


def doubting(trail: CheckTrail) -> Doubting:
    """Return the judgements that put results of an instrument in doubt."""
    found = trail.deciding()
    return Doubting(trail.is_check, tuple((e, *window(found, e)) for e in found if e.doubt is not None))


def failures_after(reader: Reader, found: Doubting, run: str, seq: int) -> list[Entry]:
    """Return the failed and the withdrawn verifications and controls that put a result in doubt.

    A failed verification puts all results before it in doubt.  A control, and a pass that is taken back, put only
    results of their own measuring geometry in doubt.

    Args:
        reader: the database.
        found: the judgements that put results of the instrument in doubt.
        run: the run of the result; a verification or control puts no other one in doubt.
        seq: number of the audit entry of the run's first result.
    """
    near = [e for e, after, until in found.reaches if after < seq <= until]
    if not near or found.is_check(run):
        return []
    return [e for e in near if _concerns(reader, e, run, seq)]


def _concerns(reader: Reader, e: Entry, run: str, seq: int, *, however: bool = False) -> bool:
    """Return whether a verification or control puts a result in doubt that is within its reach."""
    if e.is_control:
        return may_be_of(reader, run, e)
    if seq <= e.seq:
        return True
    if however:
        return may_be_of(reader, run, e)
    # A result that began after the pass was taken back did not rely on it.
    began = run_started_seq(reader, run)
    return any(began < gone and _counted_for(reader, run, replace(e, data=data)) for data, gone in e.taken_back)


def window(found: Sequence[Entry], e: Entry) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results can be in doubt by a verification or control."""
    after, until = reach(found, e)
    return after, LATEST if until is None else until


def reach(found: Sequence[Entry], e: Entry, *, however: bool = False) -> tuple[int, int | None]:
    """Return the audit entries between which results are in doubt by an entry; None means without an end.

    A failure puts the results since the last pass in doubt, a pass that is taken back those until the next pass.  With
    `however` the reach is that of both, however it is judged.
    """
    after = _seq(last_pass(found, e)) if e.passed is False or however else e.seq
    if not (e.is_withdrawn or however):
        return after, e.seq
    pairs = later_pairs(e) | ({_pair(e)} if however else set())
    later = (o for o in found if o.seq > e.seq and o.is_control == e.is_control and o.passed)
    return after, next((o.seq for o in later if {_pair(o)} == pairs), None)


def last_pass(found: Sequence[Entry], failed: Entry) -> Entry | None:
    """Return the last pass, of the same kind and pair, before a failed verification or control."""
    pair = _pair(failed)
    earlier = (e for e in reversed(found) if e.seq < failed.seq and e.is_control == failed.is_control)
    return next((e for e in earlier if e.passed and _pair(e) == pair), None)


def _seq(e: Entry | None) -> int:
    return 0 if e is None else e.seq


def _pair(e: Entry) -> PairOfCheck:
    return pair_of_check(e, e.data)


def may_be_of(reader: Reader, run: str, check: Entry) -> bool:
    """Return whether a result may be of instrument and measuring geometry of a check; True where it is not known.

    The pairs for which it passed before are among them.
    """
    judged = (check, *(replace(check, data=data) for data, _ in check.taken_back))
    return any(_counted_for(reader, run, e) for e in judged)


def _counted_for(reader: Reader, run: str, check: Entry) -> bool:
    from daq.methods.planning.standing import Pair

    newest = reader.newest_result(run)
    if newest is None:
        return True
    data = json.loads(newest.data)
    geometry = data.get("geometry") or {}
    own = Pair(data["origin"].get("serial") or "", geometry.get("name") or "", geometry.get("serial") or "")
    # As a failure, which counts also where a serial number is known on one side only.
    return own.counts(replace(check.verified, passed=False))


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
    before = results_between(reader, instrument, after, failed.seq)
    later = results_between(reader, instrument, failed.seq, until) if until != failed.seq else []
    results = [
        (result, run)
        for seq, found_there in ((failed.seq, before), (LATEST, later))
        for result, run in found_there
        if _concerns(reader, failed, run, seq, however=however)
    ]
    return InDoubt(failed, last_pass(found, failed), tuple(results))


def results_between(reader: Reader, instrument: str, after: int, before: int | None = None) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without its checks."""
    own = all_checked(reader, instrument)
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]
