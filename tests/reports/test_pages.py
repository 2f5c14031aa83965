"""Pages of verifications, flow curves, samples and charts: what is drawn and written on them."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from daq.app.laboratory.reporting.measured_facts import ProductUsed
from daq.app.laboratory.reporting.page_blocks import WorksHead, figure
from daq.app.laboratory.reporting.result_page import RunFacts, result_page
from daq.app.laboratory.reporting.sheet_pages import verification_blocks
from daq.app.laboratory.reporting.typesetting import typeset
from daq.app.records.history import history
from daq.app.screens.drawings.trend_svg import BUCKETS, Trend, drawn_points, ticks, trend_svg
from daq.laboratory.reports import ShownResult
from daq.methods.parts.judged import Level, Verification
from simulators.rotational.catalogue import FLUIDS
from tests.reports.parts import pdfa_of, text_of
from tests.support.runs.flow_curves import measure, text

LEVELS = (
    Level(step="lower-torque", speed=20.0, torque_percent=25.5, temperature=25.0, measured=510.0, certified=500.0,
          low=478.5, high=521.5, deviation_percent=2.0, deviation_uncertainty_percent=4.59, normalised_error=0.427, accepted=True),
    Level(step="upper-torque", speed=50.0, torque_percent=63.8, temperature=25.0, measured=519.0, certified=500.0,
          low=490.5, high=509.5, deviation_percent=3.8, deviation_uncertainty_percent=2.1, normalised_error=1.7, accepted=False),
)  # fmt: skip
FAILED = Verification(
    condition="as_found", fluid="reference-b", lot="B-17", certificate="C-2025-11", expires="2027-01-31", passed=False,
    levels=LEVELS, results_since_pass=("a", "b"),
)  # fmt: skip


def facts_of(lab, **changes):
    run = lab.runs[0]
    with lab.lab.reader() as reader:
        found = history(reader, reader.run(run)).as_json()
        newest = reader.newest_result(run)
    found["result"] |= changes
    shown = ShownResult(run=run, result=newest.id, data="d", journal="j", audit_number=3, audit_head="h")
    return RunFacts(history=found, product=ProductUsed(id="clear-glaze"), shown=shown)


def made(given, form="result"):
    page = result_page(given, WorksHead("Example Glaze Works"), 0, form)
    return typeset(page, page.digest)


def test_a_verification_has_every_level(lab):
    given = facts_of(lab, verification=FAILED.model_dump(mode="json"))
    pdf = made(replace(given, extra=verification_blocks(given.history["result"])), "verification")
    words = text_of(pdf)
    assert pdfa_of(pdf) == ("3", "A")
    for shown in (
        "Certificate of verification", "verification, as found FAILED", "reference-b, lot B-17", "C-2025-11, valid until 2027-01-31",
        "478.50 to 521.50", "+2.0 %", "4.6", "0.43", "accepted", "490.50 to 509.50", "+3.8 %", "OUTSIDE", "Results in doubt 2",
    ):  # fmt: skip
        assert shown in words.replace("\r\n", " "), shown


@pytest.fixture(scope="module")
def curve(tmp_path_factory):
    folder = tmp_path_factory.mktemp("curve")
    found, _, _ = measure(
        folder, text([0.2, 3, 6, 30, 60, 30, 10, 6, 3]), FLUIDS["white-glaze"], "bench-2", "cylinder-9"
    )
    return found


@pytest.mark.slow
def test_a_flow_curve_has_the_head_and_legend_of_the_report(lab, curve):
    words = text_of(made(replace(facts_of(lab), curve=curve))).replace("\r\n", " ")
    for shown in ("shear stress, Pa", "Power law: K = ", "sample G-1042, clear-glaze, lot L7", "clear-glaze-qc 1, 2025",
                  "24.98 °C", "legend: full triangle: speed rising", "band: its confidence band (95 %)"):  # fmt: skip
        assert shown.lower() in words.lower(), shown


def test_the_span_is_shaded_where_it_is():
    seconds = [i / 10 for i in range(1000)]
    values = [800.0 + (i % 7) for i in range(1000)]
    values[517] = 950.0
    svg = trend_svg(Trend(name="viscosity <&>", unit="mPa·s", seconds=seconds, values=values, begin=40.0, end=70.0))
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    shaded = root.findall("{http://www.w3.org/2000/svg}rect")[1]
    left, right = float(shaded.get("x")), float(shaded.get("x")) + float(shaded.get("width"))
    points = next(e for e in root.iter() if e.tag.endswith("polyline")).get("points").split()
    places = [tuple(map(float, p.split(","))) for p in points]
    scale = (places[-1][0] - places[0][0]) / (seconds[-1] - seconds[0])
    assert left == pytest.approx(places[0][0] + 40.0 * scale, abs=0.2)
    assert right == pytest.approx(places[0][0] + 70.0 * scale, abs=0.2)
    # No reading is hidden by the thinning: the one that is far off is the highest point.
    assert len(places) <= 2 * BUCKETS
    assert min(places, key=lambda p: p[1])[0] == pytest.approx(places[0][0] + 51.7 * scale, abs=0.2)
    assert "viscosity <&>, mPa·s" in [t.text for t in root.iter() if t.tag.endswith("text")]


@pytest.mark.parametrize("count", [2, 600, 601, 1201, 9999])
def test_thinning_keeps_extremes_and_order(count):
    seconds = list(range(count))
    values = [(i * 7919) % 1009 for i in range(count)]
    drawn = drawn_points(seconds, values)
    assert drawn == sorted(drawn)
    assert (min(v for _, v in drawn), max(v for _, v in drawn)) == (min(values), max(values))
    assert set(drawn) <= set(zip(seconds, values, strict=True))


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (799.0, 801.0), (-3e-6, 4e-6), (0.0, 12345.0), (5.0, 5.0001)])
def test_ticks_are_round_and_few(low, high):
    found = ticks(low, high)
    assert 2 <= len(found) <= 7
    assert all(low <= t <= high or t == pytest.approx(low) or t == pytest.approx(high) for t in found)


def test_a_drawing_is_without_its_ground_so_that_simulated_is_seen_through():
    svg = trend_svg(Trend(name="n", unit="", seconds=[0.0, 1.0], values=[1.0, 2.0], begin=0.0, end=1.0))
    assert "#ffffff" in svg
    assert "#ffffff" not in figure(1, svg, "c")["svg"]
