"""`daq sample` without a daemon; `test_daemon` has the way through one.  Every command that takes a run takes a sample."""

import csv
import io
import json
import shutil

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.daemon.continuity import continue_numbers
from daq.app.laboratory.named_runs import find_run, find_runs
from daq.core.errors import SettingError
from tests.cli.conftest import HOSTILE
from tests.support.runs.stored import T0
from tests.support.runs.virtual_bench import StoredBench


@pytest.fixture
def sample(cli, tmp_path):
    """Run `daq sample` on an empty state directory, or on another one."""

    def run(*args, state=tmp_path / "state", code=0):
        done = cli("--state", state, "sample", *args)
        assert done.returncode == code, done.stderr
        return done.stdout if not code else done.stderr

    return run


@pytest.mark.slow
def test_samples_are_added_listed_and_cancelled(sample):
    sample("add", "G-1042", "--product", "clear-glaze", "--lot", "2211")
    done = sample("add", "G-1043", "--rework-of", "G-1042", "--added", "200 mL water")
    assert done == "sample G-1043 is added\n"
    listed = json.loads(sample("list", "--json"))
    assert [(s["id"], s["rework"]) for s in listed] == [
        ("G-1042", None),
        ("G-1043", {"of": "G-1042", "added": "200 mL water"}),
    ]
    sample("cancel", "G-1042", "--because", "spilled")
    assert "G-1042" not in sample("list").replace("rework", "")
    shown = sample("show", "G-1042")
    assert "state: cancelled" in shown
    assert "because spilled" in shown
    assert "reworked as: G-1043, added 200 mL water" in shown
    sample("add", "G-1042", code=2)
    assert sample("again", "G-1042", "--because", "found") == "sample G-1042 is open again\n"
    assert "G-1042" in sample("list")


@pytest.mark.slow
def test_a_change_and_a_retained_part(sample):
    sample("add", "G-1", "--retain", "shelf 3", "--discard", "2020-01-31", "--due", "2020-01-31T08:00")
    assert " late" in sample("list")
    due = sample("list", "--discard-due")
    assert due.splitlines()[-1].split() == ["G-1", "shelf", "3", "2020-01-31"]
    sample("change", "G-1", "--discard", "2999-01-31", "--because", "complaint")
    assert sample("list", "--discard-due") == "no retained part is due to be discarded\n"
    sample("change", "G-1", "--discarded", "--because", "discarded")
    assert json.loads(sample("show", "G-1", "--json"))["retained"] is None
    assert "--retain" in sample("add", "G-2", "--discard", "2020-01-31", code=2)


@pytest.mark.slow
def test_a_file_is_imported_after_a_preview_and_exported_as_it_was(sample, tmp_path):
    file = tmp_path / "samples.csv"
    file.write_bytes("\ufeffid;product;remark\r\nG-1001;clear-glaze;=1+1\r\nG-2;engobe;klebt ä\r\n".encode())
    preview = sample("import", file, "--preview")
    assert preview.splitlines()[-1] == "nothing is stored; without --preview 2 samples would be added"
    assert sample("list") == "no open samples\n"
    assert sample("import", file) == "2 samples added\n"
    found = list(csv.DictReader(io.StringIO(sample("export"))))
    assert [(r["id"], r["product"], r["remark"], r["state"]) for r in found] == [
        ("G-1001", "clear-glaze", "'=1+1", "open"),
        ("G-2", "engobe", "klebt ä", "open"),
    ]
    assert [s["remark"] for s in json.loads(sample("export", "--format", "json"))] == ["=1+1", "klebt ä"]
    out = tmp_path / "all.csv"
    assert sample("export", "-o", out) == f"2 samples written to {out}\n"
    assert "exists already" in sample("export", "-o", out, code=2)
    assert sample("import", out, state=tmp_path / "other") == "2 samples added\n"
    assert json.loads(sample("export", "--format", "json", state=tmp_path / "other"))[0]["remark"] == "=1+1"
    again = sample("import", out, code=2)
    assert again.count("exists already") + again.count("already; give this one another id") == 2
    file.write_bytes(b"id\nG-\xff\n")
    assert f"{file}: line 2: is not UTF-8 text" in sample("import", file, code=2)


def test_a_label_is_drawn_into_a_new_file(sample, tmp_path):
    sample("add", "G-1")
    file = tmp_path / "label.svg"
    assert sample("label", "G-1", "--svg", file) == f"label drawn into {file}\n"
    assert file.read_text().startswith("<svg ")
    assert "exists already" in sample("label", "G-1", "--svg", file, code=2)
    assert "there is no sample 'G-2'" in sample("label", "G-2", "--svg", tmp_path / "b.svg", code=2)


# ---- every command that takes a run takes a sample


@pytest.fixture(scope="module")
def measured_twice(tmp_path_factory):
    bench = StoredBench(tmp_path_factory.mktemp("twice") / "state")
    first = bench.measure("G-1", fill="a")
    only = bench.measure("G-2")
    second = bench.measure("G-1", fill="b")
    # A sample whose id is the beginning of the id of another sample's run.
    like_a_run = bench.measure(only[:4], fill="c")
    return bench, first, second, only, like_a_run


@pytest.mark.slow
def test_a_mistyped_id_is_refused_with_the_pattern_of_its_product(sample, tmp_path):
    for wrong in ("G-10422", "G1042", "g-1042", "G-104x"):
        assert f"{wrong!r} is no id of a sample of clear-glaze: its ids are G-####" in sample(
            "add", wrong, "--product", "clear-glaze", code=2
        )
    (tmp_path / "s.csv").write_text("id,product\nG-1042,clear-glaze\nG-10423,clear-glaze\n")
    assert "line 3, column id: 'G-10423' is no id" in sample("import", tmp_path / "s.csv", code=2)
    sample("add", "G-10422")
    assert "G-####" in sample("change", "G-10422", "--product", "clear-glaze", "--because", "x", code=2)


@pytest.fixture
def twice(measured_twice, tmp_path):
    bench, *runs = measured_twice
    shutil.copytree(bench.state, tmp_path / "state")
    return runs


@pytest.mark.slow
def test_a_sample_with_one_run_is_that_run_in_every_command(cli, sample, twice, tmp_path):
    _, _, only, _ = twice
    state = tmp_path / "state"
    for args in (("show", "--json"), ("export",), ("export", "--what", "kept", "--format", "json"), ("replay",)):
        by_sample = cli("--state", state, args[0], "G-2", *args[1:])
        by_run = cli("--state", state, args[0], only, *args[1:])
        assert by_sample.returncode == 0, by_sample.stderr
        assert by_sample.stdout == by_run.stdout
    assert only[:8] in cli("--state", state, "reportable", "G-2").stdout


@pytest.mark.slow
def test_a_sample_with_several_runs_lists_them_newest_first(cli, sample, twice, tmp_path):
    first, second, _, _ = twice
    state = tmp_path / "state"
    assert [r["run"] for r in json.loads(cli("--state", state, "show", "G-1", "--json").stdout)] == [second, first]
    shown = cli("--state", state, "show", "G-1").stdout
    assert shown.index(second[:8]) < shown.index(first[:8])
    for command in ("export", "replay"):
        done = cli("--state", state, command, "G-1")
        assert done.returncode == 2
        assert "sample 'G-1' has 2 runs" in done.stderr
        assert done.stderr.index(second[:8]) < done.stderr.index(first[:8])
    sample("add", "G-1", "--product", "engobe")
    shown = json.loads(sample("show", "G-1", "--json"))
    assert [r["run"] for r in shown["runs"]] == [second, first]
    assert "cannot change, because sample 'G-1' has runs" in sample(
        "change", "G-1", "--product", "thin-slip", "--because", "x", code=2
    )


def test_a_sample_that_looks_like_the_beginning_of_a_run_is_found_by_its_name(sample, twice, tmp_path):
    first, _, only, like_a_run = twice
    with Reader(database_path(tmp_path / "state")) as reader:
        assert find_run(reader, only[:4]).id == like_a_run
        assert find_run(reader, only[:5]).id == only
        assert find_run(reader, only).id == only
        assert find_run(reader, only.upper()).id == only
        assert find_run(reader, "last").id == like_a_run
    # A sample without a run is not taken for the run of another sample.
    sample("add", first[:6])
    with Reader(database_path(tmp_path / "state")) as reader:
        with pytest.raises(SettingError, match="has no run yet"):
            find_runs(reader, first[:6])
        assert find_run(reader, first[:7]).id == first
        for given in ("", "G-9", "%", "_", "G"):
            with pytest.raises(SettingError, match="there is no run"):
                find_runs(reader, given)


def test_a_hostile_sample_is_found_by_its_name(cli, shift):
    assert json.loads(cli("--state", shift.state, "show", HOSTILE, "--json").stdout)["run"]["id"] == shift.outside


def test_what_was_stored_before_the_first_start_of_the_daemon_is_no_database_put_back(sample, tmp_path):
    sample("add", "G-1042")
    path = database_path(tmp_path / "state")
    with Store(path) as store:
        continue_numbers(store, T0)
        assert store.epoch == 1
    sample("cancel", "G-1042", "--because", "spilled")
    with Store(path) as store:
        continue_numbers(store, T0)
        assert store.epoch == 1
