"""`daq chart`: on terminals of two widths, as JSON and as SVG, with names from outside."""

import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import product_charts
from daq.app.screens.drawings.chart_svg import chart_svg
from daq.app.screens.drawings.chart_text import summary
from daq.app.screens.styled_lines import NARROWEST
from daq.app.screens.text import width
from daq.app.setup.catalogue import Catalogue
from tests.support.runs.charted import Measured, limited, make_charted, verified

HOSTILE = (
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "]]>&amp;",
    "\x1b[31mred\x1b[0m",
    "a\u202eb\x00",
    "瓶" * 40,
)
SHIFTED = 12


def runs(count=30, *, shifted=True):
    rng = np.random.default_rng(11)
    values = 800 + 10 * rng.standard_normal(count)
    if shifted:
        values[-SHIFTED:] += 60
    return [Measured(f"G-{i}", float(v), changes=limited(700, 900)) for i, v in enumerate(values)]


@pytest.fixture
def state(tmp_path):
    folder = tmp_path / "state"
    folder.mkdir(mode=0o700)
    return folder


def charts_of(folder, measured, last=20):
    path = make_charted(folder / "daq.db", measured)
    with Reader(path) as reader:
        return product_charts(reader, Catalogue.load(examples_dir()).product("clear-glaze"), last=last)


@pytest.mark.parametrize("columns", [NARROWEST, 80, 120, None])
@pytest.mark.parametrize("count", [0, 1, 2, 15, 60])
def test_every_row_fits_and_every_signal_has_its_sentence(tmp_path, columns, count):
    measured = [*runs(count, shifted=count > SHIFTED)]
    for i, name in enumerate(HOSTILE[: count // 2]):
        measured[-1 - i] = Measured(name, 700.0 + i, changes=limited(700, 900))
    charts = charts_of(tmp_path, measured, last=60)
    rows = summary(charts, columns, with_points=True)
    assert all(width(row) <= (columns or 10**6) for row in rows)
    assert all(row.isprintable() for row in rows)
    text = " ".join(" ".join(rows).split())
    assert sum(row.startswith("SIGNAL ") for row in rows) == sum(len(c.signals) for c in charts)
    assert ("X point of a signal" in text) == (count > 0)
    if count == 0:
        assert "no limits: 0 points; trial limits need at least 10" in text


@pytest.mark.parametrize("count", [0, 1, 2, 15, 60])
def test_the_drawing_is_xml_with_head_legend_and_sentences(tmp_path, count):
    measured = runs(count, shifted=count > SHIFTED)
    for i, name in enumerate(HOSTILE[: count // 2]):
        measured[-1 - i] = Measured(name, 700.0 + i, changes=limited(700, 900))
    (chart,) = charts_of(tmp_path, measured, last=60)
    drawn = chart_svg(chart)
    root = ET.fromstring(drawn)  # noqa: S314 - our own text
    space = "{http://www.w3.org/2000/svg}"
    texts = " ".join(t.text for t in root.iter(f"{space}text"))
    assert "product clear-glaze" in texts
    assert "legend: circle" in texts
    assert "script" not in {e.tag.removeprefix(space) for e in root.iter()}
    assert texts.count("SIGNAL ") == len(chart.signals)
    if count:
        assert ", mPa·s" in texts
        assert "+00:00" in texts or "-" in texts
        shapes = [e for e in root.iter() if e.tag in (f"{space}circle", f"{space}rect") and len(e)]
        assert len(shapes) == count
        squares = sum(e.tag == f"{space}rect" for e in shapes)
        assert squares == len({i for s in chart.signals for i in s.points})
    places = [float(v) for e in root.iter() for k, v in e.attrib.items() if k in ("x", "y", "cx", "cy")]
    assert all(-1.0 <= p <= 10_000.0 for p in places)


@pytest.mark.slow
def test_the_command_shows_draws_and_fixes(cli, state, tmp_path):
    make_charted(database_path(state), runs(40))
    where = ("--state", state, "chart", "clear-glaze")
    shown = cli(*where, "--last", 20)
    assert shown.returncode == 10, shown.stderr
    assert "trial limits, computed from the 20 points shown" in shown.stdout
    assert "2025-10-" in shown.stdout
    assert "+00:00" in shown.stdout

    fixed = cli(
        *where, "--last", 28, *[x for i in range(28, 40) for x in ("--without", f"G-{i}")], "--fix", "--because", "calm"
    )
    assert (fixed.returncode, "fixed from 28 points" in fixed.stdout) == (0, True), fixed.stderr
    found = json.loads(cli(*where, "--json").stdout)
    assert found[0]["limits"]["fixed"] is True
    assert "because calm" in found[0]["origin"][0]["text"]
    last = found[0]["points"][-1]
    # T0 of the stored runs is 2025-10-09 08:53:20 UTC; the 40th run started 39 h later.
    assert (last["name"], last["started"], last["simulated"]) == ("G-39", "2025-10-10T23:53:20.000Z", False)
    signals = {s["code"] for s in found[0]["signals"]}
    assert "chart_one_beyond_3s_high" in signals
    assert found[0]["capability"]["indices"][0]["name"] == "Pp"

    file = tmp_path / "chart.svg"
    assert cli(*where, "--svg", file).returncode == 10
    ET.fromstring(file.read_text(encoding="utf-8"))  # noqa: S314 - our own text
    again = cli(*where, "--svg", file)
    assert (again.returncode, "exists already" in again.stderr) == (2, True)


@pytest.mark.slow
def test_the_command_charts_verifications(cli, state):
    rng = np.random.default_rng(2)
    measured = [Measured(f"V-{i}", 1.0, changes=verified(float(rng.normal(0.1, 0.05)), 0.2)) for i in range(12)]
    make_charted(database_path(state), measured)
    where = ("--state", state, "chart", "--verification", "house-fluid", "--instrument", "bench-1")
    shown = cli(*where)
    assert "deviation level-1, %" in shown.stdout, shown.stderr
    assert "all points are equal" in shown.stdout
    one = json.loads(cli(*where, "--quantity", "deviation level-2", "--json").stdout)
    assert [c["quantity"] for c in one] == ["deviation level-2"]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ([], "name a product, or a fluid"),
        (["clear-glaze", "--verification", "f", "--instrument", "b"], "name a product, or a fluid"),
        (["--verification", "f"], "go together"),
        (["clear-glaze", "--instrument", "b"], "go together"),
        (["clear-glaze", "--last", "0"], "from 1 to 1000"),
        (["clear-glaze", "--last", "1001"], "from 1 to 1000"),
        (["clear-glaze", "--fix"], "limits are fixed with a reason"),
        (["clear-glaze", "--because", "x"], "limits are fixed with a reason"),
        (["clear-glase"], "did you mean 'clear-glaze'"),
    ],
)
def test_wrong_orders_are_refused_by_name(cli, state, given, expected):
    make_charted(database_path(state), runs(3))
    done = cli("--state", state, "chart", *given)
    assert (done.returncode, expected in done.stderr) == (2, True), done.stderr


def test_a_product_without_points_has_an_exit_code_of_its_own(cli, state):
    make_charted(database_path(state), runs(3))
    done = cli("--state", state, "chart", "engobe")
    assert (done.returncode, "0 points" in done.stdout) == (11, True)


def test_measured_runs_are_charted_with_their_limits_and_choices(cli, shift):
    (chart,) = json.loads(cli("--state", shift.state, "chart", "clear-glaze", "--json").stdout)
    assert [p["name"] for p in chart["points"]] == ["G-1041", "=cmd|' /C calc'!A0"]
    assert all(p["simulated"] for p in chart["points"])
    assert (chart["geometry"], chart["quantity"], chart["unit"]) == ("coaxial-12", "viscosity", "mPa.s")
    assert chart["method"].startswith("clear-glaze-qc 1, speed 20 /min")
    assert {x["name"] for x in chart["left_out"]} == {"G-1043", "G-1044"}
    assert "simulated" in chart["cautions"][0]["text"]
    shown = cli("--state", shift.state, "chart", "clear-glaze", "--points").stdout
    assert "SIMULATED: NO REAL SAMPLE WAS MEASURED" in shown
