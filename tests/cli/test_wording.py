"""Lines of screens that a technician reads: units, whole words, nothing twice."""

import io
import re

import pytest

from daq.app.cli.measuring import demo
from daq.app.cli.records.budget_lines import budget_lines
from daq.app.cli.signing.reportable import text_of as reportable_text
from daq.app.screens.geometry_text import geometry_lines
from daq.app.screens.live import RunScreen
from daq.app.screens.result_screen import corrected_lines, dry_content_lines, verdict_lines
from daq.app.screens.run_view import RunEnd
from daq.app.screens.styled_lines import text_of
from daq.app.screens.text import ended
from daq.app.workshop.demonstration import Measured, Report, Sample
from daq.app.workshop.diagnosis import _without_number
from daq.methods.concluding.intervals import lines_of
from daq.methods.concluding.reportable import Attempt, Reportable
from daq.methods.messages.result import _geometry
from daq.methods.parts.component_names import COMPONENT_CODES
from daq.methods.parts.statement import state
from daq.methods.planning.geometries import described, flow_geometry
from daq.methods.sentences.run_ends import SENTENCES
from daq.rheology.uncertainty import Component, combine
from tests.cli.uncertain_results import printed
from tests.support.runs.examples import example
from tests.support.views import result

BENCHES = ("bench-1", "bench-2", "bench-3")
GEOMETRIES = [(b, name) for b in BENCHES for name in example(f"instruments/{b}.toml").geometries]


@pytest.mark.parametrize(("bench", "name"), GEOMETRIES)
def test_every_dimension_of_a_measuring_geometry_has_its_unit(bench, name):
    given = example(f"instruments/{bench}.toml").geometries[name]
    data = _geometry(described(name, given, flow_geometry(given, 1000.0))).model_dump(mode="json")
    text = " ".join(geometry_lines(data))
    sizes = re.search(r"\((.*)\)", text).group(1)
    assert len(sizes.split(", ")) == sum(x is not None for x in data["dimensions"].values())
    for part in sizes.split(", "):
        number = re.search(r" -?\d", part)
        if number and not part.startswith("end factor"):
            assert re.search(r"\d (mm|°|deg|min⁻¹|\S+)$", part), part
    # A unit is behind its number, and no zero is behind the point.
    assert "mL:" not in text
    assert "  " not in text
    assert not re.search(r"\d\.0\b", text)


@pytest.mark.parametrize("code", SENTENCES)
@pytest.mark.parametrize("outcome", ["stopped", "interrupted", "failed"])
def test_the_end_of_a_run_is_one_sentence(code, outcome):
    if (outcome == "stopped") != (code == "stopped_by_person"):
        return
    kinds = SENTENCES[code].parameters
    reason = state(code, **{name: "kim" for name, kind in kinds.items() if kind.what in ("name", "detail")}).text
    out = io.StringIO()
    RunScreen(plain=True, file=out).finish(RunEnd(run="r", outcome=outcome, reason=reason, motor="still"), None)
    line = " ".join(out.getvalue().split()).partition("; all about it")[0]
    assert line.count(f"the run was {outcome}") == 1
    assert "(the run" not in line
    assert ended(outcome, reason).startswith(f"the run was {outcome}")


@pytest.mark.parametrize("columns", [80, 100, 140])
def test_no_heading_of_the_budget_is_broken(columns):
    lines = lines_of(combine([Component(n, 12.3456, dof=1e9, sensitivity=-5927.0) for n in COMPONENT_CODES]), "mPa.s")
    uncertainty = {
        "components": [x.model_dump(mode="json") for x in lines], "reasons": [], "expanded": 1.0, "low": 1.0, "high": 3.0,
        "k": 2.0, "coverage": 0.95, "method": "m", "trials": 100_000, "seed": 1, "effective_degrees_of_freedom": 1.8e10,
        "compared": None, "left_out": [],
    }  # fmt: skip
    shown = budget_lines({"uncertainty": uncertainty, "unit": "mPa.s"}, columns)
    words = set(shown[0].split())
    assert {"component", "u", "unit", "distribution", "dof", "sensitivity", "share"} <= words
    assert "e+" not in "\n".join(shown)
    assert "effective degrees of freedom above 1000" in "\n".join(shown)
    assert "100,000 trials" in "\n".join(shown)


def test_a_result_without_value_has_no_line_about_a_correction_of_it():
    data = result(value=None) | {
        "corrected": {"value": None, "reference_celsius": 25.0, "reason": "no value"},
        "dry_content": {"value": None, "reason": "no value"},
    }
    assert (corrected_lines(data, 80), dry_content_lines(data, 80)) == ([], [])
    assert "acceptance" not in "".join(text_of(line) for line in verdict_lines(data, 80))
    assert corrected_lines(data | {"value": 1.0}, 80)
    assert dry_content_lines(data | {"value": 1.0}, 80)


@pytest.mark.parametrize("columns", [80, 100])
def test_the_reason_why_a_run_does_not_count_has_the_whole_line(columns):
    attempts = tuple(
        Attempt(
            run=f"{i}a2f91bc-0000", began="2026-11-26T06:00:00.000Z", method="clear-glaze-qc 1", instrument="bench-1",
            fill="f", value=None if i else 800.0, unit="mPa.s", validity="valid", counted=not i,
            why=[state("torque_limit"), state("torque_at_stop", limit=110.0, unit="%", speed=66.0)] if i else "",
        )
        for i in range(2)
    )  # fmt: skip
    found = Reportable(
        sample="G", product="p", method="m 1", quantity="viscosity", unit="mPa.s", value=None, reported=None, uncertainty=None,
        decided="none", how="-", verdict="none", rounding=None, acceptance=None, risk_of_false_acceptance=None, limits=(),
        outliers=(), attempts=attempts,
    )  # fmt: skip
    text = reportable_text(found, columns)
    assert len(text.splitlines()) <= 13
    assert "1a2f91bc does not count: " in text
    assert "- mPa" not in text


def test_the_demonstration_says_what_is_measured_again_and_shows_no_word_of_the_data():
    sample = Sample(
        "bench-1", "G-1043", "clear-glaze", "clear-glaze-qc", "clear glaze, at the wrong speed", speed=100.0
    )
    none = result(value=None, validity="not_valid", quality="Uncertain_SubNormal", steps=[])
    none["verdict"] = none["verdict"] | {"verdict": "not_comparable"}
    runs = [
        Measured(sample, speed, RunEnd(run="r", outcome="complete", reason="", motor="still"), none)
        for speed in (100.0, 20.0)
    ]
    text = printed(demo._print_report, Report(runs, [{"data": none, "sequence": "1"}], ["lab/result"]))
    assert "clear glaze, at the wrong speed (100 min⁻¹)\n" in text
    assert "again, as advised (20 min⁻¹)\n" in text
    for word in ("null", "mPa.s", "_"):
        assert word not in text


def test_an_error_of_the_system_has_no_number():
    assert _without_number("[Errno 111] Connection refused") == "Connection refused"
    assert _without_number("a: [Errno -2] Name not known") == "a: Name not known"
