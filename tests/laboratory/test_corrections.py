"""Corrections, annulments and notes of runs in a real database."""

# ruff: noqa: S608 - names of our own tables

import json
import math
import random
import shutil
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.one_run import disagreements_of_run, disagreements_of_sample
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.audit import source_uri
from daq.adapters.store.declaring.correcting import SupersededError
from daq.adapters.store.records import revisions
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.corrections import CorrectRun
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.progress import note_done
from daq.app.records.history import history, notes_of, plan_of, raw_journal
from daq.app.records.readings import Readings
from daq.app.records.replaying import maker, recompute
from daq.app.records.sheets.exporting import note_rows
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from daq.methods.messages.flat import FlatResultData
from daq.methods.messages.result import ResultData
from tests.support.corrected_facts import generated
from tests.support.runs.full_database import TOPICS, falsified
from tests.support.runs.stored import begin, conclude, register
from tests.support.runs.virtual_bench import StoredBench

CORRECTIONS = 20


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Three runs of clear glaze on coaxial-12, oldest first."""
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state", topics=TOPICS)
    runs = [bench.measure("G-1O42"), bench.measure("G-1043", lot="L7"), bench.measure("G-1044", speed=10)]
    return bench, runs


@dataclass
class Lab:
    lab: Laboratory
    runs: list

    def do(self, act, **order):
        return carry_out(self.lab, act, order)

    def correct(self, run, **facts):
        """Correct a run as command line does: as a reviewer where value or verdict change."""
        order = {"because": "mistyped"} | facts | {"run": run}
        done = self.do("run_correct", **order)
        return self.do("run_correct_reviewed", **order) if "needs_review" in done else done

    def newest(self, run):
        with self.lab.reader() as reader:
            return json.loads(reader.newest_result(run).data)

    def disagreements(self):
        with Stored(self.lab.store.path) as stored:
            return [d.text for d in Comparison().of(stored)]


@contextmanager
def opened(measured, folder, login="m.keeper"):
    bench, runs = measured
    state = folder / "state"
    shutil.copytree(bench.state, state)
    with Store(database_path(state)) as store:
        yield Lab(Laboratory(store, bench.catalogue, bench.clock, login, topics=TOPICS, with_flat=True), runs)


@pytest.fixture
def lab(measured, tmp_path):
    with opened(measured, tmp_path) as found:
        yield found


def viscosity(lab, run, data):
    """Return the viscosity (Pa.s) by the law of coaxial cylinders (ISO 3219-2, Newtonian fluid) from the readings.

    M = 4 pi L c w eta / (1/Ri^2 - 1/Ra^2), with means of torque and speed over the span of the result.
    """
    with lab.lab.reader() as reader:
        raw, _ = raw_journal(reader, run)
        started = reader.run_as_started(run)
    readings = Readings(raw, maker(lab.lab.catalogue.drivers))
    scale = plan_of(started).context.full_scale_unm * 1e-6
    kept = next(k for k in reversed(readings_kept(lab, run)) if k["step"] == plan_of(started).context.result_step)
    inside = [r.values for r in readings if r.link == "bench-1" and not r.repeat and kept["start"] < r.t <= kept["t"]][
        : data["span"]["n"]
    ]  # fmt: skip - a reading of the moment of the keep came after it
    torque = math.fsum(v["torque"] for v in inside) / len(inside) / 100.0 * scale
    omega = math.fsum(v["speed"] for v in inside) / len(inside) * 2.0 * math.pi / 60.0
    d = data["geometry"]["dimensions"]
    inner, outer, length = (d[k] * 1e-3 for k in ("inner_radius", "outer_radius", "length"))
    return torque * (inner**-2 - outer**-2) / (4.0 * math.pi * length * d["end_factor"] * omega)


def readings_kept(lab, run):
    with lab.lab.reader() as reader:
        return reader.kept_as_measured(run)


SCALES = {"mPa.s": 1e-3, "Pa.s": 1.0}


def rows_before(lab):
    with lab.lab.reader() as reader:
        tables = ("runs", "journal", "kept", "results", "outbox", "audit", "records")
        return {t: reader.query(f"SELECT * FROM {t} ORDER BY rowid") for t in tables}


@pytest.mark.slow
def test_generated_corrections_supersede_and_change_only_what_they_must(lab):
    rng = random.Random(20251129)
    catalogue = lab.lab.catalogue
    seen = set()
    done = 0
    while done < CORRECTIONS:
        run, facts = rng.choice(lab.runs), generated(rng, catalogue)
        before, old, rows = declared(lab, run), lab.newest(run), rows_before(lab)
        changes = {k: v for k, v in facts.items() if before[k] != v}
        if not changes:
            continue
        outcome = lab.correct(run, **facts)
        done += 1
        seen |= set(changes)
        new = lab.newest(run)
        # All rows of before are still there as they were.
        after = rows_before(lab)
        assert all(after[t][: len(rows[t])] == rows[t] for t in rows)
        assert {c["name"] for c in outcome["changes"]} >= set(changes)
        assert declared(lab, run) == before | facts
        assert new["supersedes"] == {"source": source_uri(lab.lab.store.uuid, 1), "id": outcome["supersedes"]}
        assert new["value"] * SCALES[new["unit"]] == pytest.approx(viscosity(lab, run, new), rel=1e-9)
        if "geometry" not in changes and old["unit"] == new["unit"]:
            assert (new["value"], new["conditions"], new["steps"]) == (old["value"], old["conditions"], old["steps"])
        if not set(changes) & {"product", "geometry"}:
            changed = {"sample", "origin", "supersedes", "warnings"}
            assert {k: v for k, v in new.items() if k not in changed} == {
                k: v for k, v in old.items() if k not in changed
            }
        for c in outcome["changes"]:
            texts = [w["parameters"] for w in new["warnings"] if w["code"] == "declared_otherwise"]
            started = declared(lab, run, started=True)
            expected = started[c["name"]] != c["after"]
            assert any(t["name"] == c["name"] and (t["after"] or "") == c["after"] for t in texts) == expected
        _published(lab, outcome, new)
    assert seen == {"sample", "lot", "sampled_at", "operator", "product", "geometry"}
    assert lab.disagreements() == []
    with lab.lab.reader() as reader:
        for run in lab.runs:
            again = recompute(reader, reader.run(run), catalogue.drivers)
            assert again.same, again.differences


def declared(lab, run, *, started=False):
    """Return the facts of a run that can be corrected, as declared now or at its start."""
    with lab.lab.reader() as reader:
        record = reader.run_as_started(run) if started else reader.run(run)
    found = {n: getattr(record, n) for n in ("sample", "lot", "sampled_at", "operator", "product")}
    return found | {"geometry": plan_of(record).context.geometry_name}


def _published(lab, outcome, new):
    """Check the messages of a correction: same data, its own identity, and the superseded result."""
    ResultData.model_validate_json(json.dumps(new))
    with lab.lab.reader() as reader:
        messages = {m.topic: m for m in reader.messages(outcome["result"])}
        result = reader.result(outcome["result"])
    event = json.loads(messages[TOPICS.result("bench-1")].payload)
    assert (event["id"], event["data"], int(event["sequence"])) == (outcome["result"], new, result.sequence)
    flat = json.loads(messages[TOPICS.flat("bench-1")].payload)["data"]
    FlatResultData.model_validate(flat)
    assert (flat["supersedes_id"], flat["value"]) == (outcome["supersedes"], new["value"])
    assert "corrected_by" in flat["warning_codes"]


@pytest.mark.slow
def test_only_the_newest_run_replaces_the_retained_message(lab):
    last = TOPICS.last("bench-1")
    for lot, run, retained in (("A", lab.runs[-1], True), ("B", lab.runs[0], False), ("C", lab.runs[-1], True)):
        done = lab.correct(run, lot=lot)
        with lab.lab.reader() as reader:
            assert (last in [m.topic for m in reader.messages(done["result"])]) == retained


def test_a_mistyped_sample_is_found_under_the_new_id_only(lab):
    lab.correct(lab.runs[0], sample="G-1042")
    with lab.lab.reader() as reader:
        assert reader.runs(sample="G-1O42") == []
        (found,) = reader.runs(sample="G-1042")
        assert (found.id, reader.run_as_started(found.id).sample) == (lab.runs[0], "G-1O42")
        shown = history(reader, found)
        assert shown.data["sample"]["id"] == shown.run.sample == "G-1042"
        assert shown.as_json()["corrections"][0]["changes"] == [
            {"name": "sample", "before": "G-1O42", "after": "G-1042"}
        ]  # fmt: skip
        assert [(r.what, r.who, r.because) for r in revisions(reader, "declaration", found.id)] == [
            ("run_corrected", "m.keeper", "mistyped")
        ]


def test_a_product_is_looked_up_as_declared(lab):
    lab.correct(lab.runs[0], product="engobe")
    with lab.lab.reader() as reader:
        assert [r.id for r in reader.runs(product="engobe")] == [lab.runs[0]]
        assert lab.runs[0] not in [r.id for r in reader.runs(product="clear-glaze")]


def test_a_change_of_value_or_verdict_waits_for_a_reviewer(lab):
    assert {name: ACTS[name].role for name in ("run_correct", "run_correct_reviewed", "run_annul", "note_add")} == {
        "run_correct": "measure", "run_correct_reviewed": "review", "run_annul": "review", "note_add": "measure",
    }  # fmt: skip
    run, before = lab.runs[0], rows_before(lab)
    for facts, parts in (({"product": ""}, {"verdict", "reported"}), ({"geometry": "coaxial-15"}, {"value"})):
        done = lab.do("run_correct", run=run, because="label", sample="G-1042", **facts)
        assert parts <= set(done["needs_review"])
        assert rows_before(lab) == before
    # The sample that the run leaves has no result after that.
    assert lab.do("run_correct", run=run, because="label", sample="G-1042")["needs_review"] == ["reportable"]
    assert rows_before(lab) == before
    assert "needs_review" not in lab.do("run_correct", run=run, because="label", lot="L8", operator="a.novak")
    with lab.lab.reader() as reader:
        assert (reader.run(run).operator, reader.run_as_started(run).operator) == ("a.novak", "m.keeper")
        assert next(e for e in reader.audit() if e.what == "run_started").who == "m.keeper"


def test_a_wrong_geometry_is_computed_again_over_the_recorded_spans(lab):
    run = lab.runs[0]
    old = lab.newest(run)
    lab.correct(run, geometry="coaxial-15")
    new = lab.newest(run)
    assert [w["code"] for w in new["warnings"]].count("computed_in_recorded_spans") == 1
    assert new["span"] == old["span"]
    assert new["value"] / old["value"] == pytest.approx(viscosity(lab, run, new) / viscosity(lab, run, old), rel=1e-9)
    assert new["conditions"]["torque"] == old["conditions"]["torque"]
    # The limits of the product apply at the geometry with which they were set.
    assert (old["verdict"]["verdict"], new["verdict"]["verdict"]) == ("within", "not_comparable")
    with lab.lab.reader() as reader:
        record = reader.run(run)
        (kept,) = [k for k in reader.kept(run) if k["t"] == readings_kept(lab, run)[-1]["t"]]
        raw, _ = raw_journal(reader, run)
        readings = Readings(raw, maker(lab.lab.catalogue.drivers), plan_of(record))
        values = [r.values["viscosity"] for r in readings if r.link == "bench-1" and kept["start"] < r.t <= kept["t"]]
    assert kept["summaries"]["viscosity"]["mean"] == new["value"]
    assert math.fsum(values) / len(values) == pytest.approx(new["value"], rel=1e-3)
    back = lab.correct(run, geometry="coaxial-12")
    again = lab.newest(run)
    assert (again["value"], again["verdict"], again["geometry"]) == (old["value"], old["verdict"], old["geometry"])
    assert back["changed"]
    with lab.lab.reader() as reader:
        assert revisions(reader, "declaration", run)[-1].data["plan"] is None


def test_annulled_runs_stay_visible_and_count_nowhere(lab):
    run = lab.runs[0]
    old = lab.newest(run)
    done = lab.do("run_annul", run=run, because="spilled")
    new = lab.newest(run)
    assert (new["value"], new["quality"], new["validity"], new["verdict"]["verdict"]) == (
        None, "Bad", "not_valid", "not_comparable",
    )  # fmt: skip
    assert (new["reasons"][0]["code"], new["reasons"][0]["parameters"]) == (
        "annulled", {"who": "m.keeper", "because": "spilled"},
    )  # fmt: skip
    assert new["supersedes"]["id"] == done["supersedes"]
    assert all(row["value"] is None and row["quality"] == "Bad" for row in new["steps"])
    assert new["conditions"] == old["conditions"]
    for act, more in (("run_annul", {}), ("run_correct", {"sample": "G-9"})):
        with pytest.raises(SettingError, match="is annulled; measure again"):
            lab.do(act, run=run, because="again", **more)
    assert lab.disagreements() == []
    with lab.lab.reader() as reader:
        assert recompute(reader, reader.run(run), lab.lab.catalogue.drivers).same
        event = json.loads(reader.messages(done["result"])[0].payload)
        ResultData.model_validate_json(json.dumps(event["data"]))


def test_a_corrected_run_that_is_annulled_keeps_its_declaration(lab):
    lab.correct(lab.runs[0], sample="G-1042", geometry="coaxial-15")
    lab.do("run_annul", run=lab.runs[0], because="spilled")
    assert declared(lab, lab.runs[0])["sample"] == "G-1042"
    assert lab.newest(lab.runs[0])["geometry"]["name"] == "coaxial-15"
    assert lab.disagreements() == []


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({}, "nothing of run .* changes"),
        ({"sample": "G-1O42", "lot": ""}, "nothing of run .* changes"),
        ({"geometry": "coaxial-12", "product": "clear-glaze"}, "nothing of run .* changes"),
        ({"sample": ""}, "sample: must not be empty"),
        ({"operator": ""}, "operator: must not be empty"),
        ({"sample": "G\x00"}, "control character"),
        ({"product": "clear-glase"}, "did you mean 'clear-glaze'"),
        ({"geometry": "coaxial-13"}, "no geometry has the name 'coaxial-13'"),
        ({"fluid": "nothing"}, "there is no fluid 'nothing'"),
        ({"sampled_at": "yesterday lunch"}, "is no time"),
        ({"sample": "G-1", "because": ""}, "because: must not be empty"),
        ({"sample": "G-1", "run": "nothing"}, "there is no run whose id begins with 'nothing'"),
        ({"sample": "G-1", "colour": "red"}, "colour: is not a known key"),
    ],
)
def test_a_wrong_order_is_refused_and_changes_nothing(lab, order, expected):
    before = rows_before(lab)
    for act in ("run_correct", "run_correct_reviewed"):
        with pytest.raises(SettingError, match=expected):
            lab.do(act, **({"run": lab.runs[0], "because": "mistyped"} | order))
    assert rows_before(lab) == before


def test_a_second_correction_names_the_first_and_an_old_view_is_refused_with_the_newest_id(lab):
    run = lab.runs[0]
    first = lab.correct(run, sample="G-1042")
    second = lab.correct(run, lot="L9", result=first["result"])
    assert second["supersedes"] == first["result"]
    assert declared(lab, run)["sample"] == "G-1042"
    for stale in (first["supersedes"], first["result"]):
        with pytest.raises(SettingError, match=second["result"]):
            lab.correct(run, lot="L10", result=stale)


def test_of_two_corrections_at_once_the_second_is_refused(lab, monkeypatch):
    run, submit = lab.runs[0], lab.lab.store.submit
    late = CorrectRun(run=run, because="first", lot="L1")

    def overtaken(transaction):
        monkeypatch.setattr(lab.lab.store, "submit", submit)
        ACTS["run_correct"].do(lab.lab, late)
        return submit(transaction)

    monkeypatch.setattr(lab.lab.store, "submit", overtaken)
    with pytest.raises(SupersededError, match="was corrected already: correct"):
        lab.correct(run, lot="L2")
    assert declared(lab, run)["lot"] == "L1"
    assert lab.disagreements() == []


def test_a_run_that_has_not_ended_is_refused(lab):
    for step in (register(), begin("going"), begin("done")):
        lab.lab.store.submit(step).result()
    lab.lab.store.submit(conclude("done")).result()
    for run in ("going", "done"):
        for act in ("run_correct", "run_annul"):
            more = {"sample": "G-9"} if act == "run_correct" else {}
            with pytest.raises(SettingError, match="has not ended"):
                lab.do(act, run=run, because="mistyped", **more)
    lab.do("note_add", run="going", text="a lump in the cup")


LEAVES = ("result", "supersedes", "state", "sample", "product", "lot", "sampled_at", "operator", "geometry", "fluid")


@pytest.mark.slow
def test_every_falsified_part_of_a_correction_is_named(measured, tmp_path):
    with opened(measured, tmp_path) as lab:
        run = lab.runs[0]
        lab.correct(run, sample="G-1042", lot="L1", geometry="coaxial-15")
        lab.do("note_add", run=run, text="a lump in the cup")
        path = lab.lab.store.path
        assert disagreements_of_run(path, run) == []
    statements = [
        f"UPDATE records SET data = json_set(data, '$.{name}', 'x') WHERE kind = 'declaration'" for name in LEAVES
    ]
    statements += [
        "UPDATE records SET data = json_set(data, '$.plan.primary', 'x') WHERE kind = 'declaration'",
        "UPDATE records SET data = json_set(data, '$.kept[0].t', 1) WHERE kind = 'declaration'",
        "UPDATE records SET data = json_set(data, '$.changes', json('[]')) WHERE kind = 'declaration'",
        "UPDATE records SET revision = 2 WHERE kind = 'declaration'",
        "UPDATE records SET id = 'other' WHERE kind = 'declaration'",
        "UPDATE records SET kind = 'other' WHERE kind = 'declaration'",
        "UPDATE records SET audit_seq = 1 WHERE kind = 'declaration'",
        "UPDATE records SET data = json_set(data, '$.text', 'x') WHERE kind = 'note'",
        "DELETE FROM records WHERE kind = 'declaration'",
        "INSERT INTO records SELECT kind, id, 2, data, 1 FROM records WHERE kind = 'declaration'",
        "UPDATE results SET data = json_set(data, '$.sample.id', 'x') WHERE supersedes IS NOT NULL",
        "UPDATE results SET supersedes = NULL WHERE supersedes IS NOT NULL",
        "DELETE FROM results WHERE supersedes IS NOT NULL",
    ]
    for number, statement in enumerate(statements):
        changed = tmp_path / f"{number}.db"
        with falsified(path, changed) as db:
            db.execute("DROP INDEX one_first_result_a_run")
            assert db.execute(statement).rowcount == 1, statement
        tables = {d.table for d in disagreements_of_run(changed, run)}
        assert tables & {"records", "results"}, statement
        with Stored(changed) as stored:
            assert {d.table for d in Comparison().of(stored)} & {"records", "results"}, statement
    moved = tmp_path / "moved.db"
    with falsified(path, moved) as db:
        db.execute("UPDATE records SET data = json_set(data, '$.sample', 'x') WHERE kind = 'declaration'")
    assert disagreements_of_sample(moved, "G-1042", [])


def test_falsified_data_are_not_corrected_but_can_be_annulled(measured, tmp_path):
    with opened(measured, tmp_path) as lab:
        path = lab.lab.store.path
    changed = tmp_path / "changed.db"
    with falsified(path, changed) as db:
        db.execute("UPDATE journal SET digest = 'x' WHERE run = ? AND seq = 1", (lab.runs[0],))
        db.execute("UPDATE results SET data = json_set(data, '$.value', 1) WHERE run = ?", (lab.runs[1],))
    with Store(changed) as store:
        lab.lab.store = store
        with pytest.raises(SettingError, match="do not agree with the audit trail: journal"):
            lab.correct(lab.runs[0], sample="G-1")
        lab.do("run_annul", run=lab.runs[0], because="its journal is damaged")
        assert lab.newest(lab.runs[0])["value"] is None
        with pytest.raises(SettingError, match="do not agree with the audit trail: results"):
            lab.do("run_annul", run=lab.runs[1], because="falsified")


def test_notes_are_kept_in_order_and_exported(lab):
    run = lab.runs[0]
    for text in ("second bucket", "=1+1", "a lump"):
        lab.do("note_add", run=run, text=text)
    lab.do("note_add", run=lab.runs[1], text="of another run")
    with lab.lab.reader() as reader:
        rows = list(note_rows(notes_of(reader, run)))
        assert [n["text"] for n in history(reader, reader.run(run)).as_json()["notes"]] == [r["note"] for r in rows]
    assert [(r["who"], r["note"]) for r in rows] == [("m.keeper", t) for t in ("second bucket", "=1+1", "a lump")]
    for order, expected in (({"run": "nothing", "text": "x"}, "there is no run"), ({"run": run, "text": ""}, "empty")):
        with pytest.raises(SettingError, match=expected):
            lab.do("note_add", **order)
    assert lab.disagreements() == []


def test_a_correction_does_not_become_the_last_run_of_its_instrument(lab):
    with lab.lab.reader() as reader:
        before, since = reader.last_result("bench-1"), reader.results_since("bench-1", 0)
    done = lab.correct(lab.runs[0], sample="G-1042")
    with lab.lab.reader() as reader:
        assert reader.last_result("bench-1") == before
        assert [run for _, run in reader.results_since("bench-1", 0)] == [run for _, run in since]
        assert reader.results_since("bench-1", 0)[0] == (done["result"], lab.runs[0])


def test_a_sample_is_done_by_its_corrected_run_and_open_again_without_it(lab):
    def states():
        return tuple(lab.lab.get(Sample, name).record.state for name in ("G-1043", "G-1042"))

    lab.do("sample_add", id="G-1043", product="clear-glaze")
    lab.do("sample_add", id="G-1042", product="clear-glaze")
    note_done(lab.lab.store, lab.lab.catalogue, lab.runs[1], lab.lab.clock.utc_ns())
    assert states() == ("done", "open")
    lab.correct(lab.runs[1], sample="G-1042")
    assert states() == ("open", "done")
    lab.do("run_annul", run=lab.runs[1], because="spilled")
    assert states() == ("open", "open")
    assert lab.disagreements() == []
