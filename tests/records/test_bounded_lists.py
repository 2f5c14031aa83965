"""A list with a bound says that it was cut, and going on from there shows every row once; no number is of the rows."""

import csv
import io
import json
import random
import time

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangeRecords
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.cli.records import verification
from daq.app.daemon.queries.asked import MOST_ROWS
from daq.app.daemon.queries.query import Sources
from daq.app.daemon.queries.registry import QUERIES
from daq.app.laboratory.equipment import monthly
from daq.app.laboratory.equipment.casefile import case_of
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.lists.sample_lists import worklist
from daq.app.laboratory.signing.signing_list import Asked, signing_list
from daq.app.records.searching import ALL, RunSearch, search
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import not_confirmed
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.samples import Sample
from daq.laboratory.transcribed import Transcribed
from tests.support.runs.archived import works
from tests.support.runs.searched import make_searched
from tests.support.runs.stored import T0
from tests.support.runs.virtual_bench import StoredBench
from tests.support.signed_laboratories import verify

SAMPLES = 30


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    """Runs of a night and a day, open samples on two lists, and values that wait for a second person."""
    folder = tmp_path_factory.mktemp("bounded")
    make_searched(folder / "daq.db", 120, seed=11)
    rng = random.Random(11)
    dues = ["", "2026-11-26T10:00+01:00", "2026-11-26T09:30+00:00", "2026-11-26T09:10+00:00"]
    samples = [
        Sample(
            id=f"S-{n}",
            lot="L-9",
            bench=rng.choice(["", "rotor-1"]),
            priority=rng.randrange(1, 4),
            due=rng.choice(dues),
        )
        for n in range(SAMPLES)
    ]
    read = [
        Transcribed(
            id=f"t-{n}", sample=f"S-{n}", test="cup", value=1.0, unit="s", as_typed="1 s", read_utc_ns=T0, first="a"
        )
        for n in range(SAMPLES)
    ]
    with Store(folder / "daq.db") as store:
        changes = tuple(new(r, "added") for r in (*samples, *read))
        store.submit(ChangeRecords(changes, T0, "m.keeper")).result(20)
    return folder


@pytest.fixture
def reader(state):
    with Reader(state / "daq.db") as opened:
        yield opened


def names(found):
    """Return the ids of the runs of a list to sign, without the number of those that are signed."""
    assert found.signed == 0
    return {*(s.id for s in found.to_sign), *(s.id for s, _ in found.left_out), *found.without_result}


@pytest.mark.parametrize("limit", [17, 119, 120, 121])
def test_each_run_is_on_one_page_of_what_is_to_sign(reader, limit):
    catalogue, until, found = Catalogue.load(examples_dir()), None, set()
    every = search(reader, RunSearch(), most=ALL).runs
    assert len(every) == 120
    pages = []
    while not pages or pages[-1].reached_utc_ns is not None:
        asked = Asked(meaning="measured", person=None, until_utc_ns=until, limit=limit)
        pages.append(signing_list(Releases(reader), catalogue, asked))
        until = pages[-1].reached_utc_ns
        assert len(names(pages[-1])) <= limit
        found |= names(pages[-1])
    assert found == {run.id for run in every}
    assert (len(pages) == 1) == (limit >= len(every))


@pytest.mark.parametrize("lot", ["L-1"])
def test_each_run_of_a_lot_is_on_one_page_of_its_case(reader, lot):
    every = {run.id for run in search(reader, RunSearch(lot=lot), most=ALL).runs}
    count = len(every)
    assert count > 12
    for limit in (9, count - 1, count, count + 1, -1):
        until, found, pages = None, set(), []
        while not pages or pages[-1].examined_from_utc_ns is not None:
            pages.append(case_of(reader, lot, limit=limit, until_utc_ns=until))
            until = pages[-1].examined_from_utc_ns
            found |= {r.run.run for r in pages[-1].runs}
        assert found == every
        assert (len(pages) == 1) == (limit < 0 or limit >= count)
    assert case_of(reader, lot, until_utc_ns=1).runs == ()


def test_a_worklist_is_in_order_before_it_is_cut(reader):
    whole = [k.record.id for k in worklist(reader, "rotor-1", limit=10**6)]
    assert len(whole) == SAMPLES
    for limit in (1, 7, SAMPLES - 1, SAMPLES, SAMPLES + 1):
        assert [k.record.id for k in worklist(reader, "rotor-1", limit=limit)] == whole[:limit]
    fit = [k.record.id for k in worklist(reader, "rotor-1", limit=5, suits=lambda s: s.id > "S-2")]
    assert fit == [i for i in whole if i > "S-2" or reader_bench(reader, i)][:5]


def reader_bench(reader, ident):
    """Return the bench on whose list a sample is."""
    (row,) = reader.query("SELECT data FROM records WHERE kind = 'sample' AND id = ?", [ident])
    return json.loads(row["data"])["bench"]


@pytest.mark.parametrize("words", [("sample", "list"), ("sample", "list", "--all"), ("transcribe",), ("handover",)])
def test_a_command_says_that_its_list_is_cut(state, capsys, words):
    assert main(["--state", str(state), *words, "--limit", "100000", "--json"]) == 0
    count = len(json.loads(capsys.readouterr().out))
    assert count == SAMPLES or (count > 3 and "--all" not in words)
    for limit in (count - 1, count, count + 1):
        assert main(["--state", str(state), *words, "--limit", str(limit), "--json"]) == 0
        out = capsys.readouterr()
        assert len(json.loads(out.out)) == min(limit, count)
        assert out.err == (
            f"daq: there are more than {limit}; the others are not listed: go on with a greater --limit\n"
            if limit < count
            else ""
        )


def test_values_that_wait_have_a_bound(reader):
    assert [len(not_confirmed(reader, limit=n)) for n in (1, SAMPLES, SAMPLES + 1)] == [1, SAMPLES, SAMPLES]


def test_the_sheet_of_a_day_and_the_review_of_a_month_count_all_values_that_they_cut(reader, monkeypatch):
    for limit in (1, SAMPLES - 1, SAMPLES, SAMPLES + 1, -1):
        sheet = day_sheet(reader, T0 - 1, T0 + 1, limit=limit)
        assert len(sheet.transcribed) == (SAMPLES if limit < 0 else min(limit, SAMPLES))
        assert sheet.transcribed_count == sheet.as_json()["transcribed_count"] == SAMPLES
    assert day_sheet(reader, T0 + 1, T0 + 2).transcribed_count == 0
    for limit in (1, SAMPLES - 1, SAMPLES + 1):
        monkeypatch.setattr(monthly, "LISTED", limit)
        found = monthly.review(reader, time.strftime("%Y-%m", time.localtime(T0 / 1e9)))
        assert (len(found.transcribed), found.transcribed_count) == (min(limit, SAMPLES), SAMPLES)


def test_the_case_of_a_lot_counts_all_samples_that_it_cuts(state, reader, capsys):
    for limit in (1, SAMPLES - 1, SAMPLES, SAMPLES + 1, -1):
        case = case_of(reader, "L-9", limit=limit)
        assert len(case.samples) + case.more_samples == SAMPLES
        assert len(case.samples) == (SAMPLES if limit < 0 else min(limit, SAMPLES))
    assert main(["--state", str(state), "case", "L-9", "--limit", "4"]) == 0
    out = capsys.readouterr().out
    assert "lot L-9: 30 samples" in out
    assert "26 of the samples, and what is about them, are left out: go on with a greater --limit" in out


@pytest.mark.parametrize(("name", "count"), [("runs_csv", 120), ("samples_csv", SAMPLES)])
def test_a_csv_file_that_is_cut_states_it(reader, name, count):
    query = QUERIES[name]
    sources = Sources(reader, T0, None)
    for limit in (1, count - 1, count, count + 1, MOST_ROWS):
        found = query.answer(sources, query.asked(limit=limit))
        rows = list(csv.reader(io.StringIO(found["csv"])))[1:]
        assert found["is_cut"] == (limit < count)
        assert len(rows) == min(limit, count) + found["is_cut"]
        assert rows[-1][0].startswith("NOT ALL: ") == found["is_cut"]


def test_the_results_that_a_failed_verification_affects_are_counted_where_they_are_cut(tmp_path, capsys, monkeypatch):
    bench = StoredBench(tmp_path / "state")
    runs = [bench.measure(f"G-{n}") for n in range(4)]
    with works(tmp_path / "state") as lab:
        verify(lab.store, "v1", passed=False)
    command = ["--state", str(tmp_path / "state"), "verification", "bench-1"]
    for most in range(1, 6):
        monkeypatch.setattr(verification, "IN_DOUBT", most)
        assert main(command) == 0
        out = capsys.readouterr().out
        assert [run for run in runs if run[:8] in out] == runs[-most:]
        left = max(0, len(runs) - most)
        assert (f"and {left} results before them: daq affected v1, or --json" in out) == (left > 0)
    assert main([*command, "--json"]) == 0
    ((found,),) = [json.loads(capsys.readouterr().out)]
    assert [r["run"] for r in found["failure"]["results"]] == runs
