"""Compute a run again from its journal, and compare it with everything that is stored of it.

A daq that looks for more than the one that recorded the run doubts more.  The record is compared with what is computed
without these doubts, so that it is the same unless something of it was changed; the doubts are a finding of their own.
"""

import dataclasses
import json
import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from typing import Any, Final

from pydantic import ValidationError

import daq
from daq.adapters.store.agreement.one_run import disagreements_of_payloads
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord, json_or_none
from daq.app.records.history import plan_of, raw_journal
from daq.app.setup.details import details_of
from daq.app.setup.drivers import Drivers
from daq.core.driver import Driver
from daq.core.effects import Facts, Kept, recorded
from daq.core.faults import ANNULLED, CHECKS, RULES_CHANGED, codes_after
from daq.core.header import FORMAT, Header
from daq.core.linkstates import Motor
from daq.core.plan import Plan
from daq.core.remarks import Remark
from daq.core.replay import MakeDriver, Replay, as_recorded, codes_in, flip_bit, replay
from daq.core.respanning import kept_with
from daq.core.run import State
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.messages.comparing import differences, in_words_of
from daq.methods.messages.doubting import still_doubted
from daq.methods.messages.result import ResultData
from daq.methods.parts.statement import Statement, state
from daq.process.processor import processor

ROUNDING_TOLERANCE: Final = 1e-9
"""Largest relative difference from a result of another version of daq, Python or numpy, or of another kind of
processor: each rounds exponentials, logarithms and sums of matrices in its own way."""
RECORD_KEYS: Final = frozenset({"origin", "sample", "simulated", "supersedes"})
"""Keys of a result that come from the record of the run and not from its journal."""
Place = tuple[int | str, ...]
"""Keys and indices from the top of a JSON value to one in it."""
MOTORS: Final = frozenset(motor.value for motor in Motor)


@dataclass(slots=True)
class Recomputed:
    """A run computed again, and its differences from what is stored."""

    replay: Replay
    broken_chain: str = ""
    """Why the chain of stored blocks is broken; "" if it is whole."""
    flipped: int | None = None
    """Number of the bit that was flipped on purpose."""
    changed: Replay | None = None
    """With a flipped bit: the run computed without checks of the journal, which shows the effect of the damage."""
    result: dict[str, Any] | None = None
    """`ResultData` computed again; None if the journal does not give one."""
    kept: list[dict[str, Any]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    """Parts that are no longer in the database."""
    changed_since: list[str] = field(default_factory=list)
    """Results whose text is not the one that was stored, by its digest in the audit trail."""
    differences: list[tuple[str, Any, Any]] = field(default_factory=list)
    """(where, stored, computed again) of kept values and result."""
    versions: list[tuple[str, str, str]] = field(default_factory=list)
    """(what, recorded, now) of versions, and of the kind of processor, that are not the recorded ones."""
    newer: frozenset[str] = frozenset()
    """Codes of doubts that the daq which recorded the run may not have looked for."""
    doubts: list[Statement] = field(default_factory=list)
    """Doubts of this daq about the run that the one which recorded it did not look for."""

    @property
    def same(self) -> bool:
        """True if the computation gives everything that is stored again, whatever this daq doubts besides."""
        damaged = self.broken_chain or self.changed_since or self.missing
        return self.replay.same and not (damaged or self.differences)


def maker(drivers: Drivers) -> MakeDriver:
    """Return a function that makes drivers as a journal's header describes them."""

    def make(kind: str, options: Mapping[str, Any], state: Mapping[str, Any]) -> Driver:
        made = drivers.make(kind, options)
        made.restore(state)
        return made

    return make


def recompute(reader: Reader, run: RunRecord, drivers: Drivers, *, flip: int | None = None) -> Recomputed:
    """Compute a run again; with `flip`, from a copy of its journal in which that bit is flipped.

    Raises:
        SettingError: a driver of the run is not installed, or the journal has no such bit.
    """
    raw, broken = raw_journal(reader, run.id)
    make = maker(drivers)
    if flip is not None:
        raw = flip_bit(raw, flip)
        return Recomputed(replay(raw, make), broken, flip, replay(raw, make, check=False))
    out = Recomputed(replay(raw, make), broken)
    header = out.replay.header
    if header is None:
        return out
    libraries = {"python": platform.python_version(), "numpy": version("numpy"), "processor": processor()}
    now = {"daq": daq.__version__} | libraries
    before = {"daq": header.software} | {name: header.libraries.get(name, "") for name in libraries}
    out.versions = [(name, before[name], now[name]) for name in now if before[name] != now[name]]
    if header.checks not in (0, CHECKS):
        out.versions.append(("checks of number", str(header.checks), str(CHECKS)))
    out.newer = codes_after(max(0, header.checks))
    out.kept = _json(_as_stored(out, out.replay.kept, reader.kept_as_measured(run.id)))
    results = reader.results(run.id)
    out.changed_since = [d.text for d in disagreements_of_payloads(reader.path, (r.id for r in results))]
    stored = json_object(results[0].data) if results else None
    facts = facts_of(out.replay, run, stored)
    differing: list[tuple[str, Any, Any]] | None = None
    if facts is not None:
        now_found = conclude(header.plan, facts)
        if out.newer and stored is not None:
            then = dataclasses.replace(facts, kept=_as_stored(out, facts.kept, stored.get("steps", ())))
            found, out.result, differing = _as_made(out, header, run, then, results[0].data, stored)
            out.doubts = _doubts(found, now_found, facts.kept)
        else:
            out.result = _result(header.plan, now_found, run)
    _compare(out, reader, run, differing)
    if facts is not None and stored is not None:
        _compare_declared(out, reader, run, facts, raw, make)
    return out


def _json(kept: Sequence[Kept]) -> list[dict[str, Any]]:
    return [json.loads(json.dumps(recorded(k), sort_keys=True)) for k in kept]


def _as_stored(out: Recomputed, kept: Sequence[Kept], rows: Any) -> list[Kept]:
    """Return `kept` with the faults that the journal has, or with those that a newer daq gave the stored `rows`.

    A newer daq made them in a correction, or after a kill: the journal is stored before rows and result.  A damaged row
    counts as one without faults, so that the comparison names it.
    """
    stored = list(rows[: len(kept)]) if isinstance(rows, Sequence) else []
    stored += [None] * (len(kept) - len(stored))
    found = []
    for now, of_journal, row in zip(kept, out.replay.as_recorded, stored, strict=False):
        then = as_recorded(now, of_journal.faults, of_journal.temperature_faults, out.newer)
        faults = _as_row(now.faults, then.faults, codes_in(row, "faults"))
        of_row = codes_in(row, "temperature_faults")
        of_temperature = _as_row(now.temperature_faults, then.temperature_faults, of_row)
        found.append(dataclasses.replace(now, faults=faults, temperature_faults=of_temperature))
    return found


def _as_row(now: tuple[str, ...], then: tuple[str, ...], row: tuple[str, ...] | None) -> tuple[str, ...]:
    """Return the faults of the journal (`then`), or those that a newer daq gave the stored row, more or fewer."""
    if row is None or row == then:
        return then
    # A daq between that of the journal and this one looked for some of the newer faults.
    return tuple(f for f in now if f in then or f in row)


def _as_concluded(plan: Plan, facts: Facts, stored: Mapping[str, Any], newer: frozenset[str]) -> Conclusion:
    """Return the conclusion from `facts` without doubts of `newer` checks that neither `stored` nor a value names."""
    named = frozenset(_codes(stored)).union(*(k.faults for k in facts.kept))
    return conclude(plan, dataclasses.replace(facts, not_checked=tuple(sorted(newer - named))))


def _by_rules(header: Header, facts: Facts) -> Iterator[Facts]:
    """Yield facts to be concluded by the rules of each daq that may have made a result, that of the header first.

    A newer one made each correction, and the result of a run that it recovered after a kill, by its own rules.  No
    state shows that: the kill may come after the whole journal was stored, and before the result was.
    """
    for number in (header.checks, *(n for n in RULES_CHANGED if n > header.checks)):
        yield dataclasses.replace(facts, checks=number)


def _as_made(
    out: Recomputed, header: Header, run: RunRecord, facts: Facts, text: str, stored: Mapping[str, Any]
) -> tuple[Conclusion, dict[str, Any], list[tuple[str, Any, Any]]]:
    """Return conclusion and result by the rules that give the first result, and its differences from that result.

    It is stored as `text`, decoded `stored`.  Where no rules give it, they are those of the run's own daq.
    """
    first = None
    for each in _by_rules(header, facts):
        found = _as_concluded(header.plan, each, stored, out.newer)
        result = _result(header.plan, found, run)
        made = found, result, _differences_of_first(out, text, result)
        if not made[2]:
            return made
        first = first or made
    assert first is not None  # noqa: S101 - there are always the rules of the header
    return first


def _result(plan: Plan, found: Conclusion, run: RunRecord) -> dict[str, Any]:
    return ResultData.build(plan, found, details_of(run)).model_dump(mode="json")


def _codes(data: Any) -> Iterator[str]:
    """Yield the codes of all faults and statements in a JSON value."""
    if isinstance(data, Mapping):
        if isinstance(data.get("code"), str):
            yield data["code"]
        for name, value in data.items():
            if name == "faults" and isinstance(value, list):
                yield from (fault for fault in value if isinstance(fault, str))
            else:
                yield from _codes(value)
    elif isinstance(data, list):
        for value in data:
            yield from _codes(value)


def _doubts(then: Conclusion, now: Conclusion, kept: Sequence[Kept]) -> list[Statement]:
    """Return the statements of `now` with codes that `then` does not have, and of faults of other `kept` values."""
    named = set(_codes(then.model_dump(mode="json")))
    checked = () if now.verification is None else now.verification.reasons
    found = {s.code: s for s in (*now.reasons, *checked, *now.cautions) if s.code not in named}
    faults = dict.fromkeys(f for k in kept for f in k.faults if f not in named)
    return [*found.values(), *(state(f) for f in faults if f not in found)]


def json_object(text: str) -> dict[str, Any] | None:
    """Return the JSON object of a text; None for a damaged text, and for another JSON value."""
    found = json_or_none(text)
    return found if isinstance(found, dict) else None


def facts_of(done: Replay, run: RunRecord, stored: dict[str, Any] | None) -> Facts | None:
    """Return the facts from which the first result (`stored`) of a run is concluded; None where it has none yet.

    A damaged part of `stored` counts as one that is not there, so that the comparison names it.
    """
    facts: Facts = done.facts
    if not facts.outcome:
        # The daemon was killed during the run; the recovery at the next start set the outcome.
        if not run.outcome:
            return None
        facts = dataclasses.replace(facts, outcome=run.outcome, reason=_stored_reason(stored))
    motor = str((stored or {}).get("motor"))
    if motor in MOTORS and done.state not in (State.CONCLUDED, State.ENDED):
        # The recovery decided on the motor, because the journal ends before its state was known.
        facts = dataclasses.replace(facts, motor=Motor(motor))
    return facts


def _stored_reason(stored: dict[str, Any] | None) -> Remark | None:
    """Return why a run ended that the journal does not show: the last reason of its result."""
    try:
        last = Statement.model_validate((stored or {})["reasons"][-1])
    except (ValidationError, LookupError, TypeError):
        return None
    return Remark(last.code, last.parameters)


def _compare(
    out: Recomputed, reader: Reader, run: RunRecord, differing: list[tuple[str, Any, Any]] | None = None
) -> None:
    """Add what is missing, and all differences; `differing` are those of the first result where they are known."""
    kept = reader.kept_as_measured(run.id)
    results = reader.results(run.id)
    ended = run.state != "running"
    if ended and not results:
        out.missing.append("the result")
    if ended and out.kept and not kept:
        out.missing.append(f"the {len(out.kept)} kept values")
    if kept:
        out.differences += differences("kept", kept, out.kept, 0.0)
    if results and out.result is not None:
        out.differences += _differences_of_first(out, results[0].data, out.result) if differing is None else differing


def _differences_of_first(out: Recomputed, text: str, computed: dict[str, Any]) -> list[tuple[str, Any, Any]]:
    """Return the differences of the first result, stored as `text`, from the one that is computed again."""
    stored = json_object(text)
    if stored is None:
        return [("result", text, computed)]
    a, b = ({k: v for k, v in d.items() if k not in RECORD_KEYS} for d in (stored, computed))
    # A result that an older daq stored lacks the fields that were added since.
    header = out.replay.header
    if header is not None and (out.versions or header.format < FORMAT or header.checks != CHECKS):
        # Fields that are added to a format may be left out.  An older format had other ones.
        b = _without_added(b, a, frozenset() if header.format < FORMAT else _lacking(text))
    return _differences_of_result(out, "result", a, b)


def _lacking(text: str) -> frozenset[Place]:
    """Return the places of the keys that every result has, and the stored one does not."""
    try:
        ResultData.model_validate_json(text)
    except ValidationError as error:
        return frozenset(found["loc"] for found in error.errors() if found["type"] == "missing")
    return frozenset()


def _without_added(computed: Any, stored: Any, lacking: frozenset[Place] = frozenset(), at: Place = ()) -> Any:
    """Return a computed JSON value without the keys that the stored one does not have, unless they are `lacking`."""
    if isinstance(computed, dict) and isinstance(stored, dict):
        return {
            k: _without_added(v, stored.get(k), lacking, (*at, k))
            for k, v in computed.items()
            if k in stored or (*at, k) in lacking
        }
    if isinstance(computed, list) and isinstance(stored, list) and len(computed) == len(stored):
        pairs = enumerate(zip(computed, stored, strict=True))
        return [_without_added(c, s, lacking, (*at, i)) for i, (c, s) in pairs]
    return computed


def _compare_declared(
    out: Recomputed, reader: Reader, run: RunRecord, facts: Facts, raw: bytes, make: MakeDriver
) -> None:
    """Compare the newest correction of a run, computed again under its declaration.

    `facts` are those of the first result.  An annulled run has no values to compare.
    """
    newest, record, header = reader.newest_result(run.id), reader.run(run.id), out.replay.header
    plan = None if record is None else plan_of(record)
    if newest is None or newest.supersedes is None or record is None or plan is None or header is None:
        return
    data = json_object(newest.data)
    try:
        result = ResultData.model_validate_json(newest.data)
    except ValidationError as error:
        # Without a whole correction there is nothing to compute it from.
        out.differences += _damages(error, newest.data)
        return
    if data is None or ANNULLED in result.faults:
        return
    if plan.derivations != header.plan.derivations:
        kept = kept_with(raw, make, plan.derivations)
        stored = reader.kept(run.id)
        again = _json(_as_stored(out, kept, stored))
        out.differences += differences("corrected kept", stored, again, 0.0)
        facts = dataclasses.replace(facts, kept=kept)
    then = _as_stored(out, facts.kept, data.get("steps", ()))
    # A correction does not hold the faults of its temperatures: they are those of the run's daq, or of a newer one.
    now = [
        dataclasses.replace(k, temperature_faults=n.temperature_faults) for k, n in zip(then, facts.kept, strict=False)
    ]
    both = (dataclasses.replace(facts, kept=k) for k in (then, now))
    found: list[tuple[str, Any, Any]] = []
    for each in (f for k in both for f in _by_rules(header, k)):
        differing = _of_correction(out, plan, each, result, data, record)
        if not differing:
            return
        found = found or differing
    out.differences += found


def _damages(error: ValidationError, text: str) -> Iterator[tuple[str, Any, Any]]:
    """Yield what is wrong in the text of a correction."""
    for found in error.errors():
        where = "".join(f"[{x}]" if isinstance(x, int) else f".{x}" for x in found["loc"])
        stored = None if found["type"] == "missing" else found["input"] if found["loc"] else text
        yield f"corrected result{where}", stored, found["msg"]


def _of_correction(
    out: Recomputed, plan: Plan, facts: Facts, result: ResultData, data: dict[str, Any], record: RunRecord
) -> list[tuple[str, Any, Any]]:
    """Return the differences of a correction (`result`, as JSON `data`) from the one concluded from `facts`."""
    conclusion = still_doubted(result, _as_concluded(plan, facts, data, out.newer))
    found = ResultData.build(plan, conclusion, details_of(record)).model_dump(mode="json")
    a, b = ({k: v for k, v in d.items() if k not in RECORD_KEYS | {"warnings"}} for d in (data, found))
    return _differences_of_result(out, "corrected result", a, b)


def _differences_of_result(
    out: Recomputed, where: str, stored: dict[str, Any], computed: dict[str, Any]
) -> list[tuple[str, Any, Any]]:
    again = in_words_of(stored, computed)
    return list(differences(where, stored, again, ROUNDING_TOLERANCE if out.versions or out.newer else 0.0))
