"""The results of an instrument that a verification or control puts in doubt, and those that put a result in doubt.

A list of runs decides it for each release, so nothing here imports the models of methods and results.
"""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.forms.result_values import DamagedResultError, values_of
from daq.adapters.store.newest_runs import LATEST, names_of_instrument, run_started_seq
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry, all_checked, checks
from daq.app.records.checks.check_trail import CheckTrail, PairOfCheck, later_pairs, pair_of_check

#: The audit entry of the next pass of each pair for which a check passed before; `LATEST` where there is none.
Ends = Mapping[PairOfCheck, int]


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
        instrument: name of the instrument under which the results are.
        is_check: tells whether a run is a verification or control, whose own result nothing puts in doubt.
        reaches: failed and withdrawn verifications and controls, oldest first, each with the audit entries after which
            and up to which results are in doubt.
        ends: by run of them, the audit entry up to which later results of each pair are in doubt.
    """

    instrument: str
    is_check: Callable[[str], bool]
    reaches: tuple[tuple[Entry, int, int], ...]
    ends: Mapping[str, "Ends"]


NOTHING_DOUBTS: Final = Doubting("", bool, (), {})


def doubting(trail: CheckTrail) -> Doubting:
    """Return the judgements that put results of an instrument in doubt."""
    found, name = trail.deciding(), trail.instrument
    doubted = [e for e in found if e.doubt is not None]
    reaches = tuple((e, *window(found, e, name)) for e in doubted)
    return Doubting(name, trail.is_check, reaches, {e.run: ends_of(found, e, name) for e in doubted if e.is_withdrawn})


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
    return [
        e
        for e in near
        if _may_be_of_instrument(reader, e, run, found.instrument)
        and _concerns(reader, e, run, _still(found.ends.get(e.run, {}), e, seq))
    ]


def _still(ends: Ends, e: Entry, seq: int) -> AbstractSet[PairOfCheck] | None:
    """Return the pairs whose doubt has not ended at a result; None for a result before the check, which needs none."""
    return None if seq <= e.seq else {pair for pair, end in ends.items() if seq <= end}


def _concerns(
    reader: Reader, e: Entry, run: str, pairs: AbstractSet[PairOfCheck] | None, *, however: bool = False
) -> bool:
    """Return whether a verification or control puts a result in doubt that is within its reach; `pairs` as `_still`."""
    if pairs is None:
        return may_be_of(reader, run, e) if e.is_control else True
    judged = [(data, gone) for data, gone in e.taken_back if pair_of_check(e, data) in pairs]
    if e.is_control or however:
        own = [(e.data, LATEST)] if _pair(e) in pairs else []
        return any(_counted_for(reader, run, replace(e, data=data)) for data, _ in (*judged, *own))
    # A result that began after the pass was taken back did not rely on it.
    began = run_started_seq(reader, run)
    return any(began < gone and _counted_for(reader, run, replace(e, data=data)) for data, gone in judged)


def _may_be_of_instrument(reader: Reader, check: Entry, run: str, name: str) -> bool:
    """Return whether a result under a name may be of the instrument of a check.

    Under another name than that of the check it has its serial number, or is damaged.
    """
    return check.instrument == name or _may_have(reader, run, check.data["serial"])


def _may_have(reader: Reader, run: str, serial: str) -> bool:
    newest = reader.newest_result(run)
    try:
        return newest is not None and bool(serial) and values_of(newest)["origin"].get("serial") == serial
    except DamagedResultError:  # nothing shows with what it was measured
        return True


def window(found: Sequence[Entry], e: Entry, name: str) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results can be in doubt by a verification or control."""
    after, until = reach(found, e, name)
    return after, LATEST if until is None else until


def reach(found: Sequence[Entry], e: Entry, name: str, *, however: bool = False) -> tuple[int, int | None]:
    """Return the audit entries between which results under a name are in doubt by an entry; None: without an end.

    A failure puts the results since the last pass in doubt, a pass that is taken back those until the next pass.  Only
    passes under the name of the entry, or under that of the results, count: under a third one it may be another
    instrument with the same serial number.  With `however` the reach is that of both, however it is judged.
    """
    after = _seq(last_pass(found, e, name)) if e.passed is False or however else e.seq
    if not (e.is_withdrawn or however):
        return after, e.seq
    last = max(ends_of(found, e, name, however=however).values(), default=LATEST)
    return after, None if last == LATEST else last


def ends_of(found: Sequence[Entry], e: Entry, name: str, *, however: bool = False) -> Ends:
    """Return up to which audit entry a check puts later results in doubt, for each pair; `however` as in `reach`.

    The next pass of a pair ends the doubt for it, and says nothing about another pair.
    """
    pairs = later_pairs(e) | ({_pair(e)} if however else set())
    later = [o for o in _ending(found, e, name) if o.seq > e.seq]
    return {pair: next((o.seq for o in later if _pair(o) == pair), LATEST) for pair in pairs}


def last_pass(found: Sequence[Entry], failed: Entry, name: str) -> Entry | None:
    """Return the last pass, of the same kind and pair, before a failed verification or control; `name` as `reach`."""
    pair = _pair(failed)
    earlier = [e for e in _ending(found, failed, name) if e.seq < failed.seq and _pair(e) == pair]
    return earlier[-1] if earlier else None


def _ending(found: Sequence[Entry], e: Entry, name: str) -> list[Entry]:
    """Return the passes that may end the reach of an entry among results under a name, oldest first."""
    names = (e.instrument, name)
    return [o for o in found if o.passed and o.is_control == e.is_control and o.instrument in names]


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
    try:
        data = values_of(newest)
        geometry = data.get("geometry") or {}
        own = Pair(data["origin"].get("serial") or "", geometry.get("name") or "", geometry.get("serial") or "")
    except DamagedResultError:  # nothing shows with what it was measured
        return True
    # As a failure, which counts also where a serial number is known on one side only.
    return own.counts(replace(check.verified, passed=False))


def in_doubt(reader: Reader, found: Sequence[Entry]) -> InDoubt | None:
    """Return the newest failed one of some verifications, with every result that it puts in doubt; None without one."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    # The passes of other names are not among those that verify the instrument.
    return None if failed is None else doubt_by(reader, checks(reader, failed.instrument), failed)


def doubt_by(reader: Reader, found: Sequence[Entry], failed: Entry, *, however: bool = False) -> InDoubt:
    """Return a verification or control with every result of the instrument that it puts in doubt if it failed.

    With `however` these are all results that it could put in doubt, however it is judged.  `found` are all
    verifications and controls of the instrument, oldest first.
    """
    results: list[tuple[str, str]] = []
    for name in names_of_instrument(reader, failed.instrument):
        own = _doubted_under(reader, name, found, failed, however=however)
        results += [each for each in own if _may_be_of_instrument(reader, failed, each[1], name)]
    return InDoubt(failed, last_pass(found, failed, failed.instrument), tuple(results))


def _doubted_under(
    reader: Reader, name: str, found: Sequence[Entry], failed: Entry, *, however: bool
) -> list[tuple[str, str]]:
    after, until = reach(found, failed, name, however=however)
    before = _results_between(reader, name, after, failed.seq)
    later = _results_between(reader, name, failed.seq, until) if until != failed.seq else []
    results = [(r, run) for r, run in before if _concerns(reader, failed, run, None, however=however)]
    if later:
        ends = ends_of(found, failed, name, however=however)
        within = {p: set(_results_between(reader, name, failed.seq, _before(end))) for p, end in ends.items()}
        for each in later:
            pairs = {p for p, inside in within.items() if each in inside}
            if _concerns(reader, failed, each[1], pairs, however=however):
                results.append(each)
    return results


def _before(end: int) -> int | None:
    return None if end == LATEST else end


def results_since(
    reader: Reader, instrument: str, passes: Sequence[Entry], serial: str | None
) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument since its last pass, without its checks.

    Those that it measured under another name are among them, after those under this one, by its serial number: since
    the last pass under one of both names.

    Args:
        reader: the database.
        instrument: name of the instrument.
        passes: passes of its pair, oldest first, under all names.
        serial: its serial number; None or "": not known.
    """
    found: list[tuple[str, str]] = []
    for name in names_of_instrument(reader, instrument):
        last = max((e.seq for e in passes if e.instrument in (instrument, name)), default=0)
        own = _results_between(reader, name, last)
        found += own if name == instrument else [each for each in own if _may_have(reader, each[1], serial or "")]
    return found


def _results_between(reader: Reader, name: str, after: int, before: int | None = None) -> list[tuple[str, str]]:
    """Return results (with their runs) under one name, committed between two audit entries, without its checks."""
    own = all_checked(reader, name)
    return [(r, run) for r, run in reader.results_since(name, after, before) if run not in own]
