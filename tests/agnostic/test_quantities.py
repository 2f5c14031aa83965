"""Mass, temperature and pH have the same functions as viscosity: claims, rules, limits, uncertainty, verdict, payload."""

import math
import random

import pytest
from jsonschema import validate

from daq.app.screens.result_screen import result_lines
from daq.core.errors import SettingErrors
from daq.methods.messages.flat import flat_schema, flattened
from daq.methods.messages.result import schema
from tests.agnostic.parts import Numbers, World, instrument, measured, method, product
from tests.support.statements import codes, parameters

WEIGHING = """
[[steps]]
name = "weighing"
stop = { signal = "mass", steady = { span = "10 s", limit = "0.01 g", spans = 2 }, after = "2 s" }
longest = "10 min"
keep = [{ at = "end", span = "10 s" }]
"""
ACCURATE = "[specification]\nmaximum_permissible_error = { mass = 0.01 }\nresolution = { mass = 0.001 }\n"


def settling(final: float, lag_s: float = 3.0):
    """Return a balance with a first-order lag after a load at the start."""
    return World(lambda t: [final * (1.0 - math.exp(-t / lag_s))])


def valid(data):
    """Validate the payload against its published schemas, nested and flat, and return it."""
    validate(data.model_dump(mode="json"), schema())
    validate(flattened(data.model_dump(mode="json")), flat_schema())
    return data


def test_mass_until_it_is_steady(tmp_path):
    """u = sqrt(0.01^2/3 + 0.0005^2/3) = 0.0057807 g; the interval is that of the sum of two rectangles.

    JCGM 100 4.3.7 for the components, computed by hand.
    """
    balance = instrument(tmp_path, "balance-1", "balance", ACCURATE)
    c, bench, data = measured(
        method(tmp_path, WEIGHING, claim="equilibrium"), balance, Numbers("balance"), settling(123.456)
    )
    assert (c.outcome, c.validity, c.steady, c.quantity, c.unit) == ("complete", "valid", True, "mass", "g")
    assert c.value == pytest.approx(123.456, abs=0.01)
    rows = {r.name: r.standard_uncertainty for r in c.uncertainty.components}
    assert rows["instrument"] == pytest.approx(0.01 / math.sqrt(3.0))
    assert rows["resolution"] == pytest.approx(0.0005 / math.sqrt(3.0))
    assert bench.motor == "not_moved"
    assert valid(data).geometry is None
    assert data.conditions.model_dump(exclude_none=True) == {"temperatures": {}, "signals": {}}
    text = " ".join(s.text for s in [*c.reasons, *c.cautions, *c.advice, *data.warnings])
    assert "torque" not in text
    assert "speed" not in text


def test_a_falling_mass_is_no_equilibrium(tmp_path):
    # 0.1 g/min is 0.0167 g in 10 s, over the limit; the step ends by time, and the result has the reason.
    text = WEIGHING.replace("stop = {", 'stop = { any = [ "60 s", {').replace('"2 s" }', '"2 s" } ] }')
    balance = instrument(tmp_path, "balance-1", "balance")
    world = World(lambda t: [50.0 - 0.1 * t / 60.0])
    c, _, data = measured(method(tmp_path, text, claim="equilibrium"), balance, Numbers("balance"), world)
    assert (c.steady, c.validity, c.faults) == (False, "doubtful", ("not_steady",))
    assert data.drift.per_min == pytest.approx(-0.1, rel=1e-3)


@pytest.mark.slow
def test_mass_against_the_limits_of_a_product(tmp_path):
    text = (
        'unit = "g"\nreported_decimals = 2\nrounding = "rounded"\n[[limits]]\nquantity = "mass"\nlow = 0.1\n'
        'high = 0.12346\nunit = "kg"\nmethods = ["m 1"]\n'
    )
    balance = instrument(tmp_path, "balance-1", "balance", ACCURATE)
    recipe = method(tmp_path, WEIGHING, claim="equilibrium")
    c, _, data = measured(recipe, balance, Numbers("balance"), settling(123.2), product=product(tmp_path, text))
    assert (c.verdict.verdict, c.reported) == ("within", "123.20")
    c, _, data = measured(recipe, balance, Numbers("balance"), settling(124.0), product=product(tmp_path, text))
    assert c.verdict.verdict == "outside"
    assert (c.verdict.reasons[0].code, c.verdict.reasons[0].parameters["unit"]) == ("above_limit", "g")
    assert valid(data).verdict.verdict == "outside"


def test_decimals_belong_to_a_quantity(tmp_path):
    # One product, two quantities: viscosity in three digits, mass in three decimals.
    text = (
        'reported_digits = 3\n[[limits]]\nlow = 550\nhigh = 800\nunit = "mPa.s"\nmethods = ["m 1"]\n'
        '[[limits]]\nquantity = "mass"\nlow = 100\nunit = "g"\nmethods = ["m 1"]\ndecimals = 3\n'
    )
    balance = instrument(tmp_path, "balance-1", "balance")
    recipe = method(tmp_path, WEIGHING, claim="equilibrium")
    c, _, _ = measured(recipe, balance, Numbers("balance"), settling(123.4564), product=product(tmp_path, text))
    assert c.reported == f"{c.value:.3f}"
    assert c.verdict.verdict == "within"


def test_a_thermometer_log_around_freezing(tmp_path):
    """A mean of exactly 0 Cel has an uncertainty and a drift like any other, and no percentage of it is given."""
    log = (
        '[[steps]]\nname = "log"\nstop = "60 s"\nlongest = "2 min"\n'
        'keep = [{ at = "every", every = "20 s", span = "20 s" }, { at = "end", span = "60 s" }]\n'
    )
    thermo = instrument(tmp_path, "thermo-9", "thermometer", '[specification]\ntemperature = "0.05 K"\n')
    noise = random.Random(7)
    world = World(lambda t: [(t - 30.5) / 600.0 + noise.gauss(0.0, 0.03)])  # 0.1 K/min through zero
    c, _, data = measured(method(tmp_path, log, result="temperature"), thermo, Numbers("thermometer"), world)
    assert c.value == pytest.approx(0.0, abs=0.02)
    assert c.uncertainty is not None
    assert c.drift.percent_per_min is None
    assert c.drift.per_min == pytest.approx(0.1, abs=0.03)
    found = parameters(c.cautions, "still_changing")
    assert (found["unit"], 0.1 <= found["rate"] < 0.2) == ("Cel", True)
    assert [r.at for r in c.steps] == ["every", "every", "every", "end"]
    valid(data)


END_POINT = """
[[steps]]
name = "titration"
stop = { signal = "ph", above = 8.2, hold = "5 s" }
longest = "20 min"
keep = [
    { at = "event", span = "5 s", event = { signal = "ph", above = 8.2, hold = "3 s", after = "2 s" } },
    { at = "every", every = "60 s", span = "10 s" },
]
"""


def ph_world():
    return World(lambda t: [4.0 + t / 60.0, 59.0 * (7.0 - 4.0 - t / 60.0), 23.0])


def test_the_time_to_a_ph_end_point(tmp_path):
    # 4 to 8.2 at one unit per minute takes 252 s; the uncertainty of the pH divided by its slope is a component.
    meter = instrument(tmp_path, "ph-1", "ph-meter", "[specification]\nmaximum_permissible_error = { ph = 0.05 }\n")
    c, _, data = measured(method(tmp_path, END_POINT, "time_to", "ph"), meter, Numbers("ph-meter"), ph_world())
    assert (c.quantity, c.unit, c.validity) == ("time", "s", "valid")
    assert c.value == pytest.approx(252.0, abs=1.1)
    names = {r.name: r for r in c.uncertainty.components}
    # 0.05/sqrt(3) pH over 1/60 pH per s
    assert names["value at the threshold"].contribution == pytest.approx(0.05 / math.sqrt(3.0) * 60.0, rel=0.2)
    assert data.conditions.signals["voltage"].unit == "mV"
    assert data.conditions.temperatures == {"temperature": 23.0}
    valid(data)


def test_ph_at_an_end_point_that_selects_it_has_a_caution(tmp_path):
    text = (
        '[[steps]]\nname = "titration"\nstop = { signal = "ph", above = 8.2, hold = "5 s" }\nlongest = "20 min"\n'
        'keep = [{ at = "end", span = "4 s" }]\n'
    )
    meter = instrument(tmp_path, "ph-1", "ph-meter")
    c, _, _ = measured(method(tmp_path, text, "at_time", "ph"), meter, Numbers("ph-meter"), ph_world())
    assert c.value == pytest.approx(8.25, abs=0.1)
    assert "selected_by_threshold" in codes(c.cautions)


def test_a_percentage_of_a_ph_or_a_temperature_is_refused(tmp_path):
    for kind, signal in (("ph-meter", "ph"), ("thermometer", "temperature")):
        text = (
            f'[[steps]]\nname = "s"\nstop = {{ signal = "{signal}", steady = {{ span = "10 s", limit = "1 %" }} }}\n'
            'longest = "9 min"\nkeep = [{ at = "end", span = "10 s" }]\n'
        )
        with pytest.raises(SettingErrors, match="means nothing"):
            measured(
                method(tmp_path, text, "equilibrium", signal), instrument(tmp_path, "x-1", kind), Numbers(kind),
                World(lambda t: [1.0]),
            )  # fmt: skip


def test_a_signal_that_the_instrument_lacks_is_refused_and_its_signals_are_named(tmp_path):
    text = '[[steps]]\nname = "s"\nstop = "9 s"\nlongest = "9 min"\nkeep = [{ at = "end", span = "5 s" }]\n'
    with pytest.raises(SettingErrors, match="there is no signal 'viscosity' on balance-1.*mass"):
        measured(
            method(tmp_path, text, result="viscosity"), instrument(tmp_path, "balance-1", "balance"),
            Numbers("balance"), World(lambda t: [1.0]),
        )  # fmt: skip


PRINTED = """
[[steps]]
name = "five weighings"
stop = { signal = "readings", above = 5 }
longest = "30 min"
keep = [{ at = "end", span = "5 readings" }]
"""


def test_five_readings_printed_by_key(tmp_path):
    """The instrument sends only when its key is pressed: long pauses are no silence and no missing readings."""
    masses = iter([10.01, 10.03, 9.99, 10.00, 10.02, 99.0])
    world = World(lambda t: [next(masses)], presses=[20.0, 45.0, 300.0, 420.0, 600.0, 700.0])
    recipe = method(tmp_path, PRINTED.replace("five weighings", "weighings"))
    c, bench, data = measured(
        recipe, instrument(tmp_path, "balance-1", "balance"), Numbers("balance", by_key=True), world
    )
    assert (c.outcome, c.validity, c.faults, c.row.n) == ("complete", "valid", (), 5)
    assert c.value == pytest.approx(10.01)  # (10.01 + 10.03 + 9.99 + 10.00 + 10.02)/5
    assert "silent" not in bench.notes
    # Five readings do not show whether they are independent: there is no interval, with the reason.
    assert c.uncertainty.expanded is None
    assert "too_few_effective_readings" in codes(c.uncertainty.reasons)
    valid(data)
    # The screen of the result says so in a sentence.
    lines = result_lines(data.model_dump(mode="json"), 100)
    text = " ".join(" ".join(span[0] for span in line) if not isinstance(line, str) else line for line in lines)
    (few,) = (r.written().text for r in c.uncertainty.reasons if r.code == "too_few_effective_readings")
    assert few in " ".join(text.split())
    assert few.startswith("the 5 readings of the span")


def test_more_readings_than_the_step_has_are_refused(tmp_path):
    text = PRINTED.replace("five weighings", "weighings").replace('"5 readings"', '"6 readings"')
    with pytest.raises(SettingErrors, match="6 readings, but the step ends after 5"):
        measured(
            method(tmp_path, text), instrument(tmp_path, "balance-1", "balance"), Numbers("balance", by_key=True),
            World(lambda t: [1.0], presses=[]),
        )  # fmt: skip


def test_the_latest_readings_only(tmp_path):
    # The first two of five are left out of a span of three.
    masses = iter([50.0, 40.0, 10.0, 11.0, 12.0])
    world = World(lambda t: [next(masses)], presses=[5.0, 10.0, 15.0, 20.0, 25.0])
    text = PRINTED.replace("five weighings", "weighings").replace('"5 readings"', '"3 readings"')
    c, _, _ = measured(
        method(tmp_path, text), instrument(tmp_path, "balance-1", "balance"), Numbers("balance", by_key=True), world
    )
    assert (c.value, c.row.n, c.faults) == (pytest.approx(11.0), 3, ())


def test_a_filter_needs_five_time_constants(tmp_path):
    text = '[[steps]]\nname = "s"\nsettle = "{settle}"\nstop = "60 s"\nlongest = "9 min"\nkeep = [{ at = "end", span = "5 s" }]\n'
    meter = instrument(tmp_path, "ph-1", "ph-meter")
    for settle, warned in (("4 s", True), ("10 s", False)):
        recipe = method(tmp_path, text.replace("{settle}", settle), result="ph")
        _, bench, _ = measured(recipe, meter, Numbers("ph-meter", lag_s=2.0), ph_world())
        warnings = [w for w in bench.plan.context.warnings if w.parameters.get("time_constant") == 2.0]
        assert bool(warnings) is warned
        assert not warnings or (warnings[0].code, warnings[0].parameters["needed"]) == ("filter_not_settled", 10.0)


def test_a_steady_rule_needs_no_settling_warning(tmp_path):
    recipe = method(tmp_path, WEIGHING, claim="equilibrium")
    _, bench, _ = measured(
        recipe, instrument(tmp_path, "balance-1", "balance"), Numbers("balance", lag_s=9.0), settling(5.0)
    )
    assert not bench.plan.context.warnings


VESSEL = '[density_vessel]\nvolume = "100 mL"\nvolume_error = 0.1\nempty = "52.3 g"\n'


@pytest.mark.slow
def test_density_from_the_mass_in_a_known_volume(tmp_path):
    """(230.8 - 52.3)/100 = 1.785 g/mL.

    By hand: u(mass) = 0.01/sqrt(3)/100 = 5.7735e-5; u(volume) = 1.785 * 0.001/sqrt(3) = 1.03057e-3 g/mL.
    """
    balance = instrument(
        tmp_path, "balance-1", "balance", VESSEL + "[specification]\nmaximum_permissible_error = { mass = 0.01 }\n"
    )
    text = WEIGHING.replace('signal = "mass"', 'signal = "density"').replace('"0.01 g"', '"0.0001 g/mL"')
    recipe = method(tmp_path, text, "equilibrium", "density")
    limits = (
        '[[limits]]\nquantity = "density"\nlow = 1.78\nhigh = 1.80\nunit = "kg/L"\nmethods = ["m 1"]\ndecimals = 3\n'
    )
    c, _, data = measured(recipe, balance, Numbers("balance"), settling(230.8), product=product(tmp_path, limits))
    assert (c.quantity, c.unit, c.value) == ("density", "g/mL", pytest.approx(1.785, abs=1e-4))
    parts = {r.name: r.contribution for r in c.uncertainty.components}
    assert abs(parts["instrument"]) == pytest.approx(5.7735e-5, rel=1e-3)
    assert abs(parts["volume"]) == pytest.approx(1.03057e-3, rel=1e-3)
    assert (c.verdict.verdict, c.reported) == ("within", "1.785")
    assert "buoyancy_not_corrected" in codes(c.uncertainty.left_out)
    assert data.conditions.signals["mass"].value == pytest.approx(230.8, abs=0.01)
    valid(data)


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ('volume = "100 g"', "is a volume with its unit"),
        ('volume = "0 mL"', "must be above 0"),
        ("volume = 100", "unit"),
    ],
)
def test_an_impossible_vessel_is_refused(tmp_path, line, text):
    with pytest.raises(SettingErrors, match=text):
        instrument(tmp_path, "balance-1", "balance", f"[density_vessel]\n{line}\n")
