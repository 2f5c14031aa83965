"""Verification with a certified fluid: bands by hand, both ends, levels, certificates; and the status of an instrument.

Acceptance band: common practice, no source.  Days: ISO 8601 calendar dates, checked against the standard library.
"""

import datetime as dt
import math
import random
from dataclasses import replace

import pytest

from daq.app.cli.records.verification import _state_words
from daq.core.context import OverdueCalibration
from daq.core.effects import AtRest, Identified, Noted
from daq.core.errors import SettingError, SettingErrors
from daq.core.faults import CHECKS, DECIMAL_EDGES, SOUND_TEMPERATURES
from daq.core.header import Header, read_header
from daq.core.linkstates import IdentityCheck
from daq.core.statistics import Axis, summarise
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.foreseeing import foreseen
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.methods.planning.compile import InstrumentHistory
from daq.methods.planning.standing import Pair, Verified, day, moment, standing
from daq.quality.verification import certified_coefficient, certified_viscosity
from tests.support.runs.examples import example, facts, flat, kept, load_changed, plan_of
from tests.support.statements import codes, parameters

DAY = 86_400 * 10**9
NOW = 1_790_000_000 * 10**9
TODAY = InstrumentHistory(today="2026-09-21")

BEYOND = 1.0 + 1e-9
"""A value beyond an edge by so little is outside; a rounding error is smaller."""
CERTIFIED = {20.0: 684.9, 23.0: 566.3, 25.0: 500.0, 30.0: 368.8, 40.0: 206.6}
"""Round numbers for the sums by hand: viscosity (mPa.s) at each temperature (Cel) of the example's certificate."""


def certificate(table=CERTIFIED):
    """Return the example's certificate with the temperatures (Cel) and viscosities (mPa.s) of `table`."""
    fluid = example("fluids/reference-b.toml")
    values = [
        v.model_copy(update={"temperature": celsius, "viscosity": type(v.viscosity)(viscosity, "mPa.s")})
        for v, (celsius, viscosity) in zip(fluid.values, sorted(table.items()), strict=True)
    ]
    return fluid.model_copy(update={"values": tuple(values)})


@pytest.fixture
def paddle(tmp_path):
    """A geometry known by its calibration: 2000 mPa.s give full-scale torque at 20 /min, so 800 mPa.s at 50 /min."""
    return load_changed(
        tmp_path, "instruments/bench-2.toml", ('fitted = "cylinder-9"', 'fitted = "paddle-2"'),
        ('full_scale_viscosity = "27300 mPa.s"\nat_speed = "7 /min"', 'full_scale_viscosity = "2000 mPa.s"\nat_speed = "20 /min"'),
    )  # fmt: skip


def plan(instrument, fluid=None, history=TODAY, method="reference-verification", **more):
    return plan_of(method, instrument, fluid=fluid or certificate(), history=history, **more)


def level(step, viscosity, *, torque=None, temperature=25.0, faults=()):
    """The end value of a step: at 20 /min (step 0) 2000 mPa.s are 100 % torque, at 50 /min (step 1) 800."""
    speed = (20.0, 50.0)[step]
    full = (2000.0, 800.0)[step]
    torque = 100.0 * viscosity / full if torque is None else torque
    summaries = {
        "torque": flat(torque, sd=0.01), "speed": flat(speed), "temperature": flat(temperature),
        "torque_abs": flat(10.0 * torque), "apparent_viscosity": flat(viscosity, sd=0.1),
    }  # fmt: skip
    return kept(summaries, step=step, t=60.0 + 60.0 * step, faults=faults)


ENDED = {0: (0.0, 60.0, "elapsed"), 1: (60.0, 120.0, "elapsed")}


def verified(plan, *levels, outcome="complete"):
    return conclude(plan, facts(levels, outcome=outcome, ended=ENDED))


@pytest.mark.parametrize(
    ("low", "high", "passed"),
    [
        # 500 mPa.s, 0.3 % of it is 1.5: +-(20 + 1.5) at 20 /min, +-(8 + 1.5) at 50 /min; both ends included.
        (500.0, 500.0, True),
        (521.5, 509.5, True),
        (478.5, 490.5, True),
        (521.5 * BEYOND, 509.5, False),
        (478.5 / BEYOND, 490.5, False),
        (521.5, 509.5 * BEYOND, False),
        (478.5, 490.5 / BEYOND, False),
    ],
)
def test_both_ends_of_the_band_are_accepted_and_nothing_beyond(paddle, low, high, passed):
    c = verified(plan(paddle), level(0, low), level(1, high))
    v = c.verification
    assert [(x.low, x.high, x.certified) for x in v.levels] == [(478.5, 521.5, 500.0), (490.5, 509.5, 500.0)]
    assert v.passed is passed
    assert c.verdict.verdict == ("within" if passed else "outside")
    assert c.verdict.rounding == "unrounded"


def mean_of_equal(value, n):
    """Return the mean of `n` readings that all are `value`; it may have a rounding error."""
    return summarise([value] * n, Axis([i * 10**9 for i in range(n)])).mean


def lost_edges(count):
    """Return certified value, side, and a mean of readings on that edge of its band, which binary arithmetic loses.

    The band is +-(1 % of 2000 mPa.s + 0.3 % of the certified value): at most three decimals.
    """
    rng, out = random.Random("edges of the band"), []
    while len(out) < count:
        certified, sign = rng.randrange(300, 900), rng.choice((-1, 1))
        edge = (1000 * certified + sign * (20_000 + 3 * certified)) / 1000
        mean = mean_of_equal(edge, rng.randrange(2, 40))
        if sign * (mean - edge) > 0.0:
            out.append((float(certified), sign, mean))
    return out


@pytest.mark.parametrize(("certified", "sign", "mean"), lost_edges(5))
def test_a_level_whose_readings_are_all_on_the_edge_of_its_band_is_accepted(paddle, certified, sign, mean):
    asked = plan(paddle, certificate(CERTIFIED | {25.0: certified}))
    made = [facts([level(0, x)], ended=ENDED) for x in (mean, mean, mean * BEYOND**sign)]
    made[1] = replace(made[1], checks=DECIMAL_EDGES - 1)
    # A run of an older daq keeps its rule.
    found = [conclude(asked, x).verification.levels[0].accepted for x in made]
    assert found == [True, False, False]


def lost_ends(count):
    """Return both ends (Cel) of a table, and a mean of readings 0.25 K beyond one, which binary arithmetic loses."""
    rng, out = random.Random("edges of the table"), []
    while len(out) < count:
        low, high, side = rng.randrange(100, 220), rng.randrange(310, 600), rng.choice((-1, 1))
        mean = mean_of_equal((100 * low - 250 if side < 0 else 100 * high + 250) / 1000, rng.randrange(2, 40))
        if mean < low / 10 - 0.25 or mean > high / 10 + 0.25:
            out.append((low / 10, high / 10, mean, mean + side * 1e-6))
    return out


@pytest.mark.parametrize(("low", "high", "celsius", "beyond"), lost_ends(5))
def test_a_temperature_on_the_edge_of_a_certificate_is_in_its_table(paddle, low, high, celsius, beyond):
    table = dict(zip((low, 23.0, 25.0, 30.0, high), CERTIFIED.values(), strict=True))
    asked = plan(paddle, certificate(table))
    for t, checks, is_inside in ((celsius, CHECKS, True), (celsius, DECIMAL_EDGES - 1, False), (beyond, CHECKS, False)):
        c = conclude(asked, replace(facts([level(0, 500.0, temperature=t)], ended=ENDED), checks=checks))
        assert ("level_outside_certificate" not in codes(c.verification.reasons)) is is_inside
        # The budget looks up the same table.
        assert ("temperature_effect_unknown" not in codes(c.uncertainty.left_out)) is is_inside


def test_a_temperature_of_a_row_has_the_uncertainty_of_that_row(paddle):
    """The next row may have a greater one, and with it a wider band."""
    fluid = certificate()
    percents = {20.0: 5.0, 23.0: 5.0, 25.0: 0.3, 30.0: 5.0, 40.0: 5.0}
    values = [
        v.model_copy(update={"expanded_uncertainty": type(v.viscosity)(percents[v.temperature], "%")})
        for v in fluid.values
    ]
    asked = plan(paddle, fluid.model_copy(update={"values": tuple(values)}))
    for celsius in (math.nextafter(25.0, 0.0), 25.0, math.nextafter(25.0, 99.0)):
        (found,) = verified(asked, level(0, 500.0, temperature=celsius)).verification.levels
        assert (found.low, found.high) == (478.5, 521.5)


@pytest.mark.parametrize("second", [500.0, 900.0])
@pytest.mark.parametrize("outcome", ["complete", "stopped", "interrupted", "failed"])
@pytest.mark.parametrize("check", list(IdentityCheck))
@pytest.mark.parametrize("keys", [False, True])
def test_a_run_in_doubt_passes_no_verification(paddle, second, outcome, check, keys):
    """A level outside still fails it, unless the instrument was exchanged: then it may be that of either."""
    made = facts([level(0, 500.0), level(1, second)], outcome=outcome, ended=ENDED)
    notes = [Noted(1, "keys_used")] if keys else []
    c = conclude(plan(paddle), replace(made, identities=[Identified("bench-2", check, "")], notes=notes))
    is_sound = outcome == "complete" and not keys and check not in (IdentityCheck.CHANGED, IdentityCheck.NO_ANSWER)
    if check is IdentityCheck.CHANGED:
        expected = None
    elif second > 500.0:
        expected = False
    else:
        expected = True if is_sound else None
    assert c.verification.passed is expected
    # A verification that failed does not need another reason.
    assert ("verification_doubtful" in codes(c.verification.reasons)) is (expected is None)
    assert c.verdict.verdict == {True: "within", False: "outside", None: "not_comparable"}[expected]
    assert (c.validity == "valid") is is_sound


@pytest.mark.parametrize("doubt", ["probe", "silent", "unsteady", ""])
@pytest.mark.parametrize("checks", [SOUND_TEMPERATURES - 1, CHECKS])
def test_a_level_at_a_doubtful_temperature_is_not_judged(paddle, doubt, checks):
    """The certified value is that of the temperature: with a probe in doubt it may be another one."""
    levels = [replace(level(i, 500.0), temperature_faults=(doubt,) if doubt else ()) for i in (0, 1)]
    v = conclude(plan(paddle), replace(facts(levels, ended=ENDED), checks=checks)).verification
    is_sound = doubt in ("unsteady", "") or checks < SOUND_TEMPERATURES
    assert v.passed is (True if is_sound else None)
    assert codes(v.reasons) == ([] if is_sound else ["level_doubtful", "level_doubtful", "too_few_levels"])


@pytest.mark.parametrize(("zero", "passed"), [(0.3, True), (20.0, None), (-20.0, None)])
def test_a_certified_fluid_holds_no_torque_at_rest(paddle, zero, passed):
    made = facts([level(0, 500.0), level(1, 500.0)], outcome="complete", ended=ENDED)
    c = conclude(plan(paddle), replace(made, at_rest=AtRest(1, 100, zero, 0.03)))
    assert (c.verification.passed, "zero_off" in c.faults) == (passed, passed is None)
    assert "torque_at_rest_unexplained" not in codes(c.cautions)


def test_a_level_with_vortices_is_not_judged(paddle):
    """In a geometry whose onset is known; 500 mPa.s is far from it, 1 mPa.s beyond it."""
    instrument = example("instruments/bench-1.toml")
    made = plan(instrument, method="reference-verification")
    rows = []
    for viscosity in (500.0, 1.0):
        summaries = {
            "torque": flat(50.0, sd=0.01), "speed": flat(100.0), "temperature": flat(25.0), "torque_abs": flat(500.0),
            "stress": flat(viscosity / 1000.0 * 100.0), "shear_rate": flat(100.0), "viscosity": flat(viscosity, sd=0.1),
        }  # fmt: skip
        c = conclude(made, facts([kept(summaries, step=0, t=60.0)], ended={0: (0.0, 60.0, "elapsed")}))
        rows.append(codes([c.verification.levels[0].reason] if c.verification.levels[0].reason else []))
    assert rows[0] == [] or "level_doubtful" not in rows[0]
    assert rows[1] == ["level_doubtful"]


def test_what_is_said_of_a_level(paddle):
    c = verified(plan(paddle), level(0, 510.0), level(1, 505.0))
    first = c.verification.levels[0]
    assert (first.step, first.speed, first.torque_percent, first.temperature) == ("lower-torque", 20.0, 25.5, 25.0)
    assert first.deviation_percent == pytest.approx(2.0)
    # In % of 500: torque 1 % of full scale at 25.5 % is 20 mPa.s, /sqrt(3) = 11.547; geometry 0.5 % of 510 is 2.55, 1.4722;
    # speed 0.1 %, 0.2944; resolution 0.005 % of full scale is 0.1, 0.0577; temperature 0.05 K * 6.1 %/K of 510 = 1.56,
    # 0.9; certificate 1.5/2 = 0.75.  u = 11.70 mPa.s, U = 1.96 u = 22.9 mPa.s, 4.59 %.
    assert first.deviation_uncertainty_percent == pytest.approx(4.59, abs=0.03)
    # E_n with both at k = 2: 10/sqrt(23.35^2 + 1.5^2) = 0.427.
    assert first.normalised_error == pytest.approx(0.427, abs=0.005)


def test_the_budget_takes_the_temperature_coefficient_from_the_certificate(paddle):
    """Andrade between 23 and 25 Cel: B = ln(566.3/500)/(1/296.15 - 1/298.15) = 5496.7 K; over 298.15^2 6.184 %/K."""
    u = verified(plan(paddle), level(0, 500.0), level(1, 500.0)).uncertainty
    temperature = next(c for c in u.components if c.name == "temperature")
    at_25 = -temperature.sensitivity / 500.0
    # At a row of the table the rows to its right count: B = ln(500/368.8)/(1/298.15 - 1/303.15) = 5501.5 K.
    assert at_25 == pytest.approx(5501.5 / 298.15**2, rel=1e-3)
    assert not {"temperature_effect_unknown", "not_specified"} & set(codes(u.left_out))


def test_one_torque_is_not_enough_and_is_no_failure(paddle):
    c = verified(plan(paddle), level(1, 500.0))
    assert (c.verification.passed, c.verdict.verdict) == (None, "not_comparable")
    assert parameters(c.verification.reasons, "too_few_levels") == {"judged": 1, "wanted": 2, "apart": 10.0}


def test_torques_near_each_other_count_once(paddle):
    v = verified(plan(paddle), level(0, 500.0, torque=45.0), level(1, 500.0, torque=54.9)).verification
    assert v.passed is None
    v = verified(plan(paddle), level(0, 500.0, torque=45.0), level(1, 500.0, torque=55.0)).verification
    assert v.passed is True


def test_a_doubtful_value_is_not_judged_but_one_outside_still_fails(paddle):
    v = verified(plan(paddle), level(0, 600.0, faults=("below_band",)), level(1, 500.0)).verification
    assert (v.passed, v.levels[0].accepted) == (None, None)
    assert v.reasons[0].parameters["faults"] == ("below_band",)
    v = verified(plan(paddle), level(0, 500.0, faults=("readings_missing",)), level(1, 600.0)).verification
    assert v.passed is False


def test_an_interrupted_run_decides_nothing_good(paddle):
    c = verified(plan(paddle), level(0, 500.0), outcome="interrupted")
    assert (c.verification.passed, c.value) == (None, None)
    assert conclude(plan(paddle), facts([level(0, 500.0)], outcome="")).verification is None


def test_the_certificate_between_its_temperatures_and_beyond(paddle):
    v = verified(plan(paddle), level(0, 531.5, temperature=24.0), level(1, 531.5, temperature=24.0)).verification
    # ln(500/566.3) shared by 1/T: 24 Cel lies 0.50168 of the way from 23 to 25.
    assert v.levels[0].certified == pytest.approx(566.3 * (500.0 / 566.3) ** 0.50168, rel=1e-5)
    v = verified(plan(paddle), level(0, 500.0, temperature=41.0), level(1, 500.0, temperature=41.0)).verification
    assert v.passed is None
    found = v.reasons[0].parameters
    assert (v.reasons[0].code, found["temperature"], found["high"]) == ("level_outside_certificate", 41.0, 40.0)


def test_a_certificate_reaches_a_little_beyond_its_ends():
    table = [(25.0, 500.0)]
    assert certified_viscosity(25.02, table, reach_k=0.25) == 500.0
    with pytest.raises(SettingError):
        certified_viscosity(25.3, table, reach_k=0.25)
    two = [(20.0, 684.9), (25.0, 500.0)]
    assert certified_viscosity(25.1, two, reach_k=0.25) == pytest.approx(500.0 * math.exp(-0.1 * 0.06188), rel=1e-4)
    assert certified_coefficient(25.0, two) == pytest.approx(
        0.06188, abs=1e-5
    )  # ln(684.9/500)/(1/293.15 - 1/298.15)/298.15^2
    with pytest.raises(SettingError, match="two temperatures"):
        certified_coefficient(25.0, table)


def test_a_certificate_may_give_its_uncertainty_in_the_unit(tmp_path, paddle):
    edits = (
        'viscosity = "483.2 mPa.s"\nexpanded_uncertainty = "0.3 %"',
        'viscosity = "0.5 Pa.s"\nexpanded_uncertainty = "2.5 mPa.s"',
    )
    fluid = load_changed(tmp_path, "fluids/reference-b.toml", edits)
    v = verified(plan(paddle, fluid), level(0, 500.0), level(1, 500.0)).verification
    assert (v.levels[0].low, v.levels[0].high) == (477.5, 522.5)


# ---- before the run


def refusal(*args, **more):
    with pytest.raises(SettingErrors) as caught:
        plan(*args, **more)
    return caught.value.errors


def test_an_expired_certificate_is_refused_by_the_day(paddle):
    plan(paddle, history=InstrumentHistory(today="2028-06-30"))
    (error,) = refusal(paddle, history=InstrumentHistory(today="2028-07-01"))
    assert (error.key, error.file.endswith("reference-b.toml")) == ("expires", True)
    assert "held until 2028-06-30, today is 2028-07-01" in error.reason


def test_another_method_is_only_warned_of_an_expired_certificate(paddle):
    found = plan(paddle, method="reference-check", history=InstrumentHistory(today="2028-07-01"))
    assert parameters(found.context.warnings, "certificate_expired")["expires"] == "2028-06-30"


def test_a_verification_without_a_fluid_is_refused_when_it_begins_and_not_when_it_is_checked(paddle):
    plan_of("reference-verification", paddle)
    with pytest.raises(SettingErrors, match="--fluid"):
        plan_of("reference-verification", paddle, history=TODAY)


def test_a_verification_needs_a_step_for_each_torque(tmp_path):
    with pytest.raises(SettingError, match="asks for 3 torques"):
        load_changed(tmp_path, "methods/reference-verification.toml", ("levels = 2", "levels = 3"))


# ---- verification status of an instrument


PAIR = Pair("R-1042", "coaxial-12")


def at(days, passed, **more):
    given = {"fluid": "reference-b", "geometry": "coaxial-12", "serial": "R-1042"} | more
    return Verified(NOW - days * DAY, f"run-{days}", passed, **given)


@pytest.mark.parametrize(
    ("history", "passed", "overdue", "text"),
    [
        ([], None, True, "overdue"),
        ([at(10, True)], True, False, "passed"),
        ([at(31, True)], True, False, "passed"),  # due this very moment
        ([at(32, True)], True, True, "overdue"),
        # The clock was set back since: a pass of a distant future would hold until then.
        ([at(-31, True)], True, False, "passed"),
        ([at(-32, True)], True, True, "overdue"),
        ([at(10, True), at(5, False)], False, False, "failed"),
        ([at(10, False), at(5, True, condition="as_left")], True, False, "passed"),
        ([at(40, True), at(5, False)], False, True, "failed"),
        ([Verified(NOW, "x", False, serial="R-9")], None, True, "overdue"),  # another instrument under this name
    ],
)
def test_standing(history, passed, overdue, text):
    found = standing(history, now_utc_ns=NOW, every_ns=31 * DAY, pair=PAIR)
    assert (found.passed, found.overdue, found.text) == (passed, overdue, text)


def test_without_an_interval_nothing_is_overdue():
    found = standing([], now_utc_ns=NOW, every_ns=None, pair=PAIR)
    assert (found.overdue, found.text) == (False, "never verified")


def judged_with(history, **more):
    found = standing(history, now_utc_ns=NOW, every_ns=31 * DAY, pair=PAIR)
    made = plan_of(
        "clear-glaze-qc", "bench-1", product="clear-glaze", history=InstrumentHistory(standing=found), **more
    )
    summaries = {"torque": flat(50.0), "speed": flat(30.0), "temperature": flat(25.0), "viscosity": flat(800.0, sd=1.0)}
    c = conclude(made, facts([kept(summaries)]))
    return c, ResultData.build(made, c, RunDetails(run="r", sample=Sample(id="s")))


def test_results_of_a_passed_instrument_are_good_and_carry_it():
    c, data = judged_with([at(10, True)])
    assert (c.quality, c.faults) == ("Good", ())
    v = data.verified
    assert (v.passed, v.overdue, v.run, v.date) == (True, False, "run-10", day(NOW - 10 * DAY))
    assert (v.last_pass, v.due) == (day(NOW - 10 * DAY), day(NOW + 21 * DAY))


@pytest.mark.parametrize(
    ("history", "faults", "reason"),
    [
        ([at(40, True)], ("verification_overdue",), "verification_overdue"),
        ([], ("verification_overdue",), "never_verified"),
        ([at(-32, True)], ("verification_overdue",), "verified_in_future"),
        ([at(10, True), at(5, False)], ("verification_failed",), "verification_failed"),
    ],
)
def test_results_of_an_overdue_or_failed_instrument_are_uncertain(history, faults, reason):
    c, data = judged_with(history)
    assert (c.quality, c.validity, c.faults, c.value) == ("Uncertain", "doubtful", faults, 800.0)
    assert codes(c.reasons) == [reason]
    assert flattened(data.model_dump(mode="json"))["verified_overdue"] is data.verified.overdue


@pytest.mark.parametrize("days", range(-70, 71, 3))
def test_no_words_about_an_overdue_verification_name_a_day_that_has_not_come_as_that_since_which_it_is(days):
    """The last pass was `days` ago; negative: it is dated in the future."""
    found = standing([at(days, True)], now_utc_ns=NOW, every_ns=31 * DAY, pair=PAIR)
    assert found.overdue is (abs(days) > 31)
    due, future = found.due_utc_ns, found.future_pass_utc_ns
    assert (due, future) == ((None, NOW - days * DAY) if days < -31 else (NOW + (31 - days) * DAY, None))
    c, data = judged_with([at(days, True)])
    assert (data.verified.overdue, data.verified.due) == (found.overdue, None if due is None else day(due))
    words = _state_words(found)
    assert c.reasons == () if not found.overdue else len(c.reasons) == 1
    if days < -31:
        assert f"dated {day(NOW - days * DAY)}, which lies in the future" in c.reasons[0].text
        assert f"OVERDUE (the last pass is dated {day(NOW - days * DAY)}, in the future; " in words
    elif found.overdue:
        assert f"due on {day(due)}" in c.reasons[0].text
        assert f"OVERDUE since {day(due)}" in words
        assert due < NOW
    else:
        assert f"due on {day(due)}" in words


LATE = OverdueCalibration("bench-1", "2026-03-01")
UNKNOWN = OverdueCalibration("bench-1/coaxial-12", "")
LINES = {
    LATE: ("calibration_past_due", "a calibration is overdue: bench-1, which was due on 2026-03-01"),
    UNKNOWN: (
        "never_calibrated",
        "a calibration is overdue: none is recorded for bench-1/coaxial-12 with the serial number that it has now",
    ),
}


@pytest.mark.parametrize("late", [(LATE,), (UNKNOWN,), (LATE, UNKNOWN)])
@pytest.mark.parametrize("history", [[at(10, True)], [at(40, True)]])
def test_results_of_equipment_with_an_overdue_calibration_are_uncertain_and_not_comparable(late, history):
    found = standing(history, now_utc_ns=NOW, every_ns=31 * DAY, pair=PAIR)
    asked = InstrumentHistory(standing=found, overdue=late)
    made = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze", history=asked)
    assert read_header(Header(run="r", plan=made, drivers={}).text).plan == made
    summaries = {"torque": flat(50.0), "speed": flat(30.0), "temperature": flat(25.0), "viscosity": flat(800.0, sd=1.0)}
    c = conclude(made, facts([kept(summaries)]))
    overdue = ("verification_overdue",) * found.overdue
    assert (c.quality, c.validity, c.value) == ("Uncertain_SensorNotAccurate", "doubtful", 800.0)
    assert c.faults == ("calibration_past_due", *overdue)
    assert [(r.code, r.text) for r in c.reasons][: len(late)] == [LINES[o] for o in late]
    assert {LINES[o][0] for o in late} <= {r.code for r in foreseen(made)}


def test_a_verification_does_not_make_up_for_a_calibration(paddle):
    asked = InstrumentHistory(today="2026-09-21", overdue=(LATE,))
    c = verified(plan(paddle, history=asked), level(0, 500.0), level(1, 500.0))
    assert (c.validity, c.faults) == ("doubtful", ("calibration_past_due",))


def test_a_verification_itself_is_not_doubted_for_being_overdue(paddle):
    found = standing([], now_utc_ns=NOW, every_ns=DAY, pair=Pair())
    c = verified(
        plan(paddle, history=InstrumentHistory(today="2026-09-21", standing=found)), level(0, 500.0), level(1, 500.0)
    )
    assert (c.validity, c.verification.passed) == ("valid", True)


def test_a_failure_names_the_results_since_the_last_pass(paddle):
    known = InstrumentHistory(today="2026-09-21", condition="as_found", results_since_pass=("r1", "r2"))
    failed = verified(plan(paddle, history=known), level(0, 600.0), level(1, 600.0))
    assert failed.verification.results_since_pass == ("r1", "r2")
    assert verified(plan(paddle, history=known), level(0, 500.0), level(1, 500.0)).verification.results_since_pass == ()


def test_days_are_those_of_the_calendar():
    rng = random.Random(5)
    for _ in range(2000):
        seconds = rng.randrange(-2_000_000_000, 8_000_000_000)
        want = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=seconds)
        assert day(seconds * 10**9) == want.date().isoformat()
        assert moment(seconds * 10**9 + rng.randrange(10**9)) == f"{want:%Y-%m-%dT%H:%M:%SZ}"
