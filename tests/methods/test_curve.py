"""Flow curves end to end in memory: each fluid of the simulator gives its own parameters back, within their intervals."""

import json
import math

import pytest

from daq.methods.concluding.conclude import conclude
from daq.methods.curves.curve import curve_of
from daq.methods.curves.curvedata import FlowCurveData
from daq.methods.files.recipe import ALL_MODELS
from daq.methods.parts.finding import Finding
from daq.rheology.flowcurves import flowmodels
from simulators.rotational.catalogue import FLUIDS
from tests.support.runs.examples import facts, plan_of
from tests.support.runs.flow_curves import CASES, RECOVERY, measure, text
from tests.support.statements import codes, parameters


@pytest.mark.parametrize(
    "case", [pytest.param(c, id=c[0], marks=pytest.mark.slow if c[0] == "casting-slip" else ()) for c in CASES]
)
def test_the_true_parameters_lie_within_the_stated_intervals(tmp_path, case):
    fluid, bench, geometry, product, speeds, how, model, true = case
    for seed in (1, 2):
        curve, plan, run = measure(
            tmp_path, text(speeds, **how), FLUIDS[fluid], bench, geometry, seed=seed, product=product
        )
        assert run.facts.outcome == "complete", run.facts.reason
        assert plan.context.flow_curve.models == ALL_MODELS
        assert curve.chosen == model, [(f.model, f.behind, f.unresolved) for f in curve.fits]
        found = {p.name: p for f in curve.fits if f.model == model for p in f.parameters}
        assert set(found) == set(true)
        for name, value in true.items():
            assert abs(found[name].value - value) < found[name].expanded, (seed, found[name])
            # An interval that holds everything would show nothing.
            assert found[name].expanded < 0.6 * value
        assert {m.model for m in curve.refused} | {m.model for m in curve.fits} == set(ALL_MODELS)


def test_the_models_are_those_of_the_rheology():
    assert set(ALL_MODELS) == set(flowmodels.MODELS)


@pytest.fixture(scope="module")
def white_glaze(tmp_path_factory):
    speeds = [3, 6, 12, 30, 60, 30, 12, 6, 3]
    return measure(
        tmp_path_factory.mktemp("curve"), text(speeds, settle=1.2), FLUIDS["white-glaze"], "bench-2", "cylinder-9",
        product="white-glaze",
    )  # fmt: skip


def test_thinning_is_that_of_the_power_law(white_glaze):
    curve, _, _ = white_glaze
    # Apparent viscosity goes with speed^(n-1): a factor of ten makes 10^0.55 (ASTM D2196's index).
    assert {(round(t.slow), round(t.fast), t.branch) for t in curve.thinning} == {
        (3, 30, "up"), (6, 60, "up"), (3, 30, "down"), (6, 60, "down"),
    }  # fmt: skip
    assert [t.index for t in curve.thinning] == pytest.approx([10**0.55] * 4, rel=0.03)


def test_a_fluid_without_memory_has_no_loop(white_glaze):
    curve, _, _ = white_glaze
    assert curve.branch == "down"
    assert curve.loop is not None
    assert abs(curve.loop.relative) < 0.005


def test_the_band_and_the_yield_stress_go_with_the_chosen_model(white_glaze, tmp_path):
    curve, _, _ = white_glaze
    assert curve.yield_stress is None
    first, last = curve.band[0], curve.band[-1]
    assert first.low < first.stress < first.high
    assert last.rate == pytest.approx(max(p.wall_rate for p in curve.points if p.wall_rate))
    # 2 omega/n/(1 - (R/Rv)^(2/n)) at 60 /min: 27.95 /s.
    assert last.rate == pytest.approx(27.95, rel=0.01)
    assert last.stress == pytest.approx(6.5 * 27.95**0.45, rel=0.02)


def test_computed_again_from_the_stored_result_it_is_the_same_bit_for_bit(white_glaze):
    curve, plan, bench = white_glaze
    stored = json.loads(conclude(plan, bench.facts).model_dump_json())
    again = curve_of(plan, Finding.model_validate({k: stored[k] for k in Finding.model_fields}))
    assert again.model_dump_json() == curve.model_dump_json()
    assert set(again.libraries) == {"numpy", "scipy"}


def test_in_another_order_of_points_it_is_the_same_within_1e_9(white_glaze):
    curve, plan, bench = white_glaze
    found = conclude(plan, bench.facts)
    again = curve_of(plan, found.model_copy(update={"steps": found.steps[::-1]}))
    for a, b in zip(curve.fits, again.fits, strict=True):
        assert [p.value for p in a.parameters] == pytest.approx([p.value for p in b.parameters], rel=1e-9)


def test_a_thixotropic_slip_shows_a_loop_and_recovers(tmp_path):
    """Up and down in short steps: broken on the way up, not yet back on the way down."""
    written = text([6, 12, 24, 42, 24, 12, 6], settle=1.3, more='branch = "both"')
    curve, _, _ = measure(tmp_path, written, FLUIDS["casting-slip"], "bench-1", "coaxial-12", product="casting-slip")
    assert curve.loop is not None
    assert curve.loop.relative > 0.05
    assert curve.branch == "both"


@pytest.mark.slow
def test_recovery_is_that_of_the_structure(tmp_path):
    """Structure of the simulated slip by its closed solution: rates 19.08 /s at 40 /min, 2.862 /s at 6 /min.

    At 40 /min it falls towards 0.02/(0.02 + 0.0015 * 19.08) = 0.411; at 6 /min it returns towards 0.823 with
    1/(0.02 + 0.0043) = 41 s: from about 30 s to 200 s after the change the missing part falls by exp(-170/41) = 0.016.
    """
    curve, _, _ = measure(tmp_path, RECOVERY, FLUIDS["casting-slip"], "bench-1", "coaxial-12", product="casting-slip")
    r = curve.recovery
    assert r is not None
    assert r.speed == 6
    # Before: nearly at rest, structure between 1 and 0.823; broken: 30 s after the fast step.
    level = 0.411 + (0.823 - 0.411) * (1 - math.exp(-30 / 41.2))
    assert r.broken == pytest.approx(1000 * (0.25 + 0.9 * level), rel=0.04)
    assert r.after == pytest.approx(1000 * (0.25 + 0.9 * 0.82), rel=0.03)
    assert r.fraction == pytest.approx((r.after - r.broken) / (r.before - r.broken), rel=1e-12)
    assert 0.6 < r.fraction < 1.05


def test_an_unwinding_spring_is_not_taken_for_thixotropy(tmp_path):
    """A step from 60 to 6 /min that settles for 0.3 revolutions: warned of beforehand, and there is no loop area."""
    written = text([6, 20, 60, 20, 6], settle=1.0)
    head, _, tail = written.rpartition('settle = "1 rev"')
    curve, plan, _ = measure(
        tmp_path,
        head + 'settle = "0.3 rev"' + tail,
        FLUIDS["white-glaze"],
        "bench-2",
        "cylinder-9",
        product="white-glaze",
    )
    unwinding = [w.parameters for w in plan.context.warnings if w.code == "spring_unwinding"]
    assert any((p["step"], p["settle"], p["before"]) == ("s4", 0.3, 20.0) for p in unwinding)
    assert curve.loop is None
    assert "loop_not_settled" in codes(curve.left_out)


@pytest.mark.slow
def test_points_that_are_not_valid_are_listed_and_not_fitted(tmp_path):
    curve, _, _ = measure(
        tmp_path, text([0.2, 3, 6, 12, 30, 60]), FLUIDS["white-glaze"], "bench-2", "cylinder-9", product="white-glaze"
    )
    first = curve.points[0]
    assert (first.name, first.used, codes(first.reasons)) == ("s0", False, ["below_band"])
    assert all(p.used for p in curve.points[1:])
    assert curve.fits[0].n == 5


@pytest.mark.slow
def test_too_little_is_refused_with_the_reason(tmp_path):
    curve, _, _ = measure(tmp_path, text([0.2, 0.3, 6, 12]), FLUIDS["white-glaze"], "bench-2", "cylinder-9")
    assert curve.chosen is None
    assert curve.fits == curve.band == []
    assert parameters(curve.left_out, "too_few_speeds") == {"speeds": 2, "needed": 3}


def test_a_method_that_asks_for_none_has_none():
    plan = plan_of("clear-glaze-qc", "bench-1")
    assert curve_of(plan, conclude(plan, facts([]))) is None


def test_the_schema_describes_it():
    schema = FlowCurveData.model_json_schema()
    assert {"points", "fits", "refused", "chosen", "band"} <= set(schema["properties"])
