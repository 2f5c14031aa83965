"""Conclusions from facts made by hand; the arithmetic is beside each number."""

import math
from dataclasses import replace

import pytest

from daq.core.effects import Identified, Noted
from daq.core.faults import Quality
from daq.core.linkstates import IdentityCheck
from daq.core.remarks import remark
from daq.methods.concluding.conclude import conclude
from tests.support.runs.examples import S, example, facts, flat, kept, load_changed, plan_of, saturated, summaries
from tests.support.statements import codes, parameters


@pytest.fixture
def qc():
    return plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")


def test_a_valid_value_within_limits(qc):
    c = conclude(qc, facts([kept(summaries())]))
    assert (c.quantity, c.value, c.unit, c.reported) == ("viscosity", 800.0, "mPa.s", "800")
    assert (c.quality, c.validity, c.faults, c.reasons) == (Quality.GOOD, "valid", (), ())
    assert (c.verdict.verdict, c.verdict.rounding, c.verdict.compared) == ("within", "unrounded", "800.0")
    assert parameters([c.span.stop_reason], "rule_above") == {"signal": "elapsed", "limit": 60.0, "unit": "s"}
    assert (c.row.n, c.row.span_seconds, c.row.seconds, c.row.set_speed) == (300, 30.0, 60.0, 20.0)
    assert (c.row.torque_percent, c.row.torque, c.row.temperature) == (50.0, 500.0, 25.0)
    assert c.advice == ()
    # Limits prevail: the interval is that of the propagated distributions, and narrower than 18.8 (k = 1.96).
    assert c.uncertainty.trials is not None
    assert (c.uncertainty.high - c.uncertainty.low) / 2 < c.uncertainty.expanded
    assert (c.uncertainty.high - c.uncertainty.low) / 2 == pytest.approx(17.0, abs=0.5)


def test_the_uncertainty_by_hand(qc):
    """JCGM 100: limits rectangular, a/sqrt(3); readings s/sqrt(n_eff), n_eff = n (1-r)/(1+r).

    In % of 800 mPa.s at 50 % torque:
      torque         1 % of full scale: 1/50 = 2 % of the reading, 2/sqrt(3)    = 1.154701   squared 1.333333
      resolution     0.01 % of full scale, half of it: 0.01 %, /sqrt(3)         = 0.005774           0.000033
      geometry       0.5/sqrt(3)                                                = 0.288675           0.083333
      speed          0.1/sqrt(3)                                                = 0.057735           0.003333
      temperature    0.05 K * 4.3 %/K = 0.215 %, /sqrt(3)                       = 0.124130           0.015408
      readings       r = (300 * 0.5 + 1)/297 = 0.508418, one standard error more 0.558137; n_eff = 300 (1 - r)/(1 + r)
                     = 85.07; 4 sqrt(299/300/84.07) = 0.435511 mPa.s            = 0.054439           0.002964
    sum 1.438405, root 1.199336 %, so u = 9.594684 mPa.s; degrees of freedom over 1e6, k = 1.95996, U = 18.8052.
    Limits prevail, so that U = k u is in the budget only; the interval is that of the propagated distributions.
    """
    u = conclude(qc, facts([kept(summaries())])).uncertainty
    parts = {c.name: 100.0 * c.contribution / 800.0 for c in u.components}
    expected = {
        "torque": 1.154701, "resolution": 0.005774, "geometry": 0.288675, "speed": 0.057735,
        "temperature": 0.124130, "scatter of readings (Type A)": 0.054439,
    }  # fmt: skip
    assert parts == pytest.approx(expected, abs=1e-6)
    assert u.compared.k == pytest.approx(1.959964, abs=1e-5)
    assert u.compared.expanded == pytest.approx(18.8052, rel=1e-5)
    assert u.expanded == pytest.approx(16.63, rel=0.01)
    assert (u.coverage, codes(u.left_out)) == (0.95, ["contained_in_torque"])


def test_one_percent_of_full_scale_is_ten_percent_at_a_tenth_of_the_torque(qc):
    """Case UNC-FS-01: relative standard uncertainty (1/sqrt 3)/(torque fraction), 5.7735 % at 10 % torque."""
    u = conclude(qc, facts([kept(summaries(torque=10.0))])).uncertainty
    torque = next(c for c in u.components if c.name == "torque")
    assert 100.0 * torque.contribution / 800.0 == pytest.approx(100.0 / math.sqrt(3.0) / 10.0, rel=1e-12)


def test_few_readings_widen_k(qc):
    # 12 readings, s = 80, no correlation seen: r = 1/9, one standard error more 0.397985; n_eff = 5.1676; u =
    # 80 sqrt(11/12/4.1676) = 37.5197 with 1/(1/12 + 2/5.1676) = 2.12611 degrees of freedom; instrument 1.198099 % of
    # 800 = 9.584795. u_c = sqrt(37.5197^2 + 9.584795^2) = 38.7246; nu = 2.12611 (38.7246/37.5197)^4 = 2.4126; t(2) = 4.303.
    scattered = summaries() | {"viscosity": flat(800.0, n=12, sd=80.0)}
    u = conclude(qc, facts([kept(scattered)])).uncertainty
    assert u.effective_degrees_of_freedom == pytest.approx(2.4126, abs=1e-3)
    assert u.k == pytest.approx(4.3027, abs=1e-3)
    assert u.expanded == pytest.approx(4.3027 * 38.7246, rel=1e-4)


def test_what_the_budget_lacks_is_said(tmp_path):
    bench = load_changed(tmp_path, "instruments/bench-1.toml", ('includes = ["zero"]', 'includes = ["geometry"]'),
                         ('speed = "0.1 %"\n', ""))  # fmt: skip
    c = conclude(plan_of("clear-glaze-qc", bench), facts([kept(summaries())]))
    assert [(s.code, s.parameters) for s in c.uncertainty.left_out] == [
        ("contained_in_torque", {"component": "geometry"}),
        ("not_specified", {"component": "speed"}),
        ("temperature_effect_unknown", {}),
        ("end_factor_of_newtonian_fluid", {}),
        ("zero_not_seen", {}),
        ("zero_drift_not_seen", {}),
    ]
    assert {x.name for x in c.uncertainty.components} == {"torque", "resolution", "scatter of readings (Type A)"}


def test_a_drift_is_told_and_does_not_spoil_a_value_at_a_time(qc):
    # -0.08 mPa.s each second of 800 mPa.s: -0.08 * 60 / 800 = -0.6 %/min.
    c = conclude(qc, facts([kept(summaries(slope=-0.08))]))
    assert c.validity == "valid"
    assert c.drift.percent_per_min == pytest.approx(-0.6, rel=1e-12)
    # sum of squares 299 * 16 = 4784 less 0.08^2 * 300 * 30^2/12 = 144 leaves 4640; about a line r is
    # (300 * 0.5 + 2)/296 = 0.513514, n_eff 96.429: half width t(94.4) sqrt(4640/94.429/22500) = 1.98546 * 0.046733
    # = 0.092786 mPa.s/s, in %/min 0.695897.
    assert c.drift.bound_percent_per_min == pytest.approx(0.6 + 0.695897, abs=1e-3)
    assert c.drift.certain is False
    assert conclude(qc, facts([kept(summaries(slope=-0.2))])).drift.certain is True


@pytest.mark.parametrize(
    ("value", "rule", "verdict", "compared"),
    [
        (900.0, "unrounded", "within", "900.0"),  # limits are included
        (900.4, "unrounded", "outside", "900.4"),
        (900.4, "rounded", "within", "900"),  # three significant digits
        (900.6, "rounded", "outside", "901"),
        (699.9, "unrounded", "outside", "699.9"),
        (699.9, "rounded", "within", "700"),
    ],
)
def test_the_rounding_is_the_products(tmp_path, value, rule, verdict, compared):
    product = load_changed(tmp_path, "products/clear-glaze.toml", ('"unrounded"', f'"{rule}"'))
    j = conclude(
        plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries(viscosity=value))])
    ).verdict
    assert (j.verdict, j.rounding, j.compared) == (verdict, rule, compared)


def test_an_outside_value_says_which_side(qc):
    j = conclude(qc, facts([kept(summaries(viscosity=950.0))])).verdict
    assert codes(j.reasons) == ["above_limit"]
    assert parameters(j.reasons, "above_limit") == {
        "value": 950.0, "limit": 900.0, "unit": "mPa.s", "expanded": pytest.approx(19.74, abs=0.1),
    }  # fmt: skip
    assert j.reasons[0].text == "950 mPa·s ± 20 mPa·s is above 900 mPa·s"
    assert (j.limits[0].low, j.limits[0].high, j.limits[0].applies_at["speed"], j.limits[0].applies_at["time"]) == (
        700.0, 900.0, 20.0, 60.0,
    )  # fmt: skip


def test_limits_in_another_unit_of_the_same_dimension_are_converted(tmp_path):
    product = load_changed(tmp_path, "products/clear-glaze.toml", ('low = 700\nhigh = 900\nunit = "mPa.s"',
                                                                  'low = 7\nhigh = 9\nunit = "P"'))  # fmt: skip
    plan = plan_of("clear-glaze-qc", "bench-1", product=product)
    assert conclude(plan, facts([kept(summaries(viscosity=899.0))])).verdict.verdict == "within"
    assert conclude(plan, facts([kept(summaries(viscosity=901.0))])).verdict.verdict == "outside"


@pytest.mark.parametrize(
    ("edit", "code", "given"),
    [
        (("speed = 20", "speed = 10"), "limit_at_other_speed", {"wanted": 10.0, "speed": 20.0}),
        (('time = "60 s"', 'time = "2 min"'), "limit_at_other_time", {"wanted": 120.0, "taken": 60.0}),
        (("temperature = 25.0", "temperature = 20.0"), "limit_at_other_temperature", {"wanted": 20.0, "band": 0.3, "temperature": 25.0}),
        (('geometry = "coaxial-12"', 'geometry = "cylinder-9"'), "limit_of_other_geometry", {"wanted": "cylinder-9", "fitted": "coaxial-12"}),
        (('geometry = "coaxial-12"', 'vessel = "beaker"'), "limit_of_other_vessel", {"wanted": "beaker", "used": "cup 15"}),
        (('high = 900\nunit = "mPa.s"', 'high = 900\nunit = "Pa"'), "limit_in_other_unit", {"limit_unit": "Pa", "unit": "mPa.s"}),
        (('quantity = "viscosity"', 'quantity = "stress"'), "limit_of_other_quantity", {"limited": "stress", "quantity": "viscosity"}),
    ],
)  # fmt: skip
def test_a_limit_that_binds_elsewhere_is_not_comparable(tmp_path, edit, code, given):
    product = load_changed(tmp_path, "products/clear-glaze.toml", edit)
    j = conclude(plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries())])).verdict
    assert (j.verdict, codes(j.reasons), parameters(j.reasons, code)) == ("not_comparable", [code], given)
    assert j.compared is None


def test_of_several_limits_the_comparable_ones_count(tmp_path):
    text = '[[limits]]\nlow = 1\nhigh = 2\nunit = "mPa.s"\nmethods = ["clear-glaze-qc 1"]\nspeed = 50\n\n[[limits]]\nquantity'
    product = load_changed(tmp_path, "products/clear-glaze.toml", ("[[limits]]\nquantity", text))
    j = conclude(plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries())])).verdict
    assert [x.verdict for x in j.limits] == ["not_comparable", "within"]
    assert j.verdict == "within"


def test_without_a_product_there_is_no_verdict():
    j = conclude(plan_of("clear-glaze-qc", "bench-1"), facts([kept(summaries())])).verdict
    assert (j.verdict, j.limits) == ("none", ())


def test_a_torque_below_the_band_keeps_the_number_as_doubtful(qc):
    c = conclude(qc, facts([kept(summaries(torque=8.0), faults=("below_band",))]))
    assert (c.value, c.quality, c.validity) == (800.0, Quality.UNCERTAIN_NOT_ACCURATE, "doubtful")
    assert codes(c.reasons) == ["below_band"]
    assert parameters(c.reasons, "below_band") == {"torque": 8.0}


def test_advice_upwards_prefers_the_speed_the_limits_bind_to():
    # 7 % at 5 /min, Newtonian: 10 -> 14 %, 20 -> 28 %, 50 -> 70 %; mid-band is 55 %: 50 is nearer, 20 has limits.
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze", choices={"speed": 5})
    (a, b) = conclude(plan, facts([kept(summaries(torque=7.0, speed=5.0), faults=("below_band",))])).advice
    assert (a.code, a.speed, a.torque_percent, a.comparable, a.is_bound) == ("other_speed", 20.0, pytest.approx(28.0), True, False)  # fmt: skip
    # Constants: coaxial-15 0.10239565 Pa.s * 10.471976 rad/s / 0.001 N.m = 1072.28 (case GEO-CC-02); coaxial-12
    # (6944.444 - 4444.444)/(4 pi * 0.04 * 1.1) = 4521.45.  7 % * 4521.45/1072.28 = 29.52 %.
    assert (b.code, b.geometry, b.comparable) == ("other_geometry", "coaxial-15", False)
    assert b.torque_percent == pytest.approx(29.52, abs=0.01)
    assert b.parameters["limit_geometries"] == ("coaxial-12",)


def test_advice_from_a_saturated_reading_is_a_bound():
    """At 100 /min and 110 % of 0.001 N.m the value is at least, by the Margules equation for coaxial-12:

    T (1/Ri^2 - 1/Re^2)/(4 pi L c_L omega) = 0.0011 * (6944.444 - 4444.444)/(4 pi * 0.04 * 1.1 * 10.471976)
    = 2.75/5.790172 = 0.474943 Pa.s.  At 20 /min the torque is at least 110/5 = 22 %.
    """
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze", choices={"speed": 100})
    c = conclude(plan, facts([kept(saturated(), faults=("saturated",))]))
    assert (c.value, c.quality, c.validity, c.uncertainty) == (None, Quality.BAD, "not_valid", None)
    assert (c.verdict.verdict, codes(c.verdict.reasons)[0]) == ("not_comparable", "no_value_to_compare")
    a = c.advice[0]
    assert (a.code, a.speed, a.comparable, a.is_bound) == ("other_speed", 20.0, True, True)
    assert a.torque_percent == pytest.approx(22.0)
    assert a.value_at_least == pytest.approx(474.943, rel=1e-5)
    given = {"beyond": 110.0, "speed": 100.0, "new_speed": 20.0, "index": 1.0, "unit": "mPa.s", "limit_speeds": ()}
    bounds = {"expected_least": pytest.approx(22.0), "value_at_least": pytest.approx(474.943, rel=1e-5)}
    assert parameters([a], "other_speed") == given | bounds


def test_from_a_bound_the_speed_leaves_room_above_it(tmp_path):
    # Band 10 to 80 %, middle 45 %.  From at least 110 % at 100 /min: 50 would give at least 55 %, 20 at least 22 %.
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ("high = 100", "high = 80"))
    plan = plan_of(method, "bench-1", choices={"speed": 100})
    a = conclude(plan, facts([kept(saturated(), faults=("saturated",))])).advice[0]
    assert (a.speed, a.torque_percent) == (20.0, pytest.approx(22.0))


@pytest.mark.parametrize(
    ("index", "highest", "speed"),
    [("1.0", "1000", 83.33333333333333), ("0.5", "1000", 694.4444444444446), ("0.5", "100", None)],
)
def test_a_prescribed_speed_is_not_broken_unseen(tmp_path, index, highest, speed):
    """Case PRA-RANGE-01: 6 % at 10 /min, target 50 %: 83.33 /min for a Newtonian fluid, 694.4 /min for n = 0.5."""
    method = load_changed(
        tmp_path, "methods/engobe-qc.toml", ('speed = "10 rpm"', "speed = 10"),
        ("[conditioning.temperature]", "[torque]\nlow = 10\nhigh = 90\n[conditioning.temperature]"),
    )  # fmt: skip
    product = load_changed(
        tmp_path, "products/engobe.toml", ("flow_behaviour_index = 0.55", f"flow_behaviour_index = {index}")
    )
    bench = load_changed(tmp_path, "instruments/bench-2.toml", ('speed = "100 /min"', f'speed = "{highest} /min"'))
    plan = plan_of(method, bench, product=product)
    advice = conclude(plan, facts([kept(summaries(torque=6.0, speed=10.0), faults=("below_band",))])).advice
    a = advice[-1]
    assert a.comparable is False
    if speed is None:
        assert (a.code, a.speed) == ("higher_torque_needed", None)
        assert (a.parameters["needed"], a.parameters["highest"]) == (pytest.approx(694.44, abs=0.01), 100.0)
    else:
        assert (a.code, a.speed) == ("speed_not_comparable", pytest.approx(speed, rel=1e-12))


def test_a_torque_not_above_zero_asks_for_the_zero(qc):
    (a,) = conclude(qc, facts([kept(summaries(torque=-0.3), faults=("below_band",))])).advice
    assert a.code == "no_torque"


def test_advice_while_the_run_goes_on(qc):
    c = conclude(qc, facts([kept(summaries(torque=104.0), faults=("above_band",))], outcome="", ended={}))
    assert (c.outcome, c.validity, c.advice[0].code, c.advice[0].speed) == ("", "doubtful", "other_speed", 10.0)
    assert conclude(qc, facts([], outcome="", ended={})).value is None


LOST = remark("connection_lost", instrument="bench-1", detail="cable pulled")


@pytest.mark.parametrize(
    ("outcome", "fault"), [("interrupted", "interrupted"), ("stopped", "incomplete"), ("failed", "incomplete")]
)
def test_a_run_that_did_not_end_has_no_value(qc, outcome, fault):
    f = facts([kept(summaries(), at="every")], outcome=outcome, reason=LOST, ended={})
    c = conclude(qc, f)
    assert (c.value, c.validity, c.faults, c.outcome) == (None, "not_valid", (fault,), outcome)
    assert codes(c.reasons) == [fault, "connection_lost"]
    assert c.reasons[-1].parameters == LOST.parameters
    assert c.span.stop_reason == c.reasons[-1]
    assert conclude(qc, facts([], outcome=outcome, ended={})).value is None


def test_the_worst_fault_gives_the_quality(qc):
    c = conclude(qc, facts([kept(summaries(), faults=("cut_short", "off_speed"))]))
    assert (c.quality, c.validity) == (Quality.UNCERTAIN_SUBNORMAL, "doubtful")
    c = conclude(qc, facts([kept(summaries(), faults=("cut_short", "blocked"))]))
    assert (c.quality, c.value) == (Quality.BAD_DEVICE_FAILURE, None)


def test_keys_used_before_the_span_are_not_forgotten(qc):
    c = conclude(qc, facts([kept(summaries())], notes=[Noted(5 * S, "keys_used")]))
    assert (c.faults, c.validity, c.value) == (("keys_used",), "doubtful", 800.0)


def test_equilibrium_is_valid_only_where_steadiness_ended_the_step():
    plan = plan_of("casting-slip-equilibrium", "bench-1", product="casting-slip")
    steady, elapsed = (leaf.name for leaf in plan.steps[0].stop.leaves())
    taken = kept(summaries(viscosity=680.0), t=120.0, span=20.0)
    c = conclude(plan, facts([taken], ended={0: (0.0, 120.0, steady)}))
    assert (c.steady, c.validity, c.span.stop_reason.code) == (True, "valid", "rule_steady")
    c = conclude(plan, facts([taken], ended={0: (0.0, 600.0, elapsed)}))
    assert (c.steady, c.validity, c.value) == (False, "doubtful", 680.0)
    assert codes(c.reasons) == ["not_steady"]


def test_a_peak_is_the_greatest_value_and_unknown_beyond_the_sensor(tmp_path):
    method = load_changed(
        tmp_path, "methods/clear-glaze-qc.toml", ('claim = "at_time"', 'claim = "peak"'),
        ('at = "end"\nspan = "30 s"', 'at = "every"\nevery = "10 s"\nspan = "5 s"'),
    )  # fmt: skip
    plan = plan_of(method, "bench-1", product="clear-glaze")
    taken = [kept(summaries(viscosity=v), t=t, at="every") for v, t in ((780.0, 10.0), (850.0, 20.0), (820.0, 30.0))]
    c = conclude(plan, facts(taken))
    assert (c.value, c.row.seconds) == (850.0, 20.0)
    c = conclude(plan, facts([*taken, kept(saturated(), t=40.0, at="every", faults=("saturated",))]))
    assert (c.value, c.row.seconds) == (None, 40.0)


def test_time_to_is_the_time_of_the_event_in_seconds(tmp_path):
    event = 'at = "event"\nevent = { signal = "viscosity", above = "850 mPa.s" }\nspan = "5 s"'
    method = load_changed(
        tmp_path, "methods/clear-glaze-qc.toml", ('claim = "at_time"', 'claim = "time_to"'),
        ('at = "end"\nspan = "30 s"', event),
    )  # fmt: skip
    plan = plan_of(method, "bench-1")
    c = conclude(plan, facts([kept(summaries(), t=52.0, at="event")], ended={0: (10.0, 70.0, "elapsed ≥ 60 s")}))
    assert (c.quantity, c.value, c.unit) == ("time", 42.0, "s")
    # The readings come every 0.1 s: rectangular, so u = 0.1/sqrt(3); the value's own share needs a slope.
    assert c.uncertainty.expanded == pytest.approx(1.96 * 0.1 / 3**0.5, rel=1e-3)
    c = conclude(plan, facts([]))
    assert (c.value, c.faults) == (None, ("threshold_not_met",))


def test_a_run_of_several_speeds_has_a_row_for_each():
    plan = plan_of("white-glaze-flow-curve", "bench-2", product="white-glaze")
    speeds = [s.speed for s in plan.steps]
    taken = [
        kept(summaries(viscosity=5500.0 * (v / 10.0) ** -0.55, torque=45.0 * (v / 10.0) ** 0.45, speed=v, temperature=25.0),
             t=20.0 * (i + 1), span=10.0, step=i)
        for i, v in enumerate(speeds)
    ]  # fmt: skip
    ended = {i: (20.0 * i, 20.0 * (i + 1), "elapsed ≥ 20 s") for i in range(len(speeds))}
    c = conclude(plan, facts(taken, ended=ended))
    assert [r.set_speed for r in c.steps] == [2, 5, 10, 20, 50, 20, 10, 5, 2]
    assert (c.row.name, c.value, c.verdict.verdict) == ("up-10", pytest.approx(5500.0), "within")
    assert [r.seconds for r in c.steps] == [20.0] * 9
    assert c.steps[4].value == pytest.approx(5500.0 * 5.0**-0.55)


def test_a_step_off_range_gets_its_own_advice():
    plan = plan_of("white-glaze-flow-curve", "bench-2", product="white-glaze")
    taken = [kept(summaries(), step=2), kept(saturated(), step=4, faults=("saturated",))]
    c = conclude(plan, facts(taken, ended={2: (0.0, 60.0, "a"), 4: (0.0, 60.0, "b")}))
    assert c.value == 800.0
    assert {a.step for a in c.advice} == {"top-50"}
    assert c.steps[1].value is None


def test_a_thermometer_has_an_uncertainty_too():
    # Limit 0.05 K: 0.05/sqrt(3) = 0.0288675; readings 0.00030; together 0.0288692 K.
    plan = plan_of("thermometer-log", "thermo-1")
    c = conclude(plan, facts([kept({"temperature": flat(24.98, n=60, sd=0.002)}, t=120.0, span=60.0)]))
    assert (c.quantity, c.value, c.unit, c.validity) == ("temperature", 24.98, "Cel", "valid")
    assert c.uncertainty.compared.expanded == pytest.approx(1.959964 * 0.0288692, rel=1e-5)
    assert c.uncertainty.expanded == pytest.approx(0.0475, rel=0.005)  # 95 % of the limit
    assert (c.row.speed, c.row.torque_percent, c.row.shear_rate, c.verdict.verdict) == (None, None, None, "none")
    assert c.conditions.temperatures == {"temperature": 24.98}


def test_a_body_known_by_constants_gives_an_apparent_viscosity():
    plan = plan_of("reference-check", example("instruments/bench-2.toml").with_fitted("paddle-2"), product="engobe")
    found = {"torque": flat(30.0), "speed": flat(50.0), "temperature": flat(25.0), "apparent_viscosity": flat(1.0)}
    c = conclude(plan, facts([kept(found)]))
    assert (c.quantity, c.unit, c.row.shear_rate) == ("apparent_viscosity", "Pa.s", None)
    found = parameters(c.verdict.reasons[:1], "limit_of_other_quantity")
    assert found == {"limited": "viscosity", "quantity": "apparent_viscosity"}


def test_the_same_facts_give_the_same_conclusion(qc):
    f = facts([kept(summaries(torque=8.0), faults=("below_band",))])
    assert conclude(qc, f) == conclude(qc, f)


@pytest.mark.parametrize(
    ("check", "quality", "expected_codes"),
    [
        (IdentityCheck.SAME, "Good", []),
        (IdentityCheck.NOT_ASKED, "Good", ["identity_not_asked"]),
        (IdentityCheck.NO_ANSWER, "Uncertain", ["identity_unknown"]),
        (IdentityCheck.CHANGED, "Bad", ["another_instrument"]),
    ],
)
def test_who_answered_at_the_end_decides_whether_the_value_is_believed(qc, check, quality, expected_codes):
    answered = Identified("bench-1", check, "it is" if check is IdentityCheck.CHANGED else "")
    c = conclude(qc, replace(facts([kept(summaries())]), identities=[answered]))
    assert c.quality == quality
    assert (c.value is None) is (check is IdentityCheck.CHANGED)
    assert codes([*c.reasons, *c.cautions]) == expected_codes
