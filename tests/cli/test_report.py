"""`daq report`, `daq trace` and `--pdf` without a daemon."""

import json

import pytest


@pytest.mark.slow
def test_a_certificate_is_made_traced_and_withdrawn(cli, shift, tmp_path):
    run, where = shift.within, ("--state", shift.state)
    file = tmp_path / "G-1041.pdf"
    done = cli(*where, "report", "G-1041", "--certificate", "--customer", "Tile works", "-o", file)
    assert done.returncode == 0, done.stderr
    assert file.read_bytes().startswith(b"%PDF-")
    number = done.stdout.split("number ")[1].split()[0]
    for name in (file, number):
        traced = cli(*where, "trace", name)
        assert traced.returncode == 0, traced.stderr
        assert f"of run {run}, sample G-1041" in traced.stdout
    again = cli(*where, "report", "G-1041", "--certificate", "-o", file)
    assert (again.returncode, "exists already" in again.stderr) == (2, True)
    corrected = cli(*where, "correct", run, "--lot", "L9", "--because", "label of another bucket")
    assert f"certificate {number} is WITHDRAWN with it" in corrected.stdout
    traced = cli(*where, "trace", file)
    assert traced.returncode == 10
    assert traced.stdout.startswith("WITHDRAWN on ")
    assert "label of another bucket" in traced.stdout.splitlines()[0]
    shown = cli(*where, "show", run).stdout
    assert (
        f"(label of another bucket): Certificate of measurement, viscosity of sample G-1041, number {number}" in shown
    )
    (report,) = json.loads(cli(*where, "show", run, "--json").stdout)["reports"]
    assert (report["state"], report["number"]) == ("withdrawn", number)
    file.write_bytes(file.read_bytes() + b"\n")
    assert "the file was changed" in cli(*where, "trace", file).stderr
    assert cli(*where, "verify").returncode == 0


@pytest.mark.slow
def test_runs_sheets_and_charts_are_made(cli, shift, tmp_path):
    where = ("--state", shift.state)
    for name, words in {
        "run": ("report", shift.outside, "-o"),
        "off-range": ("report", shift.saturated, "-o"),
        "stopped": ("report", shift.stopped, "-o"),
        "day": ("day", "2025-11-24", "--pdf"),
        "chart": ("chart", "clear-glaze", "--pdf"),
    }.items():
        file = tmp_path / f"{name}.pdf"
        done = cli(*where, *words, file)
        assert done.returncode == 0 or name == "chart", done.stderr
        assert file.read_bytes().startswith(b"%PDF-")
        assert cli(*where, "trace", file).returncode == 0
    for run in (shift.saturated, shift.stopped):
        refused = cli(*where, "report", run, "--certificate", "-o", tmp_path / "none.pdf")
        assert (refused.returncode, "has no certificate" in refused.stderr) == (2, True)
    assert not (tmp_path / "none.pdf").exists()


@pytest.mark.slow
def test_a_decimal_comma_reads_back(cli, shift):
    where = ("--state", shift.state, "export", shift.within, "--what", "kept")
    points, commas = cli(*where).stdout.splitlines(), cli(*where, "--decimal", "comma").stdout.splitlines()
    assert [row.replace(",", ".").split(";") for row in commas[1:]] == [row.split(",") for row in points[1:]]
    refused = cli(*where, "--format", "json", "--decimal", "comma")
    assert (refused.returncode, "JSON has a point" in refused.stderr) == (2, True)
