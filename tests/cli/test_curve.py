"""The flow curve on a terminal and as a drawing."""

import xml.etree.ElementTree as ET

import pytest

from daq.app.records.derived import curve_head
from daq.app.screens.drawings.curve_svg import svg
from daq.app.screens.drawings.curve_text import LEFT, MARKS, PLOT_ROWS, curve_lines, plot
from daq.app.screens.drawings.drawing_words import words_of
from daq.methods.parts.statement import state
from simulators.rotational.catalogue import FLUIDS
from tests.support.drawn_words import english_in
from tests.support.runs.flow_curves import measure, text


@pytest.fixture(scope="module")
def curve(tmp_path_factory):
    folder = tmp_path_factory.mktemp("curve")
    found, _, _ = measure(
        folder, text([0.2, 3, 6, 30, 60, 30, 10, 6, 3]), FLUIDS["white-glaze"], "bench-2", "cylinder-9"
    )
    return found


def test_each_point_is_plotted_at_its_logarithms(curve):
    lines = plot(curve, 72)
    rows = lines[1 : 1 + PLOT_ROWS]
    assert all(len(line) <= 72 for line in lines[:-1])
    # The fastest point has the greatest stress: upper right corner; the slowest the smallest: lower left.
    assert rows[0][-1] == MARKS["both"]
    assert rows[-1][LEFT + 1] == MARKS["unused"]
    # A power law is a straight line: from the turning point at 60 /min to the last one at 3 /min, half of the way in
    # both directions is their geometric mean, 13.4 /min.
    down = [(x, y) for y, row in enumerate(rows) for x, c in enumerate(row) if c in (MARKS["down"], MARKS["both"])]
    (x1, y1), (x0, y0) = down[0], down[-1]
    for x, y in down:
        assert y == pytest.approx(y0 + (x - x0) / (x1 - x0) * (y1 - y0), abs=1.0)


def test_the_text_of_a_flow_curve(curve):
    text = "\n".join(curve_lines(curve, 100, "mPa.s"))
    assert "→  power law" in text
    assert "K = 6.5" in text
    assert "to be used: power law, τ = K γ̇^n, known from " in text
    assert "shear-thinning index 6 over 60 min⁻¹ (up): 3.5" in text
    assert "not fitted: s0: the mean torque is below the usable band" in text
    assert "not supported by the data: Cross: 5 different rates; 4 parameters need at least 6" in text
    assert "uncertainty of the instrument" not in text


def test_without_a_model_the_points_and_the_reason_are_shown(curve):
    few = state("too_few_speeds", speeds=2, needed=3)
    bare = curve.model_copy(update={"fits": [], "band": [], "chosen": None, "left_out": [few]})
    lines = curve_lines(bare, 100, "mPa.s")
    assert "left out: fit: 2 usable speeds; a curve needs at least 3" in lines
    assert not any("to be used" in line for line in lines[:-1])
    assert "no model fits these points" in svg(bare, "x")
    assert plot(bare.model_copy(update={"points": bare.points[:1]}), 72) == []


def test_the_drawing_is_complete_and_its_text_is_escaped(curve):
    root = ET.fromstring(svg(curve, 'a <b> & "c"'))  # noqa: S314 - our own text
    texts = [e.text for e in root.iter() if e.tag.endswith("text")]
    assert 'a <b> & "c"' in texts
    assert "shear stress, Pa" in texts
    box = [float(v) for v in root.attrib["viewBox"].split()]
    for e in root.iter():
        if e.tag.endswith("polyline"):
            places = [tuple(map(float, p.split(","))) for p in e.attrib["points"].split()]
            assert all(0 < x < box[2] and 0 < y < box[3] for x, y in places)
            # The rate increases to the right, the stress upwards.
            assert places == sorted(places)
            assert [y for _, y in places] == sorted((y for _, y in places), reverse=True)


def test_a_korean_drawing_has_no_english_word(curve):
    words = words_of("ko")
    data = {
        "method": {"id": "m-1", "version": "1"}, "sample": {"id": "G-1", "product": "p-1", "lot": "L8", "sampled_at": "2026-11-26"},
        "origin": {"began": "2026-11-26T14:20:00Z"}, "conditions": {"temperature": 20.0}, "simulated": True,
        "geometry": {"name": "cylinder-9", "kind": "cylinder", "dimensions": {"radius": 9.0}, "vessel": None, "fill_volume_mL": None,
                     "immersion": None, "stirrup": False},
    }  # fmt: skip
    few = state("too_few_speeds", speeds=2, needed=3)
    bare = curve.model_copy(update={"fits": [], "band": [], "chosen": None, "left_out": [few]})
    for one in (curve, bare):
        drawing = svg(one, "G-1, m-1 1", curve_head(data, words), words)
        assert english_in(drawing) - {"cylinder"} == set()
        for text_ in ("전단 응력, Pa", "벽면 전단 속도, s⁻¹", "로트 L8", "20.00 °C"):
            assert text_ in drawing
        english = svg(one, "G-1, m-1 1", curve_head(data))
        assert "SIMULATED: no real sample was measured" in english
        assert "sample G-1, p-1, lot L8, sampled 2026-11-26" in english
    assert "멱법칙" in svg(curve, "x", (), words)
