"""Results of any quantity as text for a person."""

import math
from types import SimpleNamespace

import pytest

from daq.app.laboratory.reporting.measured_facts import value_headline
from daq.app.records.run_rows import value_of
from daq.app.screens.text import value_line
from daq.quality.digits import interval_text
from daq.quality.limits import as_reported


@pytest.mark.parametrize(
    ("value", "expanded", "unit", "text"),
    [
        (178.5301, 0.0030, "g", "178.5301 g ± 0.0030 g (k = 1.96)"),
        (178.5301, 0.030, "g", "178.530 g ± 0.030 g (k = 1.96)"),
        (7.8012, 0.052, "[pH]", "7.801 pH ± 0.052 pH (k = 1.96)"),
        (684.07, 15.3, "mPa.s", "684 mPa·s ± 15 mPa·s (k = 1.96)"),
        (5361.4, 142.4, "mPa.s", "5360 mPa·s ± 140 mPa·s (k = 1.96)"),
        (5361.4, 99.7, "mPa.s", "5360 mPa·s ± 100 mPa·s (k = 1.96)"),
    ],
)
def test_the_value_is_rounded_to_the_decimal_place_of_its_uncertainty(value, expanded, unit, text):
    data = {"value": value, "unit": unit, "uncertainty": {"expanded": expanded, "k": 1.96}}
    assert value_line(data) == text
    # As the product reports it, unless that has digits beyond the uncertainty.
    assert value_line(data | {"reported": as_reported(value, -1)}).startswith(f"{as_reported(value, -1)} ")
    assert value_line(data | {"reported": as_reported(value, 9)}) == text


@pytest.mark.parametrize("step", [1.0, 0.5, 0.2, 0.1, 0.05, 0.01, 0.002, 0.001, 0.0001, 0.00001])
@pytest.mark.parametrize("sensitivity", [1.0, 0.013])
def test_without_an_interval_a_value_ends_at_the_resolution_of_its_instrument(step, sensitivity):
    """u = step / (2 sqrt 3) for a rectangle of half a step (JCGM 100, F.2.2.1); nothing is written behind ±."""
    u = step / 2.0 / math.sqrt(3.0)
    line = {"code": "component_resolution", "sensitivity": sensitivity, "contribution": u * sensitivity}
    data = {"value": 1.8765432, "unit": "g/mL", "uncertainty": {"expanded": None, "components": [line]}}
    decimals = {1.0: 0, 0.5: 1, 0.2: 1, 0.1: 1, 0.05: 2, 0.01: 2, 0.002: 3, 0.001: 3, 0.0001: 4, 0.00001: 5}[step]
    wanted = f"{1.8765432:.{decimals}f}" if sensitivity == 1.0 else "1.877"
    assert value_line(data) == f"{wanted} g/mL"


@pytest.mark.parametrize("expanded", [None, 0.0, math.nan])
def test_no_screen_writes_an_interval_that_is_unknown_or_0(expanded):
    entry = SimpleNamespace(value=1.8765, unit="g/mL", expanded=expanded, shown="1.8765")
    assert value_of(entry, interval=True) == "1.8765 g/mL"
    assert interval_text(1.8765, expanded, "g/mL") == "1.876 g/mL"
    found = value_headline({
        "value": 1.8765, "unit": "g/mL", "quantity": "density", "verdict": {"verdict": "none"},
        "uncertainty": {"expanded": expanded, "reasons": [], "k": 2.0, "coverage": 0.95, "low": 1.0, "high": 2.0} if expanded is None else
        {"expanded": expanded, "k": 2.0, "coverage": 0.95, "low": 1.0, "high": 2.0},
    })  # fmt: skip
    assert "±" not in str(found)
    assert value_line({"value": 1.8765, "unit": "g/mL", "uncertainty": {"expanded": expanded}}) == "1.876 g/mL"
