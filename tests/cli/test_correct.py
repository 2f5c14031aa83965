"""`daq correct`, `daq annul` and `daq note` without a daemon; `test_daemon` has the way through one."""

import json

import pytest


def listed(cli, state, sample):
    return json.loads(cli("--state", state, "runs", "--sample", sample, "--json").stdout)


@pytest.mark.slow
def test_a_mistyped_sample_is_found_under_its_new_id_and_marked(cli, shift):
    run = shift.within
    done = cli("--state", shift.state, "correct", run[:8], "--sample", "G-1O41", "--because", "mistyped")
    assert done.returncode == 0, done.stderr
    assert "sample: G-1041 -> G-1O41" in done.stdout
    assert "changed with it: reportable" in done.stdout
    assert listed(cli, shift.state, "G-1041") == []
    (entry,) = listed(cli, shift.state, "G-1O41")
    assert (entry["run"], entry["corrected"], entry["annulled"]) == (run, True, False)
    assert "corrected" in cli("--state", shift.state, "runs", "--sample", "G-1O41").stdout
    shown = cli("--state", shift.state, "show", run).stdout
    assert "sample G-1O41" in shown
    assert "corrected once; this is the newest result" in shown
    assert "sample G-1041 to G-1O41; because mistyped" in shown
    assert cli("--state", shift.state, "reportable", "G-1O41").returncode == 0
    left = cli("--state", shift.state, "reportable", "G-1041")
    assert "a correction gave it to sample G-1O41: mistyped" in left.stdout
    exported = json.loads(cli("--state", shift.state, "export", run, "--what", "kept", "--format", "json").stdout)
    assert exported["about"]["sample"] == "G-1O41"
    for command in ("replay", "verify"):
        assert cli("--state", shift.state, command, *([run] if command == "replay" else [])).returncode == 0


@pytest.mark.slow
def test_a_corrected_geometry_changes_the_value_everywhere(cli, shift):
    run, where = shift.within, ("--state", shift.state)
    before = listed(cli, shift.state, "G-1041")[0]["value"]
    done = cli(*where, "correct", run, "--geometry", "coaxial-15", "--because", "the other cylinder was fitted")
    assert done.returncode == 0, done.stderr
    assert "changed with it: value" in done.stdout
    after = listed(cli, shift.state, "G-1041")[0]["value"]
    assert after != before
    shown = json.loads(cli(*where, "show", run, "--json").stdout)
    assert (shown["result"]["value"], shown["disagreements"]) == (after, [])
    assert shown["kept"][-1]["summaries"]["viscosity"]["mean"] == after
    rows = json.loads(cli(*where, "export", run, "--what", "kept", "--format", "json").stdout)
    column = rows["columns"].index("viscosity mean [mPa.s]")
    assert rows["rows"][-1][column] == after
    readings = json.loads(cli(*where, "export", run, "--format", "json").stdout)
    column = readings["columns"].index("viscosity [mPa.s]")
    values = sorted(r[column] for r in readings["rows"] if r[column])
    assert abs(values[len(values) // 2] / after - 1.0) < 0.05
    assert cli(*where, "replay", run).returncode == 0


def test_an_annulled_run_does_not_count_and_stays_visible(cli, shift):
    run, where = shift.within, ("--state", shift.state)
    assert cli(*where, "reportable", "G-1041").returncode == 0
    done = cli(*where, "annul", run, "--because", "spilled")
    assert done.returncode == 0, done.stderr
    (entry,) = listed(cli, shift.state, "G-1041")
    assert (entry["value"], entry["annulled"], entry["quality"]) == (None, True, "Bad")
    assert "annulled" in cli(*where, "runs").stdout
    assert "ANNULLED" in cli(*where, "show", run).stdout
    report = cli(*where, "reportable", "G-1041")
    assert report.returncode == 11
    assert "the run was annulled by" in " ".join(report.stdout.split())
    assert cli(*where, "correct", run, "--sample", "G-1", "--because", "x").returncode == 2


def test_notes_are_shown_and_exported(cli, shift):
    run, where = shift.within, ("--state", shift.state)
    assert cli(*where, "note", run[:8], "=a lump in the cup").returncode == 0
    assert ": =a lump in the cup" in cli(*where, "show", run).stdout
    out = cli(*where, "export", run, "--what", "notes").stdout.splitlines()
    assert out[0] == "utc,who,note"
    assert out[1].endswith(",'=a lump in the cup")


def test_a_correction_without_facts_or_of_a_superseded_result_is_refused(cli, shift):
    run, where = shift.within, ("--state", shift.state)
    nothing = cli(*where, "correct", run, "--because", "x")
    assert (nothing.returncode, "say what is to be corrected" in nothing.stderr) == (2, True)
    first = json.loads(cli(*where, "show", run, "--json").stdout)["results"][0]["id"]
    assert cli(*where, "correct", run, "--lot", "L1", "--because", "x").returncode == 0
    newest = json.loads(cli(*where, "show", run, "--json").stdout)["results"][-1]["id"]
    stale = cli(*where, "correct", run, "--lot", "L2", "--because", "x", "--result", first)
    assert stale.returncode == 2
    assert newest in stale.stderr
