"""A release is refused in every state of a run but one."""

import itertools
import json
import random
from dataclasses import replace

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.cli.signing.affected import affected
from daq.app.laboratory.signing.subjects import refusals, run_subject
from daq.app.records.replaying import recompute
from daq.app.records.signatures import Releases, signatures_of
from daq.core.encoding import encode
from daq.core.errors import SettingError
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.stored import T0, begin, builder, conclude, end, register
from tests.support.signed_laboratories import measured_bench, signing_lab, verification_detail, verify

#: Name of a state: the part of a run or of its result that differs from what may be released, and the expected code.
STATES = {
    "simulated": ({"simulated": True}, "run_is_simulated"),
    "annulled": ({"faults": ["annulled"]}, "run_is_annulled"),
    "doubtful": ({"validity": "doubtful", "quality": "Uncertain"}, "without_valid_result"),
    "not_valid": ({"validity": "not_valid", "quality": "Bad"}, "without_valid_result"),
    "valid_in_words_only": ({"quality": "Uncertain"}, "without_valid_result"),
    "without_value": ({"value": None}, "without_valid_result"),
    "verification": ({"verification": {"fluid": "reference-b", "levels": []}}, "is_verification"),
    "sheared": ({"sample": {"id": "S", "product": "clear-glaze", "fill": None, "sheared": True}}, "fill_was_sheared"),
}


class NeverFailed(Releases):
    """Releases where no verification failed: those of the charted runs have no details."""

    def failures(self, run):
        return []


@pytest.mark.parametrize("most", [2, pytest.param(len(STATES), marks=pytest.mark.slow)])
def test_every_combination_of_states_refuses_the_release(tmp_path, most):
    combinations = [c for n in range(most + 1) for c in itertools.combinations(STATES, n)]
    runs = []
    for i, states in enumerate(combinations):
        changes = {}
        for name in states:
            changes |= STATES[name][0]
        runs.append(Measured(f"S-{i}", 800.0, changes=changes))
    path = make_charted(tmp_path / "daq.db", runs, every_s=60)
    with Reader(path) as reader:
        releases = NeverFailed(reader)
        for i, states in enumerate(combinations):
            subject = run_subject(releases, reader.run(run_id(i)))
            codes = {s.code for s in refusals(subject, "released", None, review_own=False, alone=True)}
            assert codes <= {STATES[name][1] for name in states}
            assert bool(codes) == bool(states), states
            if len(states) == 1:
                assert codes == {STATES[states[0]][1]}
            # Anything that was measured can be reviewed, and rejected.
            for meaning in ("reviewed", "rejected"):
                assert refusals(subject, meaning, None, review_own=False, alone=False) == ()


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        yield found


@pytest.mark.slow
def test_runs_of_a_trainee_and_of_a_simulator_are_never_released(measured, tmp_path):
    bench, _ = measured
    other = replace(bench, state=tmp_path / "other")
    runs = [
        other.measure("G-1", simulated=False, attribution="not_authorised"),
        other.measure("G-2", simulated=True),
        other.measure("G-3", simulated=False, attribution="authorised"),
    ]
    with signing_lab(other, runs, tmp_path / "lab") as lab:
        lab.keep("G-1", "G-2", "G-3")
        for run, words in ((runs[0], "had no authorisation"), (runs[1], "simulated instrument")):
            for facts in (None, {"lot": "L9"}):
                if facts:
                    lab.correct(run, **facts)
                with pytest.raises(SettingError, match=words):
                    lab.sign(run)
        for sample, words in (("G-1", "no reportable value"), ("G-2", "simulated instrument")):
            with pytest.raises(SettingError, match=words):
                lab.sign(f"{sample}/clear-glaze-qc", of="reportable")
        lab.sign(runs[2])
        lab.sign("G-3/clear-glaze-qc", of="reportable")
        assert [lab.release(run) for run in runs[:3]] == [None, None, "released"]


def test_a_run_that_has_not_ended_is_not_signed(lab):
    for step in (register(), begin("going"), begin("concluded")):
        lab.lab.store.submit(step).result()
    lab.lab.store.submit(conclude("concluded")).result()
    with pytest.raises(SettingError, match="going has no result yet"):
        lab.sign("going")


def test_a_failed_verification_blocks_at_once_until_a_person_decides(lab):
    first, second, third = lab.runs
    store, sample = lab.lab.store, "G-1042"
    lab.keep("G-1041", "G-1042", "G-1043")
    ident = f"{sample}/clear-glaze-qc"
    lab.sign(first)
    lab.sign(ident, of="reportable")
    verify(store, "failed", passed=False)
    # No other transaction was needed: the block is computed from the audit trail.
    assert lab.release(first) == "release_blocked"
    for run in (second, third):
        with pytest.raises(SettingError, match="verification failed of bench-1 failed after it"):
            lab.sign(run)
    with pytest.raises(SettingError, match="failed after it"):
        lab.sign(ident, of="reportable", meaning="released")
    lab.keep(sample)
    with lab.lab.reader() as reader:
        releases = Releases(reader)
        assert releases.of_record("reportable", ident, blocked=True) == "release_withdrawn"
    assert [e["data"]["state"] for e in lab.messages("reportable") if e["data"]["sample"] == sample] == [
        "complete", "blocked",
    ]  # fmt: skip
    own = [e["data"]["state"] for e in lab.messages("signature") if e["data"]["of"] == "reportable"]
    assert own == ["in_force", "withdrawn"]
    with lab.lab.reader() as reader:
        assert [s.state for s in signatures_of(reader, "reportable", ident)] == ["withdrawn"]
    # A later pass says nothing about results before the failure.
    verify(store, "passed", passed=True)
    with pytest.raises(SettingError, match="failed after it"):
        lab.sign(second)
    lab.do("doubt_decide", run=second, verification="failed", decision="upheld", because="the same on bench-2")
    lab.sign(second)
    lab.sign(ident, of="reportable")
    with pytest.raises(SettingError, match="no failed verification or control that put run"):
        lab.do("doubt_decide", run=first, verification="passed", decision="upheld", because="a mistake")
    done = lab.do("doubt_decide", run=third, verification="failed", decision="uncertain", because="3 % low")
    with pytest.raises(SettingError, match="its result is doubtful"):
        lab.sign(third)
    assert lab.release(third) is None
    with lab.lab.reader() as reader:
        data = json.loads(reader.newest_result(third).data)
    assert (data["quality"], data["validity"], data["verdict"]["verdict"]) == (
        "Uncertain",
        "doubtful",
        "not_comparable",
    )
    assert data["supersedes"]["id"] == done["supersedes"]
    assert data["reasons"][0]["code"] == "verification_failed_later"
    assert data["value"] is not None
    with pytest.raises(SettingError, match="is Uncertain already by a.novak; measure again"):
        lab.do("doubt_decide", run=third, verification="failed", decision="upheld", because="a mistake")
    # A correction of something else does not lift the doubt, and the journal gives the result again.
    lab.correct(third, lot="L9")
    with lab.lab.reader() as reader:
        data = json.loads(reader.newest_result(third).data)
        assert (data["quality"], data["verdict"]["verdict"]) == ("Uncertain", "not_comparable")
        assert data["reasons"][0]["parameters"] == {"verification": "failed", "who": "a.novak", "because": "3 % low"}
        again = recompute(reader, reader.run(third), lab.lab.catalogue.drivers)
        assert again.same, again.differences
    assert lab.disagreements() == []


@pytest.mark.parametrize("count", [2, pytest.param(15, marks=pytest.mark.slow)])
def test_generated_verifications_block_what_was_measured_since_the_last_pass(tmp_path, count):
    """The rule by counting: a result is blocked if a failure of a pair follows, and no pass of that pair in between."""
    rng = random.Random(5)
    pairs = ("coaxial-12", "coaxial-15")
    for number in range(count):
        with Store(tmp_path / f"{number}.db", utc_ns=T0) as store:
            store.submit(register()).result(10)
            done = []
            for i in range(12):
                name = f"{number}-{i}"
                outcome = rng.choice([None, None, True, False])
                pair = rng.choice(pairs)
                if outcome is None:
                    for step in (begin(name, "bench-1"), conclude(name), end(name)):
                        store.submit(step).result(10)
                else:
                    verify(store, name, passed=outcome, geometry=pair)
                done.append((name, outcome, pair))
            with store.reader() as reader:
                releases = Releases(reader)
                for i, (name, outcome, _) in enumerate(done):
                    expected = []
                    for j in range(i + 1, len(done)):
                        later, passed, pair = done[j]
                        before = [p for _, p, q in done[i + 1 : j] if q == pair and p]
                        if passed is False and not before and outcome is None:
                            expected.append(later)
                    found = releases.doubts(reader.run(name))
                    assert [s.parameters["verification"] for s in found] == [e[:8] for e in expected]


def test_a_verification_that_was_itself_wrong_blocks_nothing(lab):
    verify(lab.lab.store, "failed", passed=False)
    with lab.lab.reader() as reader:
        run, sql = reader.run(lab.runs[0]), "SELECT count(*) AS n FROM results"
        assert Releases(reader).doubts(run)
        (before,) = reader.query(sql)
    detail = verification_detail("failed", passed=None)
    step = Correct("r-failed", "s-failed", "wrong fluid", T0, "c.head", builder("failed"), verification=encode(detail))
    lab.lab.store.submit(step).result(10)
    with lab.lab.reader() as reader:
        assert Releases(reader).doubts(run) == ()
        assert reader.query(sql)[0]["n"] == before["n"] + 1
    lab.sign(lab.runs[0])


def test_a_failed_control_blocks_until_a_person_decides(lab):
    first, second, third = lab.runs
    store = lab.lab.store
    verify(store, "other", passed=False, geometry="coaxial-15", kind="control")
    lab.sign(first)
    assert lab.release(first) == "released"
    verify(store, "failed", passed=False, kind="control")
    assert lab.release(first) == "release_blocked"
    with pytest.raises(SettingError, match="control failed of bench-1 failed after it, and none had passed in between"):
        lab.sign(second)
    with lab.lab.reader() as reader:
        assert [e.run for e, _ in affected(reader, "failed")] == [first, second, third]
        (reason,) = Releases(reader).doubts(reader.run(second))
        assert reason.code == "control_failed_after"
    lab.do("doubt_decide", run=second, verification="failed", decision="uncertain", because="the oil was 5 % high")
    found = lab.newest(second)
    assert (found["quality"], found["faults"]) == ("Uncertain", ["control_failed_later"])
    # A correction of the lot keeps the doubt.
    lab.correct(second, lot="L9")
    assert lab.newest(second)["faults"] == ["control_failed_later"]
    lab.do("doubt_decide", run=third, verification="failed", decision="upheld", because="the same on bench-2")
    lab.sign(third)
    assert lab.disagreements() == []


def test_a_result_is_in_doubt_where_the_control_before_it_is_annulled(measured, tmp_path):
    bench, _ = measured
    other = replace(bench, state=tmp_path / "other")
    with Store(database_path(other.state), utc_ns=T0) as store:
        verify(store, "control", passed=True, kind="control")
    run = other.measure("G-1", simulated=False)
    with signing_lab(other, [run], tmp_path / "lab") as lab:
        lab.sign(run)
        detail = encode(verification_detail("control", passed=None, kind="control"))
        lab.lab.store.submit(
            Correct("r-control", "s-control", "wrong fluid", 2 * T0, "c.head", builder("control"), verification=detail)
        ).result(10)
        assert lab.release(run) == "release_blocked"
        with lab.lab.reader() as reader:
            assert [s.code for s in Releases(reader).doubts(reader.run(run))] == ["control_withdrawn_after"]
            assert [e.run for e, _ in affected(reader, "control")] == [run]
        lab.do("doubt_decide", run=run, verification="control", decision="uncertain", because="no other control")
        assert lab.newest(run)["faults"] == ["control_withdrawn_later"]


@pytest.mark.parametrize("kind", ["control", pytest.param("verification", marks=pytest.mark.slow)])
def test_a_decision_lifts_the_kind_of_doubt_that_it_was_made_about(measured, tmp_path, kind):
    """A judgement is taken back, fails or passes again in every order; a person upholds the result after each."""
    bench, _ = measured
    other = replace(bench, state=tmp_path / "other")
    with Store(database_path(other.state), utc_ns=T0) as store:
        verify(store, "check", passed=True, kind=kind)
    run = other.measure("G-1", simulated=False)
    with signing_lab(other, [run], tmp_path / "lab") as lab:
        lab.sign(run)
        upheld, seen = set(), set()
        for number, passed in enumerate((None, False, None, True, False, None)):
            detail = encode(verification_detail("check", passed=passed, kind=kind))
            superseded = "r-check" if number == 0 else f"s-{number - 1}"
            again = Correct(
                superseded, f"s-{number}", "wrong fluid", 2 * T0, "c.head", builder("check"), verification=detail
            )
            lab.lab.store.submit(again).result(10)
            blocked = passed is not True and passed not in upheld
            assert lab.release(run) == ("release_blocked" if blocked else "released"), (number, passed)
            with lab.lab.reader() as reader:
                found = affected(reader, "check") if passed is not True else []
            assert [decision for _, decision in found] == ([None if blocked else "upheld"] if found else [])
            seen.add((passed, blocked))
            if passed is not True and blocked:
                lab.do("doubt_decide", run=run, verification="check", decision="upheld", because="the same on bench-2")
                upheld.add(passed)
                assert lab.release(run) == "released"
        assert seen == {(None, True), (False, True), (None, False), (False, False), (True, False)}
