"""Demonstration, plan, replay, drawings and texts of interrupted runs print no digit beyond an uncertainty (JCGM 100 7.2.6)."""

import io
import json
import re
from dataclasses import replace
from unittest.mock import Mock

import pytest

from daq.app.cli.measuring import demo, plan
from daq.app.cli.records import replay, show
from daq.app.records.planning import Basis, basis_of_product
from daq.app.records.replaying import Recomputed
from daq.app.records.run_rows import entry
from daq.app.screens.drawings.curve_svg import svg
from daq.app.screens.drawings.curve_text import curve_lines
from daq.app.screens.live import RunScreen
from daq.app.screens.run_view import RunEnd
from daq.app.screens.styled_lines import text_of
from daq.app.workshop.demonstration import Measured, Report, Sample
from daq.core.effects import StepEnded
from daq.core.plan import Rule
from daq.core.replay import Replay
from daq.methods.curves.curvedata import CurveBand, CurvePoint, FittedModel, FlowCurveData, YieldStress
from daq.methods.parts.statement import state
from daq.rheology.ranges import Candidate, Expected
from daq.rheology.torque import BandClass
from tests.cli.uncertain_results import EXPANDED, VALUE, beyond, given, printed, stored_result
from tests.support.runs.examples import example

REASON = {"code": "x", "parameters": {}, "text": "the connection was lost"}
SAMPLE = Sample("bench-1", "G-1", "clear-glaze", "clear-glaze-qc", "clear glaze")


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    return stored_result(tmp_path_factory.mktemp("digits"))


def curve(expanded):
    """A flow curve whose yield stress and points are near VALUE."""
    y = YieldStress(
        name="tau_y", value=VALUE, unit="Pa", standard_error=0.1, expanded=expanded, k=2.0, model_dependent=True,
        low=VALUE * 0.999, high=VALUE * 1.001, models=["bingham", "casson"], reasons=[state("no_limits")],
    )  # fmt: skip
    fit = FittedModel(
        model="bingham", equation="τ = τ_y + η_p γ̇", parameters=[y], n=3, rate_low=1.0, rate_high=30.0, scatter=1.0,
        r_squared=0.999, aicc=3.0,
    )  # fmt: skip
    points = [
        CurvePoint(
            step=i, name=f"s{i}", branches=["up"], speed=r, shear_rate=r, stress=VALUE, wall_stress=VALUE * r, used=True
        )
        for i, r in enumerate((2.0, 10.0, 30.0))
    ]
    band = [CurveBand(rate=p.shear_rate, stress=p.wall_stress, low=p.wall_stress, high=p.wall_stress) for p in points]
    return FlowCurveData(
        branch="up", rates=state("no_limits"), points=points, chosen="bingham", fits=[fit], band=band, yield_stress=y
    )


def of_a_stress(data):
    """The result as a stress, which is among its conditions too."""
    conditions = data["conditions"] | {"stress": VALUE}
    steps = [s | {"stress": VALUE} for s in data["steps"]]
    return data | {"quantity": "stress", "unit": "Pa", "conditions": conditions, "steps": steps, "reported": None}


def rows(lines):
    return "\n".join(map(text_of, lines))


def recomputed(found, data):
    """A run whose kept values are missing in the database."""
    header = Mock(plan=found.plan)
    names = {d.name for d in found.plan.derivations} | {"torque"}
    kept = [
        {"step": 0, "at": "end", "summaries": {n: {"mean": VALUE if n == found.plan.primary else 1.0} for n in names}}
    ]
    return Recomputed(Replay(header=header), result=data, kept=kept, missing=["the 1 kept values"])


def reports(stored, data, expanded):
    """Every text, by the name of its screen."""
    name = stored.plan.steps[0].stop.name
    rule = Rule("above", name, stored.plan.primary, low=500.0)
    steps = tuple(replace(s, stop=rule) for s in stored.plan.steps)
    ended = [StepEnded(10**9, 0, 0, name, VALUE, 300, 20.0)]
    found = replace(
        stored,
        data=data,
        plan=replace(stored.plan, steps=steps),
        journal=replace(stored.journal, steps=ended),
        run=replace(stored.run, outcome="interrupted", reason="the connection was lost"),
    )
    broken = data | {"outcome": "interrupted", "validity": "doubtful", "quality": "Uncertain", "reasons": [REASON]}
    measured = Measured(SAMPLE, 20.0, RunEnd(run="r", outcome="interrupted", reason="x", motor="still"), broken)
    report = Report([measured], [{"data": broken, "sequence": "1"}], ["lab/result"], seconds=1.0)
    candidate = Candidate(
        "coaxial-12", 20.0, 50.0, BandClass.VALID, 10.0, VALUE / 1e3, 1.0, 9.0, 3.0, expanded / VALUE, False
    )
    basis = Basis(Expected(VALUE / 1e3), "mPa.s", "s")
    product = example("products/clear-glaze.toml").model_copy(update={"expected_viscosity": None})
    geometry = {"geometry": {"name": "coaxial-12"}, "sample": {"id": "s"}}
    past = data | geometry | {"conditions": data["conditions"] | {"set_speed": 20.0, "shear_rate": 10.0}}
    reader = Mock(
        **{
            "runs.return_value": [Mock()],
            "newest_result.return_value": Mock(data=json.dumps(past), supersedes=None),
            "query.return_value": [],
        }
    )
    end = RunEnd(run="3f2a91bc-0", outcome="interrupted", reason="the connection was lost", motor="still")
    screen = io.StringIO()
    RunScreen(plain=True, file=screen).finish(end, broken)
    stress = of_a_stress(data)
    return {
        "end of a run": screen.getvalue(),
        "interrupted run": rows(show.lines_of(replace(found, data=broken), {}, 140)),
        "runs": str(entry(reader, Mock(began_utc_ns=0, ended_utc_ns=0)).shown),
        "demo": printed(demo._print_report, report) + rows(demo._result(measured)),
        "plan": printed(plan._print, example("instruments/bench-1.toml"), basis, [candidate]),
        "basis of a plan": basis_of_product(product, example("instruments/bench-1.toml"), reader, None).source,
        "replay": printed(replay._say_stored, recomputed(found, data)),
        "curve": "\n".join(line for line in curve_lines(curve(expanded), 120, "mPa.s") if "│" not in line),
        "drawing": re.sub(r'<path[^>]*>|<poly[^>]*>|<rect[^>]*>|text-anchor="\w+"|[xy]="[-\d.]+"', "", svg(curve(expanded), "t")),
        "stress": rows(show.lines_of(replace(found, data=stress, plan=replace(found.plan, primary="stress")), {}, 140)),
    }  # fmt: skip


@pytest.mark.parametrize("expanded", EXPANDED)
def test_no_report_prints_digits_beyond_the_uncertainty(stored, expanded):
    found = {name: beyond(text, expanded) for name, text in reports(stored, given(stored, expanded), expanded).items()}
    assert {name: numbers for name, numbers in found.items() if numbers} == {}


def test_every_report_shows_the_value(stored):
    """The sweep reads texts in which the value is."""
    shown = reports(stored, given(stored, 17.0), 17.0)
    assert {name for name, text in shown.items() if "807" not in text} == set()
