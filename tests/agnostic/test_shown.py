"""Results of any quantity as text for a person."""

import pytest

from daq.app.screens.text import value_line
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
