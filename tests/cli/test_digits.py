"""No screen, page or text prints a value with digits beyond its uncertainty (JCGM 100 7.2.6).

One stored result is given every size of uncertainty and every form of reporting, and every text that shows it is read
for numbers near its value.
"""

import json
import math
import random
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal

import pytest

from daq.app.cli.records import show
from daq.app.cli.signing.reportable import text_of as reportable_text
from daq.app.screens.drawings.curve_text import parameter_text
from daq.app.screens.result_screen import result_lines
from daq.app.screens.styled_lines import text_of
from daq.app.screens.text import shown_value, value_line
from daq.app.screens.verification_text import verification_table
from daq.core.units import symbol
from daq.methods.concluding.reportable import Attempt, reportable
from daq.methods.curves.curvedata import FittedParameter
from daq.methods.messages.flat import flattened
from daq.methods.parts.statement import state
from daq.methods.sentences.catalogue import SENTENCES
from daq.quality.digits import as_set, decimals_for, interval_text, number, significant, supported, uncertain, within
from daq.quality.limits import as_reported
from tests.cli.uncertain_results import EXPANDED, VALUE, beyond, given, stored_result
from tests.support.runs.examples import example

PRODUCT = example("products/clear-glaze.toml").model_copy(update={"replicates": None})


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    return stored_result(tmp_path_factory.mktemp("digits"))


def texts(stored, data, expanded, product=None):
    """Every text of the result, by the name of its screen."""
    found = replace(stored, data=data)
    unit = data["unit"]
    runs = [
        (
            Attempt(
                str(i), "2026-01-05T08:00:00", "m 1", "bench-1", str(i), VALUE, unit, "valid", False, expanded=expanded
            ),
            data | {"sample": data["sample"] | {"sheared": False}},
        )
        for i in (1, 2)
    ]
    level = {
        "step": "a", "speed": 30.0, "torque_percent": 50.0, "temperature": 25.0, "measured": VALUE, "certified": VALUE,
        "low": 700.0, "high": 900.0, "deviation_percent": 0.0, "deviation_uncertainty_percent": 100.0 * expanded / VALUE,
        "normalised_error": 0.1, "accepted": True,
    }  # fmt: skip
    verification = {
        "condition": "as_found", "passed": True, "fluid": "f", "lot": "l", "certificate": "c", "expires": "2030-01-01",
        "levels": [level], "reasons": [], "results_since_pass": [],
    }  # fmt: skip
    parameter = FittedParameter(name="eta", value=VALUE, unit="Pa.s", standard_error=0.1, expanded=expanded, k=2.0)
    return {
        "value": value_line(data),
        "number": shown_value(data),
        "result": "\n".join(text_of(line) for line in result_lines(data, 100, digits=5)),
        "show": "\n".join(text_of(line) for line in show.lines_of(found, {}, 140)),
        "reportable": reportable_text(reportable("G-1041", runs, product)),
        "verification": "\n".join(verification_table(data | {"verification": verification})),
        "curve": parameter_text(parameter),
        "flat": "; ".join(str(flattened(data)[k]) for k in ("verdict_reasons", "warnings")),
    }  # fmt: skip


@pytest.mark.parametrize("expanded", EXPANDED)
@pytest.mark.parametrize("decimals", [None, -1, 0, 2, 6])
def test_no_text_prints_digits_beyond_the_uncertainty(stored, expanded, decimals):
    data = given(stored, expanded, None if decimals is None else as_reported(VALUE, decimals))
    found = {name: beyond(text, expanded) for name, text in texts(stored, data, expanded, PRODUCT).items()}
    assert {name: numbers for name, numbers in found.items() if numbers} == {}
    # Stored and published as computed: nothing is rounded.
    assert json.loads(json.dumps(data))["value"] == VALUE
    assert flattened(data)["value"] == VALUE


@pytest.mark.parametrize("expanded", EXPANDED)
def test_every_screen_shows_the_same_interval(stored, expanded):
    data = given(stored, expanded)
    wanted = f"{within(VALUE, expanded)} {symbol(data['unit'])} ± {uncertain(expanded)} {symbol(data['unit'])}"
    shown = texts(stored, data, expanded)
    assert wanted in shown["value"]
    assert wanted in " ".join(shown["result"].split())
    assert wanted in " ".join(shown["reportable"].split())
    assert f"U = {uncertain(expanded)} " in shown["show"]


@pytest.mark.parametrize("code", [c for c, s in SENTENCES.items() if any(k.within for k in s.parameters.values())])
@pytest.mark.parametrize("expanded", EXPANDED)
def test_no_sentence_prints_digits_beyond_the_uncertainty(code, expanded):
    kinds = SENTENCES[code].parameters
    parameters = {name: VALUE for name, kind in kinds.items() if kind.within}
    parameters |= {kind.within: expanded for kind in kinds.values() if kind.within}
    parameters |= {name: "mPa.s" for name, kind in kinds.items() if kind.what == "unit"}
    assert beyond(state(code, **parameters).text, expanded) == []


def test_a_sentence_that_states_a_measured_value_names_its_uncertainty():
    """A sentence with a parameter called value has its digits from an uncertainty, or says why not."""
    without = {
        "grubbs_outlier": "one of several results, whose scatter is what the sentence is about",
        "limit_at_other_choice": "a setting of the run, and no result",
        "dixon_outlier": "one of several results, whose scatter is what the sentence is about",
    }
    named = {c for c, s in SENTENCES.items() if "value" in s.parameters and s.parameters["value"].what == "number"}
    assert {c for c in named if not SENTENCES[c].parameters["value"].within} == without.keys()


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (2.646, 1.7, "2.6 ± 1.7"),
        (806.5492328566363, 17.3, "807 ± 17"),
        (806.5492328566363, 173.0, "810 ± 170"),
        (806.5492328566363, 1730.0, "800 ± 1700"),
        (806.5492328566363, 9.96, "807 ± 10"),
        (806.5492328566363, 9.94, "806.5 ± 9.9"),
        (0.0012345, 0.00017, "0.00123 ± 0.00017"),
        (-5.678, 0.25, "-5.68 ± 0.25"),
        (0.0, 0.25, "0.00 ± 0.25"),
        (2.345678e10, 1.7e8, "2.346e+10 ± 170000000"),
        (5.0, None, "5.000"),
        (5.0, 0.0, "5.000"),
        (5.0, math.inf, "5.000"),
        (None, 0.2, "- ± 0.20"),
    ],
)
def test_a_value_with_its_uncertainty(value, expanded, text):
    """JCGM 100 7.2.6: two digits of the uncertainty, and the value to its last place."""
    assert interval_text(value, expanded) == text


def test_random_values_are_within_half_a_unit_of_the_last_place_and_have_the_digits_of_it():
    rng = random.Random(8)
    for _ in range(3000):
        value = rng.choice((-1, 1)) * math.exp(rng.uniform(-12, 18))
        expanded = abs(value) * math.exp(rng.uniform(-9, 3))
        shown, half = within(value, expanded), uncertain(expanded)
        assert len(half.replace(".", "").lstrip("0").partition("e")[0].rstrip("0")) <= 2
        assert abs(float(shown) - value) <= 0.5 * 10.0 ** -decimals_for(expanded) * (1.0 + 1e-9)
        assert 1 <= supported(value, expanded) <= 4
        assert abs(float(number(value, supported(value, expanded, 9))) - value) <= max(
            expanded, 0.51 * 10.0 ** math.floor(math.log10(abs(value)))
        )


def test_a_half_is_rounded_in_every_text_as_in_the_reported_value():
    """A format of Python rounds the binary number: 7767.95 became 7767.9 on a screen, and 7768.0 where it is reported."""
    rng = random.Random("halves")
    by_format = 0
    for _ in range(2000):
        decimals, digits = rng.randrange(5), rng.randrange(1, 6)
        exact = Decimal(rng.randrange(10 ** (digits - 1), 10**digits) * 10 + 5).scaleb(-decimals - 1)
        value, place = float(exact), Decimal(1).scaleb(-decimals)
        expected = f"{exact.quantize(place, rounding=ROUND_HALF_EVEN):f}"
        by_format += Decimal(f"{value:.{decimals}f}") != Decimal(expected)
        assert Decimal(number(value, digits)) == Decimal(significant(value, digits)) == Decimal(expected)
        assert Decimal(number(float(exact.scaleb(14)), digits)) == Decimal(expected).scaleb(14)
    assert by_format > 200


@pytest.mark.parametrize(
    ("value", "text"), [(12345.67, "12345.67"), (1_250_000.0, "1250000"), (0.0001, "0.0001"), (1400.0, "1400"),
                        (1399.9999999999998, "1400"), (-0.5, "-0.5")]
)  # fmt: skip
def test_a_number_that_a_person_set_has_all_of_its_digits(value, text):
    assert as_set(value) == text
