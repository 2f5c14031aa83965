"""One damaged result in the database: every act that does not concern it works, and one that does names run and field."""

import json
import sqlite3

import pytest

from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.signing.affected_runs import affected
from daq.app.laboratory.signing.suspending import suspending
from daq.core.errors import SettingError, StoreError
from daq.methods.planning.standing import day
from tests.bench_flow.parts import with_flows
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


def damaged_text(text, how):
    if how.startswith("no "):
        return json.dumps({k: v for k, v in json.loads(text).items() if k != how.split()[1]})
    if " as " in how:
        kind, _, key = how.split()
        return json.dumps(json.loads(text) | {key: {"text": "x", "list": []}[kind]})
    return how


def damage(lab, run, how):
    with sqlite3.connect(lab.lab.store.path) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.execute("PRAGMA ignore_check_constraints = ON")
        (text,) = db.execute("SELECT data FROM results WHERE run = ?", (run,)).fetchone()
        db.execute("UPDATE results SET data = ? WHERE run = ?", (damaged_text(text, how), run))


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
