"""The one place that decides which runs are repeats: day sheet, review of a month and lists to sign ask here.

A run is a repeat where it is not the next replicate that the rule of its product's test asks for, or where a person
opened it as a repeat with a reason.  The rule is that of the version by which the sample is judged.  So a run is one
where an earlier run of its test does not count, or where it does not count itself.  The first run of a test, a run
without a result, and a verification are none; a run that a correction gave to another sample is looked at there only.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision
from daq.app.records.attempts import MOVED
from daq.laboratory.kinds import REPORTABLE, reportable_id

_LEFT_OUT: Final = frozenset({"without_result", "is_verification", MOVED})
"""Codes of the reasons why a run does not count that make neither it nor a later run a repeat."""
_CANDIDATES: Final = (
    # The row of a run has its number, so nearly all first runs are left out without a look at their sample.
    # Runs of earlier versions have the number 1, whatever came before: one with an earlier run of that number is looked
    # at, unless it is a check, whose fluid is measured again and again.
    "SELECT r.id, r.instrument, r.method_id, r.replicate + (r.replicate = 1 AND r.sample <> '' AND EXISTS (SELECT 1 "
    "FROM runs AS e WHERE e.sample = r.sample AND e.method_id = r.method_id AND e.replicate = 1 AND e.rowid < r.rowid) "
    "AND NOT EXISTS (SELECT 1 FROM audit AS n CROSS JOIN audit AS v ON v.seq = n.seq - 1 AND v.what = 'verification' "
    "WHERE n.subject = r.id AND n.what = 'run_concluded')) AS number, "
    "coalesce(json_extract(d.data, '$.sample'), r.sample) AS sample, "
    "coalesce(json_extract(d.data, '$.operator'), r.operator) AS operator, "
    "EXISTS (SELECT 1 FROM records AS c WHERE c.kind = 'checklist' AND c.id = r.id AND c.revision = 1 AND CASE WHEN "
    "json_valid(c.data) THEN json_extract(c.data, '$.repeat_of') <> '' AND json_extract(c.data, '$.reason') <> '' END) "
    "AS opened FROM runs AS r LEFT JOIN records AS d ON d.kind = 'declaration' AND d.id = r.id AND d.revision = "
    "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = r.id) "
    "WHERE {} AND (number > 1 OR d.id IS NOT NULL OR opened OR EXISTS "
    "(SELECT 1 FROM record_keys WHERE kind = 'declaration' AND name = 'sample' AND value = r.sample))"
)
_COUNTS: Final = (
    # The reportable result of the run has no attempt that does not count, and no run that is declared to be of the
    # sample was corrected, so it is made of the present results.  A quotation mark within a stored text has a backslash
    # before it.
    "d.id IS NULL AND NOT opened AND EXISTS (SELECT 1 FROM record_keys AS k CROSS JOIN records AS p ON p.kind = k.kind "
    "AND p.id = k.id AND p.revision = (SELECT max(revision) FROM records WHERE kind = k.kind AND id = k.id) "
    "WHERE k.kind = 'reportable' AND k.name = 'run' AND k.value = r.id AND k.id = r.sample || '/' || r.method_id "
    "AND instr(p.data, '\"counted\": true') AND NOT instr(p.data, '\"counted\": false')) "
    "AND NOT EXISTS (SELECT 1 FROM record_keys WHERE kind = 'declaration' AND name = 'sample' AND value = r.sample)"
)
"""Condition of a run that is no repeat, of nearly all in a span of time: it spares the judgement of their samples."""
_OF_SPAN: Final = _CANDIDATES.format("{}r.began_utc_ns BETWEEN ? AND ?") + f" AND NOT ({_COUNTS})"
_OF_RUN: Final = _CANDIDATES.format("r.id = ?")
RESULTS_OF_TEST: Final = (
    "SELECT r.id, (SELECT id FROM results WHERE run = r.id ORDER BY audit_seq DESC LIMIT 1) FROM runs AS r "
    "WHERE r.sample = ?1 AND r.method_id = ?2 AND NOT EXISTS "
    "(SELECT 1 FROM records WHERE kind = 'declaration' AND id = r.id) UNION ALL "
    "SELECT r.id, (SELECT id FROM results WHERE run = r.id ORDER BY audit_seq DESC LIMIT 1) FROM record_keys AS k "
    "CROSS JOIN runs AS r ON r.id = k.id WHERE k.kind = 'declaration' AND k.name = 'sample' AND k.value = ?1 "
    "AND r.method_id = ?2"
)
"""The runs that are declared to be of a sample, by a method, each with the id of its newest result."""


@dataclass(frozen=True, slots=True)
class RepeatedRun:
    """A run that is a repeat; its operator is the one who is declared now."""

    run: str
    instrument: str
    operator: str


@dataclass(frozen=True, slots=True)
class _Candidate:
    run: str
    instrument: str
    test: str
    number: int
    sample: str
    operator: str
    opened: bool


@dataclass(frozen=True, slots=True)
class _Attempt:
    run: str
    counted: bool
    codes: frozenset[str]


def is_repeat(reader: Reader, run: str) -> bool:
    """Return whether a run is a repeat."""
    found = [_Candidate(*row) for row in reader.rows(_OF_RUN, [run])]
    return any(True for _ in _repeated(reader, found, stored=False))


def repeated_between(reader: Reader, begin_utc_ns: int, end_utc_ns: int, instrument: str = "") -> list[RepeatedRun]:
    """Return the repeats among the runs that started in a span of time (both ends included), or on an instrument."""
    sql = _OF_SPAN.format("r.instrument = ? AND " if instrument else "")
    rows = reader.rows(sql, [*([instrument] if instrument else []), begin_utc_ns, end_utc_ns])
    return list(_repeated(reader, [_Candidate(*row) for row in rows], stored=True))


def _repeated(reader: Reader, candidates: Sequence[_Candidate], *, stored: bool) -> Iterator[RepeatedRun]:
    beyond: dict[tuple[str, str], frozenset[str] | None] = {}
    for c in candidates:
        test = (c.sample, c.test)
        if test not in beyond:
            attempts = _stored_attempts(reader, *test) if stored else None
            beyond[test] = _beyond(_attempts(reader, *test) if attempts is None else attempts)
        runs = beyond[test]
        if c.opened or (c.number > 1 if runs is None else c.run in runs):
            yield RepeatedRun(c.run, c.instrument, c.operator)


def _beyond(attempts: Iterable[_Attempt] | None) -> frozenset[str] | None:
    """Return the runs of a test, oldest first, that the rule did not ask for; None where nothing shows that.  Pure."""
    if attempts is None:
        return None
    out: set[str] = set()
    asked, first = True, True
    for a in attempts:
        if not _LEFT_OUT.isdisjoint(a.codes):
            continue
        asked = asked and a.counted
        if not asked and not first:
            out.add(a.run)
        first = False
    return frozenset(out)


def _attempts(reader: Reader, sample: str, test: str) -> list[_Attempt] | None:
    """Return the runs of a test, judged as they are now; None where a result lacks a part."""
    from daq.app.records.judged.judging import judged_sample  # most days and months need no judgement of a sample

    try:
        found = judged_sample(reader, sample, test).attempts
    except (KeyError, TypeError, ValueError):
        return None
    own = (a for a in found if a.method.partition(" ")[0] == test)
    return [_Attempt(a.run, a.counted, frozenset(w.code for w in a.why)) for a in own]


def _stored_attempts(reader: Reader, sample: str, test: str) -> list[_Attempt] | None:
    """Return the runs of a test as the stored reportable result has them; None where it is not made of their results.

    It spares the judgement of each sample of a month.
    """
    kept = newest_revision(reader, REPORTABLE, reportable_id(sample, test))
    if kept is None:
        return None
    try:
        given: list[dict[str, Any]] = kept.data["data"]["attempts"]
        found = [_Attempt(a["run"], a["counted"], frozenset(w["code"] for w in a["why"])) for a in given]
        made_of = {a["run"]: a["result"] for a in given if a["result"] is not None}
    except (KeyError, TypeError):
        return None
    now = {run: result for run, result in reader.rows(RESULTS_OF_TEST, [sample, test]) if result is not None}
    return found if made_of == now else None
