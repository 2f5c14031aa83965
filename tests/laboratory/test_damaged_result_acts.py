"""One damaged result in the database: every act that does not concern it works, and one that does names run and field."""

import json

import pytest

from daq.app.cli import main
from daq.app.daemon.shift.bench_views import bench_view
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.bench.naming import outcome_of
from daq.app.laboratory.laboratory import find, new
from daq.app.laboratory.signing.affected_runs import affected
from daq.app.laboratory.signing.signing_list import Asked, signing_list
from daq.app.laboratory.signing.suspending import suspending
from daq.app.records.checks.instrument_history import instrument_history
from daq.app.records.planning import last_results
from daq.app.records.signatures import Releases
from daq.app.run.standing import Standing
from daq.app.setup.run_order import RunOrder
from daq.core.driver import Identity
from daq.core.errors import SettingError, StoreError
from daq.laboratory.bench.benchstate import BenchState, NamedSample
from daq.laboratory.bench.checklists import Facts
from daq.laboratory.bench.flow import CLEAR
from daq.laboratory.kinds import reportable_id
from daq.laboratory.reportables import ReportableRecord
from daq.methods.planning.standing import day
from tests.bench_flow.parts import with_flows
from tests.support import damaged_results
from tests.support.runs.charted import Measured, make_charted
from tests.support.signed_laboratories import PASSWORD, measured_bench, signing_lab, verify

DAMAGES = {
    "{": "data",
    "null": "data",
    "[]": "data",
    "": "data",
    "{}": None,
    '{"origin": 3}': "origin",
    "no origin": "origin",
    "no validity": "validity",
    "text as verdict": "verdict",
    "list as geometry": "geometry",
}
"""Damages of a text, with the field that is named; None: the first one that is read."""
CONCERNED = {
    "run_correct",
    "run_correct_reviewed",
    "run_annul",
    "sign_measured",
    "sign",
    "reportable_store",
    "report_make",
    "certificate_release",
}
"""Acts on a run or its sample that read its result."""
NO_RESULT = {
    "archive_add": "compares journals",
    "archive_remove": "compares journals",
    "driver_trial": "has no record",
    "person_role": "like person_lock",
    "person_logins": "like person_lock",
    "person_unlock": "like person_lock",
    "person_badge": "like person_lock",
    "person_authorise": "like person_lock",
    "person_withdraw": "like person_lock",
    "person_password": "like person_lock",
    "token_revoke": "like token_add",
}
"""Acts that are left out, with the reason."""


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        for sample in ("G-1041", "G-1042", "G-1043", "G-9"):
            found.do("sample_add", id=sample, product="clear-glaze")
        yield found


def damage(lab, run, how):
    return damaged_results.damage(lab.lab.store.path, run, how)


def orders(lab, sample, run):
    """Return an order of each act on a sample and its run; those before it in the list may be needed by later ones."""
    signed = [{"of": "run", "id": run}]
    return [
        ("sample_add", {"id": f"new-{sample}", "product": "clear-glaze"}),
        ("sample_change", {"id": sample, "because": "mistyped", "remark": "a lump"}),
        ("sample_import", {"file": "list.csv", "text": f"id\nlisted-{sample}\n"}),
        ("note_add", {"run": run, "text": "a lump in the cup"}),
        ("fit", {"instrument": "bench-1", "geometry": "coaxial-12"}),
        ("transcribe", {"sample": sample, "test": "flow cup", "value": "34.5 s"}),
        ("transcribe_confirm", {"sample": sample, "test": "flow cup", "value": "34.5 s"}),
        ("equipment_out", {"piece": "logger-1", "because": "dropped"}),
        ("equipment_back", {"piece": "logger-1", "because": "repaired"}),
        ("person_add", {"id": "new", "role": "look"}),
        ("person_lock", {"id": "new", "because": "left"}),
        ("token_add", {"id": "program", "role": "measure"}),
        ("reportable_store", {"sample": sample}),
        ("report_make", {"of": run}),
        ("sign_measured", {"signed": signed, "password": PASSWORD}),
        ("sign", {"signed": signed, "meaning": "released", "password": PASSWORD}),
        ("certificate_release", {"of": run}),
        ("report_day", {"day": day(lab.lab.clock.utc_ns())}),
        ("report_chart", {"product": "engobe", "last": 22}),
        ("chart_limits_fix", {"product": "engobe", "last": 20, "because": "in control"}),
        ("run_correct", {"run": run, "lot": "2212", "because": "mistyped"}),
        ("run_correct_reviewed", {"run": run, "product": "", "because": "label of another bucket"}),
        ("equipment_calibrated", {"piece": "bench-1", "certificate": "K", "day": "2024-11-20", "found": "inside"}),
        ("run_annul", {"run": run, "because": "spilled"}),
        ("sample_cancel", {"id": sample, "because": "spilled"}),
        ("sample_again", {"id": sample, "because": "a second look"}),
        ("bench_text", {"bench": "bench-1", "text": sample}),
        ("bench_command", {"bench": "bench-2", "command": "damage"}),
        ("handover", {}),
    ]


PEOPLE = {"sign_measured": "m.keeper", "transcribe_confirm": "b.lind", "person_add": "c.head", "person_lock": "c.head"}
PEOPLE |= {"token_add": "c.head"}


def perform(lab, act, order):
    return carry_out(with_flows(lab.at(PEOPLE.get(act, "a.novak"))), act, order)


def test_every_act_is_tried_or_left_out_for_a_reason(lab):
    tried = {act for act, _ in orders(lab, "G-1041", lab.runs[0])}
    assert tried | set(NO_RESULT) | {"doubt_decide", "repeat_assign"} == set(ACTS)


@pytest.mark.slow
@pytest.mark.parametrize("how", ["{", "{}", "no origin", "text as verdict"])
def test_acts_that_do_not_concern_a_damaged_result_work(lab, tmp_path, how):
    points = [(f"P-{i}", 800.0 + i % 3, fill) for i in range(20) for fill in ("1", "2")]
    made = [Measured(sample, value, product="engobe", fill=fill) for sample, value, fill in points]
    make_charted(lab.lab.store.path, made)
    damage(lab, lab.runs[1], how)
    for act, order in orders(lab, "G-1041", lab.runs[0]):
        # The sheet of the day of the damaged result shows it.
        perform(lab, act, {"day": "2025-11-01"} if act == "report_day" else order)


@pytest.mark.parametrize("how", DAMAGES)
def test_acts_on_a_damaged_result_name_run_and_field(lab, how):
    run = lab.runs[1]
    damage(lab, run, how)
    named, not_refused = {}, set()
    for act, order in orders(lab, "G-1042", run):
        if act in ("report_chart", "chart_limits_fix"):
            continue
        try:
            perform(lab, act, order)
        except (SettingError, StoreError) as error:
            named[act] = (error.code, error.values.get("run"), error.values.get("field"), str(error))
        else:
            not_refused.add(act)
    # A reportable result is made of other fields than the origin; it is not signed and has no certificate.
    concerned = CONCERNED - ({"reportable_store"} if how == "no origin" else set())
    assert not concerned & not_refused
    for act in concerned:
        code, of, field, words = named[act]
        assert (code, of) == ("result_damaged", run), (act, named[act])
        assert f"run {run} is damaged in {field}" in words
        assert DAMAGES[how] in (None, field), (act, field)
    # The sample is named where its runs decide whether it may be measured again.
    assert {act for act in named if named[act][0] == "result_damaged"} - CONCERNED <= {"sample_again", "report_day"}


@pytest.mark.parametrize("how", DAMAGES)
@pytest.mark.parametrize("cause", ["calibration", "verification"])
def test_a_damaged_result_is_in_doubt_by_what_is_recorded_and_does_not_stop_it(lab, cause, how):
    lab.keep("G-1041", "G-1042", "G-1043")
    lab.sign(*lab.runs)
    damage(lab, lab.runs[1], how)
    if cause == "calibration":
        today = day(lab.lab.clock.utc_ns())
        order = {"piece": "bench-1", "certificate": "K-1", "day": today, "found": "outside", "in_doubt": 3}
        done = lab.do("equipment_calibrated", **order)
        (found,) = done["damaged"]
        assert found["run"] == lab.runs[1]
        assert DAMAGES[how] in (None, found["field"])
        name = done["calibration"]
    else:
        follow = suspending(lab.lab.topics, "bench-1", lab.lab.clock.utc_ns(), "m.keeper")
        verify(lab.lab.store, "failed", passed=False, follow=follow)
        name = "failed"
    assert [lab.release(run) for run in lab.runs] == ["release_blocked", "release_withdrawn", "release_blocked"]
    suspended = {e["data"]["subject"] for e in lab.messages("signature") if e["data"]["suspended"]}
    assert suspended == {lab.runs[0], lab.runs[2]}
    with lab.lab.reader() as reader:
        rows = [e for e, _ in affected(reader, name)]
    assert [e.run for e in rows] == lab.runs
    assert [f"run {e.run} is damaged" in (e.reason or "") for e in rows][::2] == [False, False]
    if DAMAGES[how] == "data":
        assert f"run {lab.runs[1]} is damaged in data" in rows[1].reason


@pytest.mark.parametrize("how", DAMAGES)
def test_the_benches_of_the_daemon_are_restored_beside_a_damaged_result(lab, how):
    run = lab.runs[1]
    flows = with_flows(lab.lab).flows
    flowing = BenchState(id="bench-1", stage="running", run=run, named=NamedSample(sample="G-1042"))
    lab.lab.change(new(flowing, "bench_text"))
    damage(lab, run, how)
    flows.restore(
        ["bench-1"], lambda reader, _: outcome_of(reader, lab.lab.catalogue, run), unclean=False, unfinished={}
    )
    state, _, _ = flows.state("bench-1")
    assert (state.stage, state.outcome.run, state.outcome.outcome, state.outcome.repeat) == (
        "verdict", run, "complete", "free",
    )  # fmt: skip
    assert state.outcome.validity in ("", "valid")
    assert not state.outcome.verdict or how in ("no origin", "list as geometry")


@pytest.mark.parametrize("how", DAMAGES)
def test_a_bench_is_shown_beside_a_damaged_result_of_an_open_sample(lab, how):
    damage(lab, lab.runs[1], how)
    state = BenchState(id="bench-1", stage="choosing")
    facts = Facts(mono_ns=10**12, utc_ns=lab.lab.clock.utc_ns(), fitted="coaxial-12")
    with lab.lab.reader() as reader:
        view = bench_view(reader, lab.lab.catalogue, state, 1, CLEAR, facts, Standing())
    assert {"G-1041", "G-1042", "G-1043"} <= {s.sample for s in view.worklist}


@pytest.mark.parametrize("how", DAMAGES)
def test_a_verdict_without_its_damaged_result_is_shown_as_no_result(lab, how):
    run = lab.runs[1]
    damage(lab, run, how)
    facts = Facts(mono_ns=10**12, utc_ns=lab.lab.clock.utc_ns(), fitted="coaxial-12")
    with lab.lab.reader() as reader:
        ended = outcome_of(reader, lab.lab.catalogue, run)
        state = BenchState(id="bench-1", stage="verdict", run=run, named=NamedSample(sample="G-1042"), outcome=ended)
        view = bench_view(reader, lab.lab.catalogue, state, 1, CLEAR, facts, Standing())
    assert (view.outcome, view.result) == ("complete", None)


@pytest.mark.parametrize("how", DAMAGES)
def test_a_run_starts_after_a_damaged_result_and_takes_no_zero_from_it(lab, how):
    order = RunOrder(method_id="clear-glaze-qc", instrument="bench-1", sample="G-9")
    with lab.lab.reader() as reader:
        last = reader.last_result("bench-1")
    identity = Identity("rotational", json.loads(last.data)["origin"]["serial"])

    def zero():
        with lab.lab.reader() as reader:
            found = instrument_history(reader, lab.lab.catalogue, order, identity, last.created_utc_ns + 10**9)
        return found.last_torque_at_rest

    before = zero()
    assert before is not None
    damage(lab, last.run, how)
    # A field that is missing elsewhere takes nothing from the zero.
    assert zero() == (before if how == "no validity" else None)


@pytest.mark.parametrize("how", DAMAGES)
def test_a_plan_is_made_from_the_results_beside_a_damaged_one(lab, how):
    with lab.lab.reader() as reader:
        assert len(last_results(reader, "clear-glaze")) == 3
    damage(lab, lab.runs[1], how)
    with lab.lab.reader() as reader:
        assert len(last_results(reader, "clear-glaze")) == 2


@pytest.mark.parametrize("how", DAMAGES)
@pytest.mark.parametrize("words", [(), ("bench-1",), ("bench-1", "--json")])
def test_the_list_of_results_in_doubt_shows_a_damaged_one(lab, capsys, monkeypatch, words, how):
    monkeypatch.delenv("DAQ_CONFIG", raising=False)
    verify(lab.lab.store, "failed", passed=False)
    damage(lab, lab.runs[1], how)
    assert main(["--state", str(lab.lab.store.path.parent), "verification", *words]) == 0
    shown = capsys.readouterr().out
    if words:
        assert [run[:8] in shown for run in lab.runs] == [True] * 3
        assert "damaged" in shown


@pytest.mark.parametrize("reportables", [False, True])
@pytest.mark.parametrize("how", DAMAGES)
def test_the_list_of_what_to_sign_names_a_damaged_result_and_has_all_others(lab, how, reportables):
    asked = Asked(meaning="reviewed", person=None, reportables=reportables)
    run = lab.runs[0]
    if reportables:
        lab.keep("G-1041")

    def listed():
        with lab.lab.reader() as reader:
            found = signing_list(Releases(reader), lab.lab.catalogue, asked)
        return {s.id: s.runs for s in [*found.to_sign, *(s for s, _ in found.left_out)]}, found.damaged

    before, none = listed()
    assert none == []
    concerned = {ident for ident, runs in before.items() if run in {r.id for r in runs}}
    assert concerned
    damage(lab, run, how)
    after, named = listed()
    assert before.keys() - after.keys() <= concerned
    if before.keys() - after.keys():
        assert [place["run"] for place in named] == [run]


def reportable_of(lab, sample):
    with lab.lab.reader() as reader:
        return find(reader, ReportableRecord, reportable_id(sample, "clear-glaze-qc"))


@pytest.mark.parametrize("how", ["{", "{}", "no validity", "text as verdict"])
def test_a_reportable_result_beside_a_damaged_one_loses_the_value_that_was_annulled(lab, how):
    first, second = lab.runs[:2]
    lab.correct(second, sample="G-1041")
    lab.keep("G-1041")
    before = reportable_of(lab, "G-1041")
    assert (before.record.data.state, before.record.runs) == ("complete", (first, second))
    text = damage(lab, second, how)
    done = lab.do("run_annul", "c.head", run=first, because="spilled")
    (found,) = done["damaged"]
    assert found["run"] == second
    now = reportable_of(lab, "G-1041").record.data
    assert (now.state, now.value, now.verdict, now.uncertainty) == ("open", None, "none", None)
    assert [(a.run, a.value, a.counted) for a in now.attempts] == [(first, None, False), (second, None, False)]
    assert (now.how.code, now.how.parameters["run"]) == ("sample_result_damaged", second[:8])
    (*_, last) = [e["data"] for e in lab.messages("reportable") if e["data"]["sample"] == "G-1041"]
    assert (last["state"], last["value"], last["revision"]) == ("open", None, now.revision)
    with pytest.raises(StoreError, match=f"run {second} is damaged"):
        lab.keep("G-1041")
    assert reportable_of(lab, "G-1041").record.data == now
    damage(lab, second, text)  # restored from a backup
    lab.keep("G-1041")
    restored = reportable_of(lab, "G-1041").record.data
    assert (restored.state, [a.run for a in restored.attempts if a.counted]) == ("complete", [second])


def test_a_reportable_result_beside_a_damaged_one_is_blocked_by_a_doubt(lab):
    lab.correct(lab.runs[1], sample="G-1041")
    lab.keep("G-1041")
    damage(lab, lab.runs[1], "{")
    assert reportable_of(lab, "G-1041").record.data.state == "complete"
    today = day(lab.lab.clock.utc_ns())
    order = {"piece": "bench-1", "certificate": "K-1", "day": today, "found": "outside", "in_doubt": 3}
    lab.do("equipment_calibrated", **order)
    now = reportable_of(lab, "G-1041").record.data
    assert (now.state, {s.code for s in now.blocked}) == ("blocked", {"calibration_outside_after"})
    assert now.value is not None
