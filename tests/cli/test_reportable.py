"""``daq reportable``: from the runs of a sample in a real database."""

import json
import re
import shutil

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from tests.support.runs.virtual_bench import StoredBench

RULE = '[replicates]\ncount = 2\nmost = 3\nrepeatability_limit = "10 mPa.s"\n\n[[limits]]'


@pytest.fixture
def lab(tmp_path):
    """A configuration with duplicate measurements of the clear glaze."""
    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    file = folder / "products" / "clear-glaze.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("[[limits]]", RULE, 1), encoding="utf-8")
    return folder


def test_duplicates_of_a_sample(cli, lab, tmp_path):
    bench = StoredBench(tmp_path / "state")
    bench.catalogue.products["clear-glaze"] = Catalogue.load(lab).product("clear-glaze")
    first = bench.measure("G-7", fill="F-1")
    where = ("--state", bench.state, "--config", lab)
    waiting = cli(*where, "reportable", "G-7")
    assert waiting.returncode == 11, waiting.stdout + waiting.stderr
    assert "not decided: 1 more valid, each on a fresh fill" in waiting.stdout

    again = bench.measure("G-7", fill="F-1", speed=10)
    other = bench.measure("G-7", fill="F-2", lot="L-2")
    done = cli(*where, "reportable", "G-7")
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"reportable viscosity = 80\d mPa·s ± \d+ mPa·s, mean of 2", done.stdout)
    assert "verdict: within (unrounded, simple acceptance; risk of false acceptance below 0.01 %)" in done.stdout
    assert f"{again[:8]}" in done.stdout
    report = json.loads(cli(*where, "reportable", "G-7", "--json").stdout)
    assert [(a["run"], a["counted"]) for a in report["attempts"]] == [(first, True), (again, False), (other, True)]
    assert [s["code"] for s in report["attempts"][1]["why"]] == ["fill_repeated"]
    values = [a["value"] for a in report["attempts"] if a["counted"]]
    assert report["value"] == pytest.approx(sum(values) / 2, rel=1e-12)


def test_a_sample_that_was_not_measured(cli, lab, shift):
    done = cli("--state", shift.state, "--config", lab, "reportable", "nothing")
    assert (done.returncode, "there is no run of sample 'nothing'" in done.stderr) == (2, True)


def test_without_a_rule_one_result_is_reported(cli, shift):
    done = cli("--state", shift.state, "reportable", "G-1041")
    assert done.returncode == 0, done.stderr
    assert "the first valid result; the product asks for no replicates" in done.stdout
    outside = cli("--state", shift.state, "reportable", "=cmd|' /C calc'!A0")
    assert outside.returncode == 10
