"""The value of a control against its limits, and its chart.

Individuals chart: NIST/SEMATECH e-Handbook 6.3.2.2, as in tests/reference/statistics.toml (STA-IMR-01); ISO 7870-2.
"""

import csv
import random
import tomllib
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import verification_charts
from daq.core.context import ControlLimits, OverdueCalibration, RequiredControl, Standing
from daq.core.errors import SettingErrors
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.units import as_written
from daq.methods.concluding.conclude import conclude
from daq.methods.messages.annulling import annulled
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.methods.planning.compile import FixedControlLimits, InstrumentHistory
from daq.quality.charts import individuals_chart
from daq.quality.chartsignals import find_signals
from tests.support.runs.charted import Measured, make_charted
from tests.support.runs.examples import example, facts, kept, plan_of, summaries
from tests.support.statements import codes, parameters

REFERENCE = Path(__file__).parents[1] / "reference"
TODAY = "2026-09-21"
MEAN, SD = 810.0, 6.48
"""The assigned value of the example, and its standard deviation of 0.8 %."""
WORDS = "house-control 1, vessel cup 15"


def plan(history=InstrumentHistory(today=TODAY), fluid="house-oil", **more):  # noqa: B008 - frozen
    return plan_of("house-control", "bench-1", fluid=example(f"fluids/{fluid}.toml"), history=history, **more)


def measured(value, asked=None, *, outcome="complete", faults=(), viscosity=None, checks=CHECKS):
    given = (
        summaries() | {"viscosity": replace(summaries()["viscosity"], mean=value)} if viscosity is None else viscosity
    )
    made = replace(facts([kept(given, faults=faults)], outcome=outcome), checks=checks)
    return conclude(plan() if asked is None else asked, made)


def test_the_limits_are_three_standard_deviations_and_belong_to_what_passes():
    rng = random.Random(7)
    low, high = MEAN - 3 * SD, MEAN + 3 * SD
    near = [x for end in (low, high) for x in (end - 1e-6, end + 1e-6)]
    for value in [MEAN, *near, *(rng.uniform(MEAN - 5 * SD, MEAN + 5 * SD) for _ in range(20))]:
        c = measured(value)
        v = c.verification
        assert (v.kind, v.passed) == ("control", low <= value <= high)
        assert (v.levels[0].low, v.levels[0].high) == pytest.approx((low, high))
        assert c.verdict.verdict == ("within" if v.passed else "outside")
        # The number itself is not in doubt: it was measured like any other.
        assert (c.value, c.quality.value) == (value, "Good")
    (reason,) = measured(MEAN + 4 * SD).verification.reasons
    assert reason.code == "control_outside"
    assert reason.text.endswith(f"is outside the control limits {low:.6g} to {high:.6g} mPa·s")


def edges(count):
    """Return centre, standard deviation and a value on their limit, which binary arithmetic calls beyond it."""
    rng, out = random.Random("edges"), []
    while len(out) < count:
        centre, sd, sign = Decimal(rng.randint(1000, 99999)) / 10, Decimal(rng.randint(1, 99)) / 10, rng.choice((-1, 1))
        edge = centre + 3 * sign * sd
        if abs((float(edge) - float(centre)) / float(sd)) > 3.0:
            out.append((float(centre), float(sd), float(edge), float(edge + sign * Decimal("1e-6"))))
    return out


@pytest.mark.parametrize(("centre", "sd", "edge", "beyond"), edges(6))
def test_a_control_on_its_limit_has_passed_and_the_next_digit_has_not(centre, sd, edge, beyond):
    """The limits of a person are decimal numbers, and the stored limits are those of the decision."""
    asked = plan(fixed(centre, sd))
    for value, passes in ((edge, True), (beyond, False)):
        found = measured(value, asked).verification
        (level,) = found.levels
        assert (found.passed, level.low <= value <= level.high) == (passes, passes)
    # An older run is replayed with its rule.
    assert measured(edge, asked, checks=DECIMAL_EDGES - 1).verification.passed is False


def test_a_point_on_a_limit_is_no_signal_of_a_chart():
    for centre, sd, edge, beyond in edges(300):
        assert find_signals([edge], centre, sd) == ()
        assert {s.rule for s in find_signals([beyond], centre, sd)} == {"one_beyond_3s", "ewma"}


@pytest.mark.parametrize(("more", "code"), [
    ({"outcome": "stopped"}, "control_not_complete"), ({"outcome": "failed"}, "control_not_complete"),
    ({"outcome": "interrupted"}, "control_not_complete"), ({"faults": ("off_temperature",)}, "control_doubtful"),
    ({"faults": ("keys_used",)}, "control_doubtful"), ({"faults": ("below_band",)}, "control_doubtful"),
    ({"faults": ("saturated",)}, "control_without_value"),
])  # fmt: skip
@pytest.mark.parametrize("value", [MEAN, 2 * MEAN])
def test_a_control_with_a_fault_is_neither_passed_nor_failed(more, code, value):
    v = measured(value, **more).verification
    assert (v.passed, codes(v.reasons), codes([v.levels[0].reason])) == (None, [code], [code])


def test_faults_of_verifications_and_calibrations_do_not_keep_a_control_from_passing():
    failed = Standing(None, None, None, overdue=True)
    history = InstrumentHistory(today=TODAY, standing=failed, overdue=(OverdueCalibration("bench-1", "2026-01-01"),))
    c = measured(MEAN, plan(history))
    # It was measured with an instrument without a verification: the number is Uncertain, the control has passed.
    assert set(c.faults) == {"verification_overdue", "calibration_past_due"}
    assert c.verification.passed is True


def test_a_control_does_not_need_the_control_before_it():
    history = InstrumentHistory(today=TODAY, control=RequiredControl(fluid="house-oil", state="failed"))
    assert (measured(MEAN, plan(history)).quality.value, measured(MEAN, plan(history)).faults) == ("Good", ())


def fixed(centre=500.0, sd=2.0, *, method=WORDS, unit="mPa.s"):
    limits = ControlLimits(centre=centre, standard_deviation=sd, unit=unit, fixed_by="r.view", fixed_on="2026-08-01")
    return InstrumentHistory(today=TODAY, control_limits=FixedControlLimits(method, limits))


def test_limits_that_a_person_fixed_come_before_those_of_the_file():
    v = measured(503.0, plan(fixed())).verification
    assert (v.passed, v.levels[0].certified, v.limits_fixed_by, v.limits_fixed_on) == (
        True,
        500.0,
        "r.view",
        "2026-08-01",
    )
    assert measured(MEAN, plan(fixed())).verification.passed is False
    assert measured(MEAN).verification.limits_fixed_by is None


@pytest.mark.parametrize(
    "wrong", [{"method": "house-control 2, vessel cup 15"}, {"method": "house-control 1"}, {"unit": "Pa.s"}]
)
def test_limits_of_another_method_or_unit_judge_nothing(wrong):
    v = measured(500.0, plan(fixed(**wrong))).verification
    assert (v.passed, codes(v.reasons), v.levels[0].low) == (None, ["control_without_limits"], None)
    assert parameters(v.reasons, "control_without_limits") == {"fluid": "house-oil", "lot": "HO-3"}


@pytest.mark.parametrize("value", [MEAN, 500.0])
def test_a_control_on_another_specimen_of_the_geometry_is_not_judged_by_the_file(value):
    """The person replaced the file's limits, and fixed none for this serial number."""
    history = InstrumentHistory(today=TODAY, control_limits=FixedControlLimits(WORDS, None))
    assert measured(MEAN).verification.passed is True
    v = measured(value, plan(history)).verification
    assert (v.passed, codes(v.reasons), v.levels[0].low) == (None, ["control_without_limits"], None)
    assert "with its serial number" in v.reasons[0].text


def test_a_fluid_without_assigned_value_at_this_temperature_judges_nothing():
    assert measured(MEAN, plan(fluid="reference-b")).verification.passed is None
    house = example("fluids/house-oil.toml")
    (row,) = house.assigned
    for rows in [
        (row.model_copy(update={"temperature": 24.0}),),
        (row.model_copy(update={"geometry": "coaxial-15"}),),
        (),
    ]:
        other = plan_of(
            "house-control",
            "bench-1",
            fluid=house.model_copy(update={"assigned": rows}),
            history=InstrumentHistory(today=TODAY),
        )
        assert measured(MEAN, other).verification.passed is None
    own = row.model_copy(update={"geometry": "coaxial-12", "viscosity": type(row.viscosity)(0.7, "Pa.s")})
    assert house.model_copy(update={"assigned": (row, own)}).assigned_within(24.9, 25.1, "coaxial-12") == own
    # 0.8 % of 0.7 Pa.s.
    assert own.limits("mPa.s").standard_deviation == pytest.approx(5.6)


def test_a_control_is_refused_without_its_fluid_and_after_its_day():
    with pytest.raises(SettingErrors, match="needs the control fluid: name it with --fluid"):
        plan_of("house-control", "bench-1", history=InstrumentHistory(today=TODAY))
    with pytest.raises(SettingErrors, match="lot HO-3 held until 2027-12-31, today is 2028-01-01"):
        plan(InstrumentHistory(today="2028-01-01"))
    with pytest.raises(SettingErrors, match="needs the certified fluid"):
        plan_of(
            "reference-verification",
            "bench-1",
            fluid=example("fluids/house-oil.toml"),
            history=InstrumentHistory(today=TODAY),
        )


def test_an_annulled_control_has_not_passed():
    c = measured(MEAN)
    data = ResultData.build(plan(), c, RunDetails(run="r", sample=Sample(id="house-oil")))
    assert data.verification.passed is True
    assert annulled(data, who="m", because="another fluid").verification.passed is None
    assert flattened(data.model_dump(mode="json"))["verification_kind"] == "control"


def control_part(value, *, lot="HO-3", reason=None):
    level = {"measured": value, "reason": reason, "deviation_percent": None, "step": "reading"}
    return {
        "verification": {
            "kind": "control",
            "fluid": "house-oil",
            "lot": lot,
            "condition": "as_found",
            "levels": [level],
        }
    }


def test_the_chart_and_the_limits_of_a_control_are_those_of_the_published_example(tmp_path):
    with (REFERENCE / "statistics.toml").open("rb") as file:
        values = tomllib.load(file)["STA-IMR-01"]["values"]
    with (REFERENCE / "statistics.csv").open(encoding="utf-8", newline="") as file:
        published = {row[1]: (float(row[2]), float(row[5])) for row in csv.reader(file) if row[0] == "STA-IMR-01"}
    doubtful = {"code": "control_doubtful", "parameters": {"faults": ["off_temperature"]}, "text": "doubtful"}
    runs = [Measured("house-oil", v, product="", changes=control_part(v)) for v in values]
    runs.insert(2, Measured("house-oil", 1e3, product="", changes=control_part(1e3, reason=doubtful)))
    runs.insert(4, Measured("house-oil", None, product="", changes=control_part(None)))
    runs.insert(5, Measured("house-oil", 9e3, product="", changes=control_part(9e3, lot="HO-2")))
    with Reader(make_charted(tmp_path / "daq.db", runs)) as reader:
        charts = verification_charts(reader, "house-oil", "bench-1", last=20)
    chart = next(c for c in charts if c.name.quantity == "control, lot HO-3")
    assert chart.name.id == "fluid house-oil on bench-1, coaxial-12, control, lot HO-3"
    assert [p.value for p in chart.points] == values
    assert [codes(x.why) for x in chart.left_out] == [["control_without_value"], ["control_doubtful"]]
    exact = individuals_chart(values)
    shown = {"mean": chart.lines.centre, "MRbar": chart.lines.mean_moving_range, "UCL_exact_d2": chart.lines.upper}
    for name, number in shown.items():
        assert number == pytest.approx(published[name][0], abs=published[name][1])
    assert chart.lines.moving_range_upper == pytest.approx(published["UCL_MR"][0], rel=published["UCL_MR"][1])
    # The limits with which a run is judged are the lines of the chart.
    level = measured(MEAN, plan(fixed(chart.lines.centre, chart.lines.sigma))).verification.levels[0]
    assert (chart.lines.lower, chart.lines.upper) == (exact.lower, exact.upper)
    assert (level.low, level.high) == (as_written(exact.lower), as_written(exact.upper))
