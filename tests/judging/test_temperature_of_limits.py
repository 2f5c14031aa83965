"""Where the product's limits apply at a temperature, no value is Good or within without a sound temperature in the band.

The runs are made by the pipeline from lines of an instrument, with and without a condition in the method.
"""

import random
from dataclasses import replace

import pytest

from daq.core.context import Context, ProductLimit, ProductOfPlan
from daq.core.plan import Conditioning, Keep
from daq.methods.concluding.applying import temperature_faults
from daq.methods.concluding.conclude import conclude
from daq.methods.files.fields import Amount
from tests.support.runs.examples import example, flat, kept
from tests.support.runs.examples import plan_of as plan_of_files
from tests.support.runs.scripts import Plain, S, Script, elapsed, plan_of, seconds, step
from tests.support.statements import codes

WANTED, BAND = 25.0, 0.5
SPAN = 8.0
"""The value is the mean of the last 8 s of 12 s, with a reading every 0.5 s."""
UNITS = {"torque": "%", "speed": "/min", "temperature": "Cel", "stress": "Pa", "rate": "/s", "viscosity": "mPa.s"}


class EveryHalfSecond(Plain):
    """The plain driver with two readings in a second."""

    interval_ns = S // 2


def limit(**more):
    given = {
        "quantity": "viscosity", "low": 1.0, "high": 1e9, "unit": "mPa.s", "methods": ("method 1",),
        "temperature": WANTED, "temperature_band": BAND,
    }  # fmt: skip
    return ProductLimit(**given | more)


def plan(*limits, conditioning=None):
    product = ProductOfPlan(id="p", unit="mPa.s", reported_digits=3, limits=limits)
    made = plan_of(
        step(elapsed(12.0), Keep("end", "mean", seconds(SPAN)), speed=12.0), conditioning=conditioning or Conditioning()
    )
    return replace(made, context=Context(product=product, units=UNITS))


def concluded(made, temperature):
    """Return the conclusion of a run; `temperature` gives the words of a reading at a time (s): value and faults."""
    run = Script(made, driver=EveryHalfSecond({})).begin()
    # The temperature is right until the step begins, so that a condition of the method lets it begin.
    t = 0.0
    while run.state != "measuring":
        t = round(t + 0.5, 1)
        run.reading(t)
    began = t
    for i in range(1, 25):
        given = temperature(i / 2)
        if given is not None:
            run.reading(began + i / 2, 50.0, 12.0, *given)
    while run.state == "measuring":
        run.tick()
    return conclude(made, run.facts)


def constant(celsius, *faults):
    return lambda t: (celsius, *faults)


def within_from(t0, bad):
    """Return a right temperature until `t0` (s) of the step, then the words `bad`."""
    return lambda t: bad if t > t0 else (WANTED,)


WRONG = {
    "400 degC": constant(400.0),
    "cold": constant(-40.0),
    "just above": constant(WANTED + BAND + 0.01),
    "just below": constant(WANTED - BAND - 0.01),
    "null": constant(None),
    "probe failed": constant(None, "temperature=probe"),
    "sensor failed": constant(None, "temperature=sensor"),
    "probe failed late": within_from(11.0, (None, "temperature=probe")),
    "null for a quarter": within_from(10.0, (None,)),
    "beyond the range": constant(400.0, "temperature=beyond_range"),
    "right but suspect": constant(WANTED, "temperature=beyond_range"),
    "right but an error": constant(WANTED, "temperature=instrument_error"),
    "calibration overdue": constant(WANTED, "temperature=calibration_overdue"),
    "left the band": within_from(9.0, (WANTED + 3.0,)),
    "the mean alone is right": lambda t: (WANTED + (100.0 if round(2 * t) % 2 else -100.0),),
}
CONDITION = Conditioning(signal="temperature", low=WANTED - BAND, high=WANTED + BAND, hold_ns=S, longest_ns=600 * S)


def test_a_sound_temperature_in_the_band_is_good_and_within():
    for conditioning in (None, CONDITION):
        c = concluded(plan(limit(), conditioning=conditioning), constant(WANTED))
        assert (c.quality, c.validity, c.verdict.verdict, c.reasons) == ("Good", "valid", "within", ())


@pytest.mark.parametrize("conditioning", [None, CONDITION], ids=["without condition", "with condition"])
@pytest.mark.parametrize("name", WRONG)
def test_no_wrong_temperature_is_good_or_within(name, conditioning):
    c = concluded(plan(limit(), conditioning=conditioning), WRONG[name])
    assert c.validity == "doubtful"
    assert c.quality.severity == 1
    assert c.verdict.verdict == "not_comparable"
    assert c.reasons
    assert set(codes(c.verdict.reasons)) & {
        "limit_needs_temperature", "limit_needs_sound_temperature", "limit_at_other_temperature",
    }  # fmt: skip


def test_the_reason_says_which_it_is():
    reasons = {name: codes(concluded(plan(limit()), WRONG[name]).reasons) for name in WRONG}
    assert reasons["just above"] == ["off_limit_temperature"]
    assert reasons["400 degC"] == ["off_limit_temperature", "probe_suspect"]
    assert reasons["null"] == ["limit_temperature_unknown", "probe_suspect"]
    assert reasons["right but suspect"] == ["probe_suspect"]
    assert reasons["the mean alone is right"][0] == "off_limit_temperature"


def test_a_temperature_that_is_stale_at_the_end_of_the_span():
    """The instrument goes on, its thermometer of the same name comes from another line and stops: no reading for 6 s."""
    made = plan_of(
        step(elapsed(12.0), Keep("end", "mean", seconds(SPAN)), speed=12.0), companions=("probe",),
        conditioning=Conditioning(signal="probe.temperature", low=24.5, high=25.5, hold_ns=S, longest_ns=600 * S),
    )  # fmt: skip
    product = ProductOfPlan(id="p", unit="mPa.s", reported_digits=3, limits=(limit(),))
    made = replace(made, context=Context(product=product, units=UNITS | {"probe.temperature": "Cel"}))
    verdicts = {}
    for last in (12.0, 6.0):
        run = Script(made, driver=EveryHalfSecond({})).begin()
        t = 0.0
        while run.state != "measuring":
            t = round(t + 0.5, 1)
            run.probe(t)
            run.reading(t)
        for i in range(1, 25):
            if i / 2 <= last:
                run.probe(t + i / 2)
            run.reading(t + i / 2)
        while run.state == "measuring":
            run.tick()
        c = conclude(made, run.facts)
        verdicts[last] = (c.validity, c.verdict.verdict)
    assert verdicts == {12.0: ("valid", "within"), 6.0: ("doubtful", "not_comparable")}


@pytest.mark.parametrize("seed", range(30))
def test_generated_temperatures(seed):
    """Each reading of the span is right, wrong, suspect, null or failed at random."""
    rng = random.Random(seed)
    kinds = {
        "right": lambda: (WANTED + rng.uniform(-0.4, 0.4),),
        "off": lambda: (rng.choice([400.0, -40.0, WANTED + 0.6, WANTED - 0.6]),),
        "null": lambda: (None,),
        "failed": lambda: (None, "temperature=" + rng.choice(["probe", "sensor", "over_range"])),
        "suspect": lambda: (WANTED, "temperature=" + rng.choice(["beyond_range", "instrument_error"])),
    }
    wrong = rng.choice(["right", "off", "null", "failed", "suspect"])
    share = rng.choice([0.1, 0.5, 1.0])
    chosen = {t / 2: wrong if rng.random() < share else "right" for t in range(1, 25)}
    in_span = [kind for t, kind in chosen.items() if t > 12.0 - SPAN]
    nulls = in_span.count("null")
    is_sound = not {"off", "failed", "suspect"} & set(in_span) and nulls <= 0.1 * len(in_span)
    bound = rng.random() < 0.7
    c = concluded(plan(limit(temperature=WANTED if bound else None)), lambda t: kinds[chosen[t]]())
    expected = "within" if is_sound or not bound else "not_comparable"
    assert (c.verdict.verdict, c.validity == "valid") == (expected, is_sound or not bound), chosen


def test_limits_without_a_temperature_and_of_other_quantities_ask_for_none():
    for other in (limit(temperature=None), limit(quantity="density", unit="g/mL")):
        c = concluded(plan(other), constant(None, "temperature=probe"))
        assert (c.quality, c.validity) == ("Good", "valid")


def test_of_limits_at_two_temperatures_one_is_enough():
    c = concluded(plan(limit(), limit(temperature=20.0)), constant(20.0))
    assert (c.validity, c.verdict.verdict) == ("valid", "within")
    assert [x.verdict for x in c.verdict.limits] == ["not_comparable", "within"]


# ---- edges of a band, as a display with tenths shows them


def on_the_edges():
    """Return targets, bands and temperatures (Cel) on an edge of the band, each the float of a decimal number."""
    rng = random.Random("edges")
    targets = [250, *rng.sample(range(100, 600), 120)]
    return [
        (t / 10, b / 10, (t + way * b) / 10, (t + way * (b + 1)) / 10)
        for t in targets for b in (1, 2, 3, 5, 10) for way in (1, -1)
    ]  # fmt: skip


def test_a_temperature_on_the_edge_of_the_band_of_a_limit_is_in_it():
    wrong = []
    for wanted, band, edge, beyond in on_the_edges():
        made = plan(limit(temperature=wanted, temperature_band=band))
        for celsius, faults in ((edge, []), (beyond, ["off_limit_temperature"])):
            if temperature_faults(made, "viscosity", kept({"temperature": flat(celsius)})) != faults:
                wrong.append((wanted, band, celsius))
    assert wrong == []


def test_a_temperature_on_the_edge_of_the_band_of_a_method_is_in_it():
    wrong = []
    method = example("methods/clear-glaze-qc.toml")
    for wanted, band, edge, beyond in random.Random("methods").sample(on_the_edges(), 100):
        gate = method.conditioning.temperature.model_copy(update={"target": Amount(wanted, "Cel"), "band": band})
        of_method = method.conditioning.model_copy(update={"temperature": gate})
        c = plan_of_files(method.model_copy(update={"conditioning": of_method}), "bench-1").conditioning
        if not c.low <= edge <= c.high or c.low <= beyond <= c.high:
            wrong.append((wanted, band, edge))
    assert wrong == []
