"""A run that an older daq recorded is compared with what that daq could know; what this one doubts besides is named."""

import contextlib
import json
import random
import sqlite3
from dataclasses import replace
from functools import partial

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.cli import main
from daq.app.records import replaying
from daq.app.setup import orders
from daq.app.setup.drivers import Drivers
from daq.core import replay, spans
from daq.core.faults import CHECKED_SINCE, CHECKS, DECIMAL_LIMITS, DECIMAL_MEANS, FAULTS, codes_after
from daq.core.header import Header, read_header
from daq.core.plan import Rule
from daq.core.run import State
from daq.methods.concluding import judging
from daq.methods.parts.statement import state
from daq.methods.sentences.catalogue import SENTENCES
from daq.methods.sentences.rendering import EARLIER
from tests.support.runs import virtual_bench
from tests.support.runs.lying import Lying
from tests.support.runs.scripts import plan_of, step

FIRST = frozenset((
    "saturated", "not_a_number", "probe", "blocked", "beyond_range", "over_range", "under_range", "sensor",
    "unsteady", "calibration_overdue", "instrument_error", "undefined", "unasked", "silent", "link_down",
    "no_readings", "below_band", "against_rotation", "above_band", "cut_short", "readings_missing", "no_interval",
    "keys_used", "off_speed", "off_temperature", "no_temperature", "probe_suspect", "off_limit_temperature",
    "limit_temperature_unknown", "not_steady", "verification_failed", "verification_overdue", "control_missing",
    "control_failed", "control_not_judged", "control_expired", "calibration_past_due", "peak_not_passed",
    "peak_before_first", "already_met", "vortices", "another_instrument", "identity_unknown", "interrupted",
    "torque_limit", "incomplete", "threshold_not_met", "verification_failed_later", "verification_withdrawn_later",
    "control_failed_later", "control_withdrawn_later", "calibration_outside_later", "annulled",
))  # fmt: skip
"""Faults of number 1.  A fault that is added is none of them: it gets a number in `CHECKED_SINCE`."""

PLAN = plan_of(step(Rule("above", "a", "torque")))


def test_every_fault_has_the_number_of_the_checks_that_added_it():
    later = [code for codes in CHECKED_SINCE.values() for code in codes]
    assert FIRST | (set(later) & FAULTS.keys()) == FAULTS.keys()
    assert set(later) <= SENTENCES.keys()
    assert sorted(CHECKED_SINCE) == list(range(2, CHECKS + 1))
    # A release closes its numbers: what is added later gets the next one.
    assert {number: len(codes) for number, codes in CHECKED_SINCE.items()} == {2: 13, 3: 3, 4: 1, 5: 7, 6: 12}
    assert codes_after(CHECKS) == frozenset()
    assert codes_after(1) == codes_after(0) == set(later)


def test_a_header_without_a_number_was_written_before_the_number():
    assert read_header(Header(run="r", plan=PLAN, drivers={}, checks=CHECKS).text).checks == CHECKS
    text = json.loads(Header(run="r", plan=PLAN, drivers={}).text)
    del text["checks"]
    assert read_header(json.dumps(text)).checks == 0
    assert orders._header("r", PLAN, {}).checks == CHECKS


# ---- runs of an older daq


def frozen(after):
    held = []

    def lie(_t, torque, speed, turned):
        if turned < after:
            return torque, speed
        held.append(torque)
        return held[0], speed

    return lie


def zero(off):
    return lambda _t, torque, speed, _turned: (torque + off, speed)


LIES = {
    "torque_frozen": (lambda: frozen(20.0), {"sample": "G-1041"}),
    "zero_off": (lambda: zero(-15.0), {"sample": "G-1041"}),
    "torque_at_rest_unexplained": (lambda: zero(12.0), {"sample": "G-1041"}),
    "verification_doubtful": (
        lambda: None,
        {"sample": "", "fluid": "reference-b", "certified": "reference-b"},
    ),
}
"""By the code that this daq states: the lie of the instrument, and the run.  In a verification its keys are used."""


def zero_left_out(specification, before, _drift):
    """Return the statements of number 1, where the torque's error contains that of the zero."""
    found = [state("contained_in_torque", component="zero_and_its_drift")]
    if before is not None and abs(before) > specification.torque_percent_full_scale:
        limit = specification.torque_percent_full_scale
        found.append(state("zero_beyond_torque_error", zero=before, limit=limit))
    return found


def in_earlier_words(code):
    return replace(SENTENCES[code], template=EARLIER.templates[code])


@contextlib.contextmanager
def older_daq(monkeypatch, checks):
    """Measure as a daq without the checks of number 2, which wrote `checks` into its headers."""
    with monkeypatch.context() as m:
        for name in ("is_frozen", "is_clipped", "is_disturbed"):
            m.setattr(f"daq.core.spans.{name}", lambda *_a, **_k: False)
        m.setattr("daq.methods.concluding.conclude.torque_faults", lambda *_: [])
        m.setattr("daq.methods.concluding.cautions.rest_caution", lambda *_: None)
        m.setattr("daq.methods.concluding.verifying.OF_WHOLE_RUN", ())
        m.setattr("daq.rheology.viscosity_budget.is_beyond_torque_error", lambda *_: False)
        m.setattr("daq.methods.concluding.budget._zero_left_out", zero_left_out)
        m.setitem(SENTENCES, "zero_beyond_torque_error", in_earlier_words("zero_beyond_torque_error"))
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=checks))
        yield


def measured(tmp_path, monkeypatch, code=None, checks=None):
    """Return the state directory of one run on an instrument with the lie of `code`; `checks`: by an older daq."""
    lie, about = (lambda: None, {"sample": "G-1041"}) if code is None else LIES[code]
    bench = virtual_bench.StoredBench(tmp_path / "state")
    of = lie()

    class Instrument(Lying):
        def __init__(self, geometry, fluid, seed):
            super().__init__(geometry=geometry, fluid=fluid, seed=seed)
            self.lie, self.keys = of, 2 if code == "verification_doubtful" else 0

        def advance(self, dt_s):
            if self.keys and self.turned_for > 20.0:
                self.keys -= 1
                self.press_key()
            return super().advance(dt_s)

    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "RotationalInstrument", Instrument)
        with contextlib.nullcontext() if checks is None else older_daq(monkeypatch, checks):
            bench.measure(**about)
    return bench.state


def again(state):
    with Reader(database_path(state)) as reader:
        (run,) = reader.runs()
        return replaying.recompute(reader, run, Drivers.find())


@pytest.mark.parametrize(("code", "checks"), [*((code, 1) for code in LIES), ("zero_off", 0)])
def test_a_run_of_an_older_daq_is_the_same_and_its_new_doubts_are_named(tmp_path, monkeypatch, capsys, code, checks):
    state = measured(tmp_path, monkeypatch, code, checks)
    done = again(state)
    assert (done.differences, done.replay.difference, done.same) == ([], None, True)
    assert code in [s.code for s in done.doubts]
    (run,) = [done.replay.header.run]
    assert main(["--state", str(state), "replay", run]) == 11
    printed = capsys.readouterr().out
    assert "this version of daq also doubts: " in printed
    assert "differs" not in printed
    assert main(["--state", str(state), "verify"]) == 0


@pytest.mark.parametrize("code", [None, *LIES])
def test_a_run_of_this_daq_has_no_new_doubts(tmp_path, monkeypatch, code):
    done = again(measured(tmp_path, monkeypatch, code))
    assert (done.replay.header.checks, done.same, done.doubts) == (CHECKS, True, [])
    assert code is None or code in set(replaying._codes(done.result))


@pytest.mark.parametrize("checks", [0, 1])
def test_an_honest_run_of_an_older_daq_is_the_same_and_not_doubted(tmp_path, monkeypatch, checks):
    done = again(measured(tmp_path, monkeypatch, None, checks))
    assert (done.same, done.doubts) == (True, [])


@pytest.mark.parametrize("code", LIES)
def test_a_run_of_yesterday_that_had_the_doubts_without_a_number_is_the_same(tmp_path, monkeypatch, code):
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=0))
        state = measured(tmp_path, monkeypatch, code)
    done = again(state)
    assert (done.replay.header.checks, done.same, done.doubts) == (0, True, [])


# ---- rules that changed: an older daq doubted more, or less


def doubting(m, kind):
    """Doubt each value of the steps by the rule of the temperature's age, or by that of missing readings."""
    if kind == "readings_missing":
        honest = spans._reading_faults
        m.setattr(spans, "_reading_faults", lambda *a: ["readings_missing", *honest(*a)])
    else:
        m.setattr(spans, "_probe_faults", lambda *_: (kind,))


RULES = [("silent", 2), ("no_temperature", 2), ("no_temperature", 3), ("readings_missing", 1)]


@pytest.mark.parametrize(("kind", "checks"), RULES)
@pytest.mark.parametrize("more", [True, False])
def test_a_run_under_an_older_rule_is_the_same_and_can_be_corrected(tmp_path, monkeypatch, kind, checks, more):
    """`more`: the older daq doubts its values, and this one does not; otherwise the reverse."""
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=checks))
        if more:
            doubting(m, kind)
        state = measured(tmp_path, monkeypatch)
    if not more:
        doubting(monkeypatch, kind)
    done = again(state)
    doubted = any(kind in (*k["faults"], *k["temperature_faults"]) for k in done.kept)
    assert (done.differences, done.replay.difference, done.same, doubted) == ([], None, True, more)
    run = done.replay.header.run
    assert main(["--state", str(state), "correct", run, "--sample", "G-1O41", "--because", "as it was"]) == 0
    assert (again(state).differences, again(state).same) == ([], True)


@pytest.mark.parametrize("checks", [1, DECIMAL_LIMITS - 1, CHECKS])
def test_a_run_is_compared_with_its_limits_as_its_own_daq_compared_it(tmp_path, monkeypatch, checks):
    """In place of a number on an edge of a limit, the rule itself is another one: it shows in each limit of a result.

    A run that an older daq recorded is the same, and can be corrected; the correction has the limits of this daq.
    """
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=checks))
        m.setattr(judging, "as_written", lambda value: value)
        state = measured(tmp_path, monkeypatch)
    monkeypatch.setattr(judging, "as_written", lambda value: value / 4.0)
    done = again(state)
    assert [x["verdict"] for x in done.result["verdict"]["limits"]] == ["within"]
    is_older = checks < DECIMAL_LIMITS
    assert done.same == is_older
    assert (done.differences == []) == is_older
    assert all(where.startswith(("result.verdict.", "result.reported")) for where, _, _ in done.differences)
    if is_older:
        run = done.replay.header.run
        assert main(["--state", str(state), "correct", run, "--sample", "G-1O41", "--because", "as it was"]) == 0
        assert (again(state).differences, again(state).same) == ([], True)


def journal_of(monkeypatch, **parts):
    """Let each replay of a journal have other `parts`."""
    replay_of = replaying.replay

    def changed(raw, make, **how):
        found = replay_of(raw, make, **how)
        for name, part in parts.items():
            setattr(found, name, part(found) if callable(part) else part)
        return found

    monkeypatch.setattr(replaying, "replay", changed)


STATES = (State.MEASURING, State.CONCLUDED, State.ENDED)
"""States of the journal at a kill; in the last two it is whole, and the kill came before its result was stored."""


@pytest.mark.parametrize("checks", [1, DECIMAL_LIMITS])
@pytest.mark.parametrize("of_journal", STATES)
def test_a_run_that_was_killed_at_an_update_may_be_concluded_by_the_rules_of_the_newer_daq(
    tmp_path, monkeypatch, checks, of_journal
):
    """Its header is that of the older daq, and its result that of the newer one, which recovered it."""
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=checks))
        state = measured(tmp_path, monkeypatch)
    honest = judging._to_round

    def to_round(value, rules):
        return honest(value, rules) if rules >= DECIMAL_MEANS else 2.0 * value

    monkeypatch.setattr(judging, "_to_round", to_round)
    journal_of(monkeypatch, state=of_journal)
    done = again(state)
    assert (done.differences, done.same) == ([], True)
    run = done.replay.header.run
    assert main(["--state", str(state), "correct", run, "--sample", "G-1O41", "--because", "as it was"]) == 0
    assert (again(state).differences, again(state).same) == ([], True)


EDGES = [("off_speed", ()), ("below_band", ()), ("above_band", ()), ("below_band", ("against_rotation",))]
"""Pairs: the doubt of an older daq on an edge, and the doubts of this one there."""


@pytest.mark.parametrize(("then", "now"), EDGES)
@pytest.mark.parametrize("of_journal", STATES)
def test_a_run_that_was_killed_at_an_update_may_have_fewer_doubts_than_its_journal(
    tmp_path, monkeypatch, then, now, of_journal
):
    """The rows and the result are those of the newer daq, which recovered it."""
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=DECIMAL_MEANS - 1))
        m.setattr(spans, "_condition_faults", lambda *_: list(now))
        state = measured(tmp_path, monkeypatch)
    monkeypatch.setattr(spans, "_condition_faults", lambda *_: list(now))
    journal_of(
        monkeypatch,
        state=of_journal,
        as_recorded=lambda found: [replace(k, faults=(then,)) for k in found.kept],
    )
    done = again(state)
    assert (done.differences, done.same) == ([], True)
    assert all(tuple(k["faults"]) == now for k in done.kept)


@pytest.mark.parametrize("checks", [1, DECIMAL_LIMITS, DECIMAL_MEANS])
def test_a_result_is_computed_by_the_rules_of_a_newer_daq_only_where_those_of_its_own_differ(
    tmp_path, monkeypatch, checks
):
    with monkeypatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=checks))
        state = measured(tmp_path, monkeypatch)
    honest, built = replaying._result, []
    monkeypatch.setattr(replaying, "_result", lambda *a: built.append(a) or honest(*a))
    assert (again(state).same, len(built)) == (True, 1)


@pytest.mark.parametrize(("kind", "checks"), RULES)
def test_a_run_of_this_daq_is_not_the_same_under_another_rule(tmp_path, monkeypatch, kind, checks):
    del checks
    state = measured(tmp_path, monkeypatch)
    doubting(monkeypatch, kind)
    assert not again(state).same


@pytest.mark.parametrize(
    "order", [("a", "silent"), ("silent", "silent"), ("silent", "probe"), ("probe", "silent", "b")]
)
def test_recorded_faults_that_no_rule_explains_are_a_difference(order):
    newer = frozenset(CHECKED_SINCE[3] + CHECKED_SINCE[4])
    assert replay._of_record(("silent", "a"), order, newer) != order
    assert replay._of_record(("probe", "silent"), ("probe",), newer) == ("probe",)
    assert replay._of_record(("probe",), ("probe", "silent"), newer) == ("probe", "silent")
    assert replay._of_record(("off_temperature",), ("no_temperature",), newer) == ("no_temperature",)
    assert replay._of_record(("off_temperature",), (), newer) == ("off_temperature",)
    assert replay._of_record(("probe",), ("probe", "silent"), frozenset()) == ("probe",)


@pytest.mark.parametrize(
    "row", ["{}", '{"faults": null}', "null", "[]", "3", '{"faults": [1]}', '{"faults": {"a": 1}}']
)
def test_a_damaged_row_is_named(tmp_path, monkeypatch, capsys, row):
    state = measured(tmp_path, monkeypatch)
    with sqlite3.connect(database_path(state)) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("UPDATE kept SET value = ? WHERE idx = 0", (row,))
    done = again(state)
    assert done.differences
    assert all(where.startswith("kept[0]") for where, _, _ in done.differences)
    assert main(["--state", str(state), "replay", done.replay.header.run]) == 1
    assert "kept[0]" in capsys.readouterr().out


# ---- tampering


def leaves(data, path=()):
    if isinstance(data, dict):
        for key, value in data.items():
            yield from leaves(value, (*path, key))
    elif isinstance(data, list) and data:
        yield path  # the list itself: an item is taken away
        for i, value in enumerate(data):
            yield from leaves(value, (*path, i))
    else:
        yield path


def tampered(data, path):
    """Return a copy of `data` in which the value at `path` is another one."""
    data = json.loads(json.dumps(data))
    *above, last = path
    at = data
    for key in above:
        at = at[key]
    value = at[last]
    if isinstance(value, bool) or value is None:
        at[last] = not value
    elif isinstance(value, int | float):
        at[last] = value * 1.01 + 1
    elif isinstance(value, str):
        at[last] = value + "x"
    else:
        at[last] = value[:-1] if value else ["torque_frozen"]
    return data


OF_DOUBT = ("value", "quality", "status_code", "validity", "faults", "reasons", "reported", "warnings")
"""Fields that are tried in each sweep, besides the drawn ones."""


@pytest.mark.parametrize(
    ("code", "by_older"), [("torque_frozen", True), ("verification_doubtful", True), ("zero_off", False)]
)
def test_a_tampered_field_of_any_result_is_a_difference(tmp_path, monkeypatch, code, by_older):
    """A sweep over the fields of a stored result, which the record of the run does not hold besides."""
    state = measured(tmp_path, monkeypatch, code, 1 if by_older else None)
    with sqlite3.connect(database_path(state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        (text,) = db.execute("SELECT data FROM results").fetchone()
        data = json.loads(text)
        mine = {k: v for k, v in data.items() if k not in replaying.RECORD_KEYS}
        paths = sorted(leaves(mine), key=repr)
        rng = random.Random(f"tampered {code} {by_older}")
        tried = {*rng.sample(paths, 25), *(p for p in paths if p[0] in OF_DOUBT and len(p) == 1)}
        tried |= {p for p in paths if p[-1] == "faults"}
        once = replay_once(monkeypatch, state)
        unseen = []
        for path in sorted(tried, key=repr):
            db.execute("UPDATE results SET data = ?", (json.dumps(tampered(data, path)),))
            db.commit()
            if not again(state).differences:
                unseen.append(path)
    assert (unseen, len(once)) == ([], 1)


def replay_once(monkeypatch, state):
    """Replay the journal once for all comparisons; return the replays."""
    honest, found = replaying.replay, []

    def first(raw, make, **how):
        if not found:
            found.append(honest(raw, make, **how))
        return found[0]

    monkeypatch.setattr(replaying, "replay", first)
    return found


@pytest.mark.parametrize("code", LIES)
def test_a_doubt_that_is_taken_out_of_a_result_of_this_daq_is_a_difference(tmp_path, monkeypatch, code):
    """The whole result is that of a daq without the doubt: its header says that it had it."""
    older = measured(tmp_path / "older", monkeypatch, code, 1)
    state = measured(tmp_path, monkeypatch, code)
    with sqlite3.connect(database_path(older)) as db:
        (text,) = db.execute("SELECT data FROM results").fetchone()
    with sqlite3.connect(database_path(state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.execute("UPDATE results SET data = ?", (text,))
    assert any(where != "result.origin" for where, _, _ in again(state).differences)


# ---- corrections


@pytest.mark.parametrize("given", [("--sample", "G-1O41"), ("--geometry", "coaxial-15")])
@pytest.mark.parametrize("code", ["torque_frozen", "zero_off"])
def test_a_correction_of_an_older_run_has_the_new_doubts_and_is_the_same_again(tmp_path, monkeypatch, code, given):
    state = measured(tmp_path, monkeypatch, code, 1)
    run = again(state).replay.header.run
    assert main(["--state", str(state), "correct", run, *given, "--because", "as it was"]) == 0
    with Reader(database_path(state)) as reader:
        data = json.loads(reader.newest_result(run).data)
    assert (code in data["faults"], data["validity"]) == (True, "doubtful")
    assert (again(state).differences, again(state).same) == ([], True)
    with sqlite3.connect(database_path(state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.execute("UPDATE results SET data = json_set(data, '$.quality', 'Good') WHERE supersedes IS NOT NULL")
    assert [where for where, _, _ in again(state).differences] == ["corrected result.quality"]
