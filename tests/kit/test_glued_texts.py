"""`daq driver new` where a text in the place of a number is followed directly by the unit."""

import pytest

from daq.core.driver import Values
from tests.support.captures import answered, described, polled


@pytest.mark.parametrize("state", ["{:04d}", "{:04X}", ""])
@pytest.mark.parametrize(("unit", "text"), [("mm", "OL"), ("g", "ERR"), ("degC", "HIGH"), ("Pa", "OL")])
def test_a_text_before_a_unit_without_a_blank_replaces_the_number(unit, text, state):
    """Before, `OLmm 5.48` was a kind of line of its own with a second mass, and its fault was not reported.

    Pa is the end of kPa, which is no text before a unit.
    """
    talk = []
    for i in range(24):
        first = text if i % 5 == 3 else str(10 + 37 * i)
        talk.append((b"R", f"{first}{unit} {3.5 + i * 1.37:.2f}kPa {state.format(i * 61)}".rstrip().encode()))
    made, guess = answered(polled(talk), special="over_range", hex="bits", unit="ignored", digits="decimal", bit="ok")
    driver = made()
    assert len(driver.channels) == 2
    line = next(answer for _, answer in talk if answer.startswith(text.encode()))
    meaning = driver.decode(line, None)
    assert isinstance(meaning, Values)
    assert meaning.values[0] is None
    assert [str(fault) for _, fault in meaning.faults] == ["over_range"]
    assert "special" in guess.text
    assert "special" not in described(polled([one for one in talk if text.encode() not in one[1]]))[1].text
