"""Codes that no other test asserts: a plan or facts that reach each of them."""

import dataclasses
import math

import numpy as np
import pytest

from daq.core.context import StatedLimits
from daq.core.faults import CHECKS, FAULTS, SOUND_TEMPERATURES
from daq.core.remarks import remark
from daq.core.statistics import Summary
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.correcting import corrected
from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.concluding.stopping import rule_statement
from daq.methods.curves.curve import curve_of
from daq.methods.curves.curvedata import CurvePoint
from daq.methods.curves.curvetrends import loop, thinning
from daq.methods.parts.statement import state
from daq.methods.planning.compile import compile_plan
from daq.rheology.flowcurves.flowcurve import fit_model
from tests.support.instruments.built_in import BUILT_IN
from tests.support.runs.examples import S, example, facts, flat, kept, load_changed, plan_of, saturated, summaries
from tests.support.statements import codes, parameters

RATES = np.geomspace(0.1, 100.0, 10)


def changed(plan, **context):
    return dataclasses.replace(plan, context=dataclasses.replace(plan.context, **context))


def without(found, *signals):
    return {name: summary for name, summary in found.items() if name not in signals}


@pytest.fixture
def glaze():
    return plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")


# ---- verdict, corrections, reportable results


def test_a_value_below_its_limit(glaze):
    found = conclude(glaze, facts([kept(summaries(viscosity=650.0))])).verdict.reasons
    assert parameters(found, "below_limit") == {
        "value": 650.0, "limit": 700.0, "unit": "mPa.s", "expanded": pytest.approx(13.5, abs=0.1),
    }  # fmt: skip


def test_a_product_without_limits():
    product = example("products/clear-glaze.toml").model_copy(update={"limits": ()})
    c = conclude(plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries())]))
    assert codes(c.verdict.reasons) == ["no_limits"]


def test_a_limit_at_a_temperature_needs_one(glaze):
    c = conclude(glaze, facts([kept(without(summaries(), "temperature"))]))
    assert codes(c.verdict.reasons) == ["limit_needs_temperature"]
    assert codes([c.corrected.reason]) == ["correction_without_temperature"]


@pytest.mark.parametrize("doubt", ["probe", "silent", "beyond_range", "unsteady", "no_temperature"])
@pytest.mark.parametrize("checks", [SOUND_TEMPERATURES - 1, CHECKS])
def test_a_value_is_not_corrected_from_a_doubtful_temperature(glaze, doubt, checks):
    found = dataclasses.replace(kept(summaries(temperature=25.2)), temperature_faults=(doubt,))
    c = conclude(glaze, dataclasses.replace(facts([found]), checks=checks))
    # An unsteady temperature is one, and an absent one is left out by another rule.
    is_corrected = doubt in ("unsteady", "no_temperature") or checks < SOUND_TEMPERATURES
    assert (c.corrected.value is not None) is is_corrected
    assert c.corrected.reason is None or codes([c.corrected.reason]) == ["correction_needs_sound_temperature"]


@pytest.mark.parametrize("torque", [0.0, -0.0, -3.0, -9.9])
def test_a_torque_that_is_not_above_zero_has_a_result_and_no_correction(glaze, torque):
    """An empty vessel, or a zero that is slightly off: the number is kept, and nothing is scaled by a factor of it."""
    found = summaries(viscosity=16.0 * torque, torque=torque) | {"stress": flat(0.2 * torque)}
    c = conclude(glaze, facts([kept(found, faults=("below_band",))]))
    assert (c.value, c.validity, c.corrected.value) == (16.0 * torque, "doubtful", None)
    assert codes([c.corrected.reason]) == ["correction_without_viscosity"]


def test_a_correction_says_what_its_uncertainty_lacks(glaze):
    curve = dataclasses.replace(glaze.context.temperature_curve, relative_u=None)
    plan = changed(glaze, temperature_curve=curve)
    c = conclude(plan, facts([kept(summaries(temperature=25.2))]))
    assert "curve_uncertainty_unknown" in codes(c.corrected.left_out)
    assert codes(corrected(plan, c.row, c.value, None).left_out) == ["value_without_uncertainty"]


def test_how_a_sample_is_reported():
    limit = {"quantity": "viscosity", "low": 700.0, "high": 900.0, "unit": "mPa.s", "verdict": "within", "reasons": []}
    data = {
        "value": 800.0, "unit": "mPa.s", "quantity": "viscosity", "validity": "valid", "reasons": [],
        "outcome": "complete", "sample": {"id": "G-1", "sheared": False}, "geometry": None, "uncertainty": None,
        "method": {"id": "clear-glaze-qc", "version": "1", "digest": "d", "choices": {}},
        "verdict": {"limits": [limit]},
    }  # fmt: skip
    run = Attempt(
        "r", "2026-01-05T08:00:00Z", "clear-glaze-qc 1", "bench-1", "r", 800.0, "mPa.s", "valid", counted=False
    )
    found = reportable("G-1", [(run, data)], example("products/clear-glaze.toml"))
    assert found.how.code in ("first_valid_result", "more_results_needed")
    single = example("products/clear-glaze.toml").model_copy(update={"replicates": None})
    found = reportable("G-1", [(run, data)], single)
    assert (found.how.code, codes(found.limits)) == ("first_valid_result", ["limit_judged"])
    none = reportable("G-1", [(run, None)], example("products/engobe.toml"))
    assert parameters([none.how], "more_results_needed") == {"more": 2}


# ---- faults, cautions, uncertainty


def test_a_quantity_that_is_not_defined(glaze):
    c = conclude(glaze, facts([kept(summaries() | {"viscosity": Summary(0)})]))
    assert codes(c.reasons) == ["undefined"]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_of_a_value_has_its_sentence(glaze, fault):
    c = conclude(glaze, facts([kept(summaries(), faults=(fault,))]))
    found = codes([*c.reasons, *c.cautions])
    assert ("called_unsteady" if fault == "unsteady" else fault) in found


def test_heating_where_nobody_says_how_the_value_changes_with_it():
    plan = plan_of("reference-check", example("instruments/bench-1.toml").with_fitted("coaxial-15"))
    rate = plan.context.geometry.rate_per_omega * 100.0 * 2.0 * math.pi / 60.0
    values = summaries(viscosity=20_000.0, speed=100.0) | {"shear_rate": flat(rate), "stress": flat(20.0 * rate)}
    assert "heating" in codes(conclude(plan, facts([kept(values)])).cautions)


def test_a_sample_between_plates_is_heated_too(glaze):
    """1 kPa.s at 100 /s in a gap of 1 mm: eta rate^2 gap^2/(8 k) = 6.25 K, k = 0.2 W/(m K)."""
    sizes = {"radius": 20.0, "gap": 1.0}
    geometry = dataclasses.replace(glaze.context.geometry, kind="parallel_plates", dimensions=sizes)
    values = summaries(viscosity=1e6) | {"shear_rate": flat(100.0), "stress": flat(1e5)}
    c = conclude(changed(glaze, geometry=geometry), facts([kept(values, t=600.0)], ended={0: (0.0, 600.0, "x")}))
    assert parameters(c.cautions, "heating_changes_value")["rise"] == pytest.approx(6.25)


def test_without_a_torque_the_instrument_has_no_share(glaze):
    u = conclude(glaze, facts([kept(summaries(torque=0.0))])).uncertainty
    assert (u.expanded, codes(u.reasons)) == (None, ["share_without_torque"])


def test_a_channel_without_a_stated_error():
    plan = changed(plan_of("thermometer-log", "thermo-1"), specification=StatedLimits())
    values = {name: flat(25.0, sd=0.01) for name in plan.lead.channels}
    c = conclude(plan, facts([kept(values, step=plan.context.result_step)]))
    assert (c.uncertainty.expanded, codes(c.uncertainty.reasons)) == (None, ["error_not_specified"])


def test_a_vessel_whose_volume_has_no_stated_error():
    method, balance = example("methods/slip-density.toml"), example("instruments/balance-1.toml")
    plan = compile_plan(method, balance, BUILT_IN["balance"].driver())
    vessel = dataclasses.replace(plan.context.density_vessel, volume_error=0.0)
    values = {"mass": flat(178.5, sd=0.01), "density": flat(1.785, sd=0.001)}
    c = conclude(changed(plan, density_vessel=vessel), facts([kept(values, step=plan.context.result_step)]))
    assert "volume_not_specified" in codes(c.uncertainty.left_out)


def test_a_time_to_an_event_on_a_value_that_does_not_move():
    plan = plan_of("slip-setting-time", "bench-1")
    step = plan.context.result_step
    rule = next(k.event for k in plan.steps[step].keep if k.event is not None).name
    values = summaries() | {"viscosity": flat(800.0)}
    c = conclude(
        plan, facts([kept(values, step=step, at="event", t=200.0, rule=rule)], ended={step: (0.0, 300.0, rule)})
    )
    assert "threshold_on_other_signal" in codes(c.uncertainty.left_out)


# ---- verifications


@pytest.fixture
def check():
    return plan_of("reference-verification", "bench-2", fluid=example("fluids/reference-b.toml"))


def at_levels(plan, *found, faults=((), ())):
    values = [kept(x, step=i, t=60.0 + 60.0 * i, faults=f) for i, (x, f) in enumerate(zip(found, faults, strict=True))]
    return conclude(plan, facts(values, ended={0: (0.0, 60.0, "x"), 1: (60.0, 120.0, "x")})).verification


def test_levels_that_cannot_be_judged(check):
    cold, empty = without(summaries(), "temperature"), saturated()
    assert codes(at_levels(check, cold, empty, faults=((), ("saturated",))).reasons)[:2] == [
        "level_without_temperature",
        "level_without_value",
    ]
    unknown = changed(check, full_scale_unm=None)
    assert codes(at_levels(unknown, summaries(), summaries()).reasons)[0] == "level_without_full_scale"
    doubtful = at_levels(check, summaries(viscosity=500.0), summaries(viscosity=500.0), faults=(("off_speed",), ()))
    assert parameters(doubtful.reasons, "level_doubtful")["faults"] == ("off_speed",)
    outside = at_levels(check, summaries(viscosity=5000.0), summaries(viscosity=500.0))
    assert parameters(outside.reasons[:1], "level_outside")["value"] == 5000.0


# ---- stop rules and ends of runs


def test_every_kind_of_rule_is_told_by_its_figures(tmp_path):
    for rule, code, given in (
        ('{ signal = "viscosity", below = "700 mPa.s", hold = "5 s" }', "rule_below", {"limit": 700.0, "hold": 5.0}),
        ('{ signal = "viscosity", between = ["7 mPa.s", "9 mPa.s"] }', "rule_between", {"low": 7.0, "high": 9.0}),
        ('{ signal = "temperature", steady = { span = "20 s", limit = "0.1 K" } }', "rule_steady", {"limit": 0.1}),
    ):
        edit = ('stop = "60 s"', f'stop = {{ any = [{rule}, "60 s"] }}')
        plan = plan_of(load_changed(tmp_path, "methods/clear-glaze-qc.toml", edit), "bench-1")
        leaf = next(iter(plan.steps[0].stop.leaves()))
        found = rule_statement(plan, 0, leaf.name)
        assert (found.code, found.text) == (code, leaf.name)
        assert {name: found.parameters[name] for name in given} == given


@pytest.mark.parametrize(
    "reason",
    [
        remark("daemon_ended"),
        remark("run_not_ended"),
        remark("software_fault", detail="KeyError: 'a'"),
        remark("instrument_not_reached", detail="bench-1: no such port"),
        remark("stopped_by_person", who="operator"),
        remark("store_failed", detail="the disk is full"),
        remark("identity_not_given", instrument="bench-1", detail="no answer"),
        remark("seek_without_torque", speed=12.0),
    ],
    ids=lambda r: r.code,
)
def test_the_reason_of_a_run_that_ended_early_is_its_last(glaze, reason):
    c = conclude(glaze, facts([kept(summaries())], outcome="failed", reason=reason, ended={}))
    assert codes(c.reasons) == ["incomplete", reason.code]
    assert c.reasons[-1] == state(reason.code, **reason.parameters)


# ---- warnings of a plan


def test_a_settle_and_a_span_below_one_turn_are_warned_of(tmp_path):
    method = load_changed(
        tmp_path, "methods/engobe-qc.toml", ('settle = "1 rev"', 'settle = "0.3 rev"'), ('span = "2 rev"', 'span = "0.5 rev"')
    )  # fmt: skip
    warnings = plan_of(method, "bench-2").context.warnings
    assert parameters(warnings, "spring_winding_up") == {"step": "reading", "settle": 0.3, "needed": 1.0}
    assert parameters(warnings, "span_below_one_turn") == {"step": "reading", "turns": 0.5}


# ---- flow curves


@pytest.fixture
def curve_plan():
    return plan_of("white-glaze-flow-curve", "bench-2")


def point(step, speed, branches, stress=None):
    stress = speed if stress is None else stress
    return CurvePoint(
        step=step, name=f"s{step}", branches=branches, speed=speed, shear_rate=speed, stress=stress, wall_stress=stress, used=True
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("coaxial_cylinders", "rates_at_inner_cylinder"),
        ("single_cylinder_in_large_vessel", "rates_at_single_cylinder"),
        ("parallel_plates", "rates_at_rim"),
        ("cone_and_plate", "rates_uniform"),
    ],
)
def test_how_rates_are_found_follows_from_the_geometry(curve_plan, kind, code):
    sizes = {"inner_radius": 14.0, "outer_radius": 15.0, "radius": 20.0, "gap": 1.0, "vessel_radius": None}
    geometry = dataclasses.replace(curve_plan.context.geometry, kind=kind, dimensions=sizes)
    plan = changed(curve_plan, geometry=geometry)
    assert curve_of(plan, conclude(plan, facts([]))).rates.code == code


def test_a_loop_and_a_thinning_index_need_their_points(curve_plan):
    turning = next(
        i for i, s in enumerate(curve_plan.steps) if s.speed == max(x.speed or 0.0 for x in curve_plan.steps)
    )
    for down, code in (
        ([point(turning, 10.0, ["up", "down"]), point(turning, 10.0, ["down"])], "loop_without_points"),
        ([point(turning, 30.0, ["down"]), point(turning, 20.0, ["down"])], "loop_without_overlap"),
    ):
        left_out = []
        up = [point(0, 2.0, ["up"]), point(0, 3.0, ["up"])]
        assert loop(curve_plan, [*up, *down], 1.0, left_out) is None
        assert codes(left_out) == [code]
    left_out = []
    assert thinning([point(0, 2.0, ["up"]), point(1, 3.0, ["up"])], left_out) == []
    assert codes(left_out) == ["no_tenfold_speeds"]


def test_a_curve_that_no_model_describes(curve_plan):
    plan = changed(curve_plan, specification=StatedLimits())
    turning = [i for i, s in enumerate(plan.steps) if s.speed]
    values = [
        kept(summaries(speed=plan.steps[i].speed) | {"shear_rate": flat(0.2 * plan.steps[i].speed), "stress": flat(9.0)}, step=i, t=60.0 * (n + 1))
        for n, i in enumerate(turning)
    ]  # fmt: skip
    ended = {i: (60.0 * n, 60.0 * (n + 1), "x") for n, i in enumerate(turning)}
    found = conclude(plan, facts(values, ended=ended))
    assert found.steps[-1].seconds == pytest.approx(60.0 * S / S)
    curve = curve_of(plan, found)
    assert curve.chosen is None
    assert "instrument_share_unknown" in codes(curve.left_out)
    only = dataclasses.replace(plan.context.flow_curve, models=("newtonian",))
    given = changed(curve_plan, flow_curve=only)
    falling = tuple(s.model_copy(update={"stress": 9.0 / (s.speed or 1.0)}) for s in found.steps)
    refused = curve_of(given, found.model_copy(update={"steps": falling}))
    assert "no_model_supported" in codes(refused.left_out)
    assert codes(r.reason for r in refused.refused) == ["parameter_not_determined"]


@pytest.mark.parametrize(
    ("model", "stresses", "code"),
    [
        ("bingham", 5.0 / RATES, "parameter_goes_to_zero"),
        ("newtonian", 5.0 / RATES, "parameter_not_determined"),
        ("carreau", RATES**1.5, "parameter_at_bound"),
        ("cross", RATES, "parameters_not_separable"),
    ],
)
def test_models_that_the_data_do_not_support(model, stresses, code):
    assert fit_model(model, RATES, stresses, 0.01 * stresses).reason.code == code
