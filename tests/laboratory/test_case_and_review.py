"""Everything about a lot, and the counts of a month."""

import itertools
import json
import random
from collections import Counter
from dataclasses import replace

import pytest

from daq.adapters.store.declared import DECLARED
from daq.adapters.store.records import Change
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.equipment.casefile import case_of
from daq.app.laboratory.equipment.monthly import COUNTED, review, span_of_month
from daq.app.laboratory.laboratory import Laboratory, new
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.laboratory.declarations import Change as Corrected
from daq.laboratory.declarations import Declaration
from daq.methods.files.daemon import Daemon
from daq.methods.planning.standing import AuditedVerification
from tests.laboratory.parts import FixedClock, at
from tests.support.runs.stored import T0, begin, conclude, end, register

DAY = 86_400 * 10**9
MONTH = "2025-10"


@pytest.fixture
def lab(tmp_path):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        yield Laboratory(store, Catalogue(tmp_path, Daemon(), Drivers.find()), FixedClock(), "m.keeper")


def measure(lab, run, *, at_ns=T0, verification=None, anyway=(), **record):
    began = begin(run, record.pop("instrument", "rotor-1"))
    began = replace(began, run=replace(began.run, began_utc_ns=at_ns, **record), anyway=anyway)
    concluded = replace(conclude(run, result_id=f"r-{run}", verification=verification), utc_ns=at_ns + 60 * 10**9)
    for step in (began, concluded, end(run)):
        lab.store.submit(step).result(10)


def verify(lab, run, *, at_ns, passed, geometry="g"):
    detail = AuditedVerification(
        run=run, result=f"r-{run}", passed=passed, condition="as_found", fluid="reference-b", lot="1", certificate="c",
        geometry=geometry, geometry_serial="", serial="", levels=(), results_in_doubt=0,
    )  # fmt: skip
    measure(lab, run, at_ns=at_ns, verification=encode(detail), lot="", sample="reference-b")


def corrected(lab, run, state="corrected"):
    with lab.reader() as reader:
        stored = reader.run(run)
    declared = {name: getattr(stored, name) for name in DECLARED}
    record = Declaration(
        id=run,
        state=state,
        changes=(Corrected(name="lot", before="L6", after="L7"),),
        result="r",
        supersedes="s",
        **declared,
    )
    lab.change(new(record, "run_corrected"), because="mistyped")


def test_a_case_has_attempts_corrections_verifications_around_them_and_documents(lab, tmp_path, capsys):
    verify(lab, "v-0", at_ns=T0 - 3 * DAY, passed=False)
    verify(lab, "v-1", at_ns=T0 - 2 * DAY, passed=True)
    measure(lab, "a", replicate=1)
    verify(lab, "v-2", at_ns=T0 + DAY, passed=True)
    measure(lab, "b", at_ns=T0 + 2 * DAY, replicate=2)
    measure(lab, "other", lot="L9")
    verify(lab, "v-3", at_ns=T0 + 3 * DAY, passed=False)
    verify(lab, "v-4", at_ns=T0 + 4 * DAY, passed=True)
    corrected(lab, "a")
    carry_out(lab, "sample_add", {"id": "GL-0413", "lot": "L7"})
    carry_out(lab, "note_add", {"run": "b", "text": "a lump"})
    carry_out(lab, "transcribe", {"sample": "GL-0413", "test": "flow cup", "value": "34.5 s"})
    carry_out(at(lab, "second"), "transcribe_confirm", {"sample": "GL-0413", "test": "flow cup", "value": "34.5 s"})
    for kind, ident, data, keys in (
        ("report", "rep-1", {"form": "certificate", "state": "released"}, [("run", "b"), ("sample", "GL-0412")]),
        ("reportable", "GL-0412/m", {}, [("sample", "GL-0412")]),
        ("signature", "s-1", {"meaning": "released"}, [("reportable", "GL-0412/m")]),
        ("signature", "s-2", {"meaning": "measured"}, [("run", "other")]),
        ("checklist", "a", {"before": [{"code": "clean", "how": "skipped"}]}, []),
        (
            "equipment",
            "rotor-1",
            {"piece": "rotor-1", "part": "instrument", "id": "rotor-1", "out_of_service": "bent"},
            [("piece", "rotor-1"), ("listed", "rotor-1")],
        ),
    ):
        lab.change(Change(kind, ident, f"{kind}_added", data, keys))
    with lab.reader() as reader:
        found = case_of(reader, "L7").as_json()
    assert [r["run"] for r in found["runs"]] == ["a", "b"]
    assert [s["id"] for s in found["samples"]] == ["GL-0413", "GL-0412"]
    assert [c["changes"][0]["after"] for c in found["runs"][0]["corrections"]] == ["L7"]
    assert [n["text"] for n in found["runs"][1]["notes"]] == ["a lump"]
    (bench,) = found["instruments"]
    assert (bench["verification_before"]["run"], bench["verification_after"]["run"]) == ("v-1", "v-3")
    assert [v["run"] for v in bench["verifications_between"]] == ["v-2"]
    assert [e["out_of_service"] for e in bench["equipment"]] == ["bent"]
    assert [d["id"] for d in found["documents"]] == ["rep-1", "GL-0412/m", "s-1", "a"]
    assert [t["origin"] for t in found["transcribed"]] == ["transcribed"]
    with lab.reader() as reader, pytest.raises(SettingError, match="no sample and no run has the lot 'none'"):
        case_of(reader, "none")
    lab.store.close()
    (tmp_path / "daq.db").chmod(0o600)
    assert main(["--state", str(tmp_path), "case", "L7"]) == 0
    text = capsys.readouterr().out
    for words in (
        "verification before the first run",
        "FAILED",
        "report rep-1",
        "a lump",
        "not measured by an instrument",
    ):
        assert words in text
    assert main(["--state", str(tmp_path), "case", "L7", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == found


def test_the_case_names_the_verification_that_put_a_run_in_doubt_behind_passes_of_other_geometries(
    lab, tmp_path, capsys
):
    """The first verification after the run passed, with another geometry; the one that failed came later."""
    measure(lab, "a")
    verify(lab, "v-1", at_ns=T0 + DAY, passed=True, geometry="other")
    verify(lab, "v-2", at_ns=T0 + 2 * DAY, passed=False)
    measure(lab, "b", at_ns=T0 + 3 * DAY, lot="L8")
    with lab.reader() as reader:
        (one,) = case_of(reader, "L7").as_json()["runs"]
        (later,) = case_of(reader, "L8").as_json()["runs"]
    assert [(d["code"], d["parameters"]["verification"]) for d in one["doubts"]] == [
        ("verification_failed_after", "v-2")
    ]
    assert later["doubts"] == []
    lab.store.close()
    (tmp_path / "daq.db").chmod(0o600)
    assert main(["--state", str(tmp_path), "case", "L7"]) == 0
    assert "in doubt: the verification v-2 of rotor-1 failed after it" in " ".join(capsys.readouterr().out.split())


def test_the_case_has_the_calibrations_of_the_companions_of_its_runs(lab):
    measure(lab, "a", companions=("thermo-1",))
    measure(lab, "b", at_ns=T0 + DAY, companions=("thermo-2",), lot="L8")
    for piece in ("thermo-1/probe", "thermo-2/probe", "rotor-1"):
        data = {"piece": piece, "part": "probe", "id": piece, "out_of_service": "drifts"}
        lab.change(Change("equipment", piece, "equipment_added", data, [("piece", piece), ("listed", piece)]))
    with lab.reader() as reader:
        found = {lot: case_of(reader, lot).instruments for lot in ("L7", "L8")}
    pieces = {lot: [e["piece"] for i in instruments for e in i.equipment] for lot, instruments in found.items()}
    assert pieces == {"L7": ["rotor-1", "thermo-1/probe"], "L8": ["rotor-1", "thermo-2/probe"]}


def test_the_case_of_a_lot_names_the_runs_that_a_correction_gave_to_another_lot(lab, tmp_path, capsys):
    """Messages and certificates about such a run named this lot."""
    measure(lab, "a", lot="L6")
    lab.change(Change("report", "rep-1", "report_made", {"form": "certificate", "state": "withdrawn"}, [("run", "a")]))
    with lab.reader() as reader:
        before = case_of(reader, "L6").as_json()
    assert ([r["run"] for r in before["runs"]], before["moved"]) == (["a"], [])
    with lab.reader() as reader:
        stored = reader.run("a")
    declared = {name: getattr(stored, name) for name in DECLARED} | {"lot": "L7"}
    change = (Corrected(name="lot", before="L6", after="L7"),)
    record = Declaration(id="a", changes=change, result="r", supersedes="s", **declared)
    lab.change(new(record, "run_corrected"), because="mistyped")
    with lab.reader() as reader:
        found = case_of(reader, "L6").as_json()
        assert [r["run"] for r in case_of(reader, "L7").as_json()["runs"]] == ["a"]
        assert case_of(reader, "L6", until_utc_ns=T0 - 1).moved == ()
    assert (found["runs"], [r["run"] for r in found["moved"]]) == ([], ["a"])
    assert found["moved"][0]["corrections"][0]["changes"][0]["after"] == "L7"
    assert [d["id"] for d in found["documents"]] == ["rep-1"]
    lab.store.close()
    (tmp_path / "daq.db").chmod(0o600)
    assert main(["--state", str(tmp_path), "case", "L6"]) == 0
    assert "as a run of this lot, is one of lot L7 now" in capsys.readouterr().out


def test_skipped_items_of_the_start_of_a_shift_count_once_a_bench_and_day(lab):
    """Each checklist of a shift repeats the list of its start; 3 benches and days with 1 to 3 runs each."""
    first, _ = span_of_month(MONTH)
    day_ns, number = 24 * 3600 * 10**9, 0
    for bench in ("cup-1", "rotor-1", "rotor-2"):
        for day in range(3):
            for run in range(day + 1):
                number += 1
                at_ns = first + day * day_ns + (6 + run) * 3600 * 10**9
                measure(lab, f"run-{number}", at_ns=at_ns, instrument=bench, operator="a")
                lists = {
                    "opening": [{"code": "level", "how": "skipped"}],
                    "before": [{"code": "clean", "how": "skipped"}],
                }
                lab.change(Change("checklist", f"run-{number}", "checklist_added", lists | {"bench": bench}))
    with lab.reader() as reader:
        found = review(reader, MONTH)
    assert {r.instrument: r.skipped_checks for r in found.rows} == dict.fromkeys(("cup-1", "rotor-1", "rotor-2"), 3 + 6)


def test_a_month_is_counted_by_bench_and_person(lab, tmp_path, capsys):
    """Generated months: the sums are those of the events, and no run of another month is counted."""
    rng = random.Random(12)
    first, last = span_of_month(MONTH)
    wanted = Counter()
    for number in range(30):
        run, bench, person = f"run-{number}", rng.choice(["rotor-1", "cup-1"]), rng.choice(["a", "b", "c"])
        inside = rng.random() < 0.8
        at_ns = rng.choice([first, last, rng.randrange(first, last)]) if inside else rng.choice([first - 1, last + 1])
        replicate, anyway = rng.choice([1, 1, 2]), rng.choice([(), ("other speed",)])
        attribution = rng.choice(["unattributed", "not_authorised"])
        measure(
            lab, run, at_ns=at_ns, instrument=bench, operator=person, replicate=replicate, anyway=anyway,
            attribution=attribution, sample=f"S-{number}",
        )  # fmt: skip
        state = rng.choice(["", "corrected", "annulled"])
        if state:
            corrected(lab, run, state)
        skipped = rng.randrange(3)
        items = [{"code": str(n), "how": "skipped"} for n in range(skipped)] + [{"code": "x", "how": "measured"}]
        asked = rng.random() < 0.7
        if asked:
            lab.change(Change("checklist", run, "checklist_added", {"before": items, "bench": bench}))
        if inside:
            wanted += Counter(
                {
                    (bench, person, "runs"): 1,
                    (bench, person, "repeats"): int(replicate > 1),
                    (bench, person, state): 1,
                    (bench, person, "anyway"): len(anyway),
                    (bench, person, "skipped_checks"): skipped * asked,
                    (bench, person, "without_checklist"): int(not asked),
                    (bench, person, "not_authorised"): int(attribution == "not_authorised"),
                }
            )
    with lab.reader() as reader:
        found = review(reader, MONTH)
    counted = {(r.instrument, r.person, n): getattr(r, n) for r in found.rows for n in COUNTED if getattr(r, n)}
    assert counted == {k: n for k, n in wanted.items() if k[2] and n}
    assert found.total.runs == sum(n for k, n in wanted.items() if k[2] == "runs")
    lab.store.close()
    assert main(["--state", str(tmp_path), "review", MONTH]) == 0
    text = capsys.readouterr().out
    assert "skipped checks" in text
    assert "without checklist" in text
    assert main(["--state", str(tmp_path), "review", MONTH, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["total"]["runs"] == found.total.runs


def test_mismatches_of_transcribed_values_are_counted(lab):
    lab.clock.now = span_of_month(MONTH)[0]
    order = {"sample": "G-1", "test": "flow cup", "value": "34.5 s"}
    carry_out(lab, "transcribe", order)
    with pytest.raises(SettingError):
        carry_out(at(lab, "second"), "transcribe_confirm", order | {"value": "35 s"})
    with lab.reader() as reader:
        assert review(reader, MONTH).mismatches == 1
        assert review(reader, "2025-11").transcribed == ()


@pytest.mark.parametrize("month", ["", "2025", "2025-13", "2025-1", "0000-01", "9999-12", "november"])
def test_what_is_no_month_is_refused(month):
    with pytest.raises(SettingError, match="is no month"):
        span_of_month(month)


def test_months_follow_each_other_without_a_gap():
    months = [f"{y}-{m:02d}" for y in (2024, 2025) for m in range(1, 13)]
    spans = [span_of_month(month) for month in months]
    assert all(b == a + 1 for (_, a), (b, _) in itertools.pairwise(spans))
