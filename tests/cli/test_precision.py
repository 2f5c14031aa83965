"""`daq precision`: as text on terminals of two widths, as JSON, and its exit codes."""

import json

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.cli.records.precision import text_of
from daq.app.laboratory.lists.precision_study import precision_study
from daq.app.screens.styled_lines import NARROWEST
from daq.app.screens.text import width
from tests.support.runs.charted import Measured, make_charted

RUNS = [
    Measured("R-1", value, product="", instrument=bench, fill=f"{bench} {value}")
    for bench, value in (("bench-1", 800.0), ("bench-1", 804.0), ("bench-2", 810.0), ("bench-2", 814.0))
]


@pytest.fixture
def state(tmp_path):
    folder = tmp_path / "state"
    folder.mkdir(mode=0o700)
    make_charted(database_path(folder), [*RUNS, Measured("R-1", 1.0, product="", fill="bench-1 800.0")])
    return folder


def test_figures_of_a_sample(cli, state):
    done = cli("--state", state, "precision", "R-1")
    assert done.returncode == 0
    # s_r is the square root of 8, s_between^2 of (100 - 8)/2 = 46: arithmetic by hand.
    assert "repeatability standard deviation s_r = 2.83 mPa·s, limit r = 7.92 mPa·s" in done.stdout
    assert "between instruments s_R = 7.35 mPa·s, limit R = 20.6 mPa·s" in done.stdout
    assert "left out: run " in done.stdout
    found = json.loads(cli("--state", state, "precision", "R-1", "--json").stdout)
    assert found["found"]["s_R"] == pytest.approx(54**0.5)
    assert [(g["name"], g["mean"]) for g in found["groups"]] == [("bench-1", 802.0), ("bench-2", 812.0)]
    assert "asked for: all times" in done.stdout
    assert (found["period"]["since"], found["period"]["outside"]) == (None, 0)
    day = found["period"]["first"][:10]
    bounds = ("--since", f"{day}T00:00+00:00", "--until", found["period"]["first"])
    cut = cli("--state", state, "precision", "R-1", *bounds)
    assert (cut.returncode, "; asked for: since " in cut.stdout, "; 4 more outside" in cut.stdout) == (11, True, True)
    assert cli("--state", state, "precision", "R-1", "--since", "yesterday lunch").returncode == 2
    assert "none of the 5 runs" in cli("--state", state, "precision", "R-1", "--until", "2001-01-01").stderr
    assert cli("--state", state, "precision", "R-1", "--by", "operator").returncode == 11
    assert cli("--state", state, "precision", "R-2").returncode == 2


@pytest.mark.parametrize("columns", [NARROWEST, 80, 120, None])
@pytest.mark.parametrize("by", ["instrument", "operator", "day"])
def test_every_row_fits(state, by, columns):
    with Reader(database_path(state)) as reader:
        rows = text_of(precision_study(reader, "R-1", by), columns).splitlines()
    assert all(width(row) <= (columns or 10**6) and row.isprintable() for row in rows)
