"""Mutants of descriptions are killed or have a reason: a small part of `python -m tests.campaigns.mutants`."""

import pytest

from tests.campaigns.mutants.changes import mutants
from tests.campaigns.mutants.judge import INSTRUMENTS, is_loaded, judged, reason_of
from tests.campaigns.mutants.reasons import reason


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_every_number_has_mutants_of_scale_and_sign(name):
    keys = [key for key, *_ in mutants(INSTRUMENTS[name].raw)]
    assert any(key.endswith(".scale") for key in keys)
    lines = INSTRUMENTS[name].raw["line"]
    values = [key for key in keys if key.startswith("line.") and lines[key.split(".")[1]]["says"] == "reading"]
    whys = {reason(key) for key in values if key.endswith((".scale", ".offset", ".unit"))}
    assert whys <= {"", "the display shows the latest of several readings in a line"}


def test_every_key_of_a_description_is_changed_or_left_out():
    """Keys that no mutant changes would never be judged."""
    for one in INSTRUMENTS.values():
        changed = {key for key, *_ in mutants(one.raw)}
        for table in ("checksum", "framing", "channel[0]", "line", "frame"):
            if table.partition("[")[0] in one.raw:
                assert any(key.startswith(table) for key in changed), table


@pytest.mark.parametrize("name", ["moisture", "tilt"])
def test_another_unit_has_its_reason_only_where_both_drivers_have_a_value(name):
    """Without values nothing was compared, and "the same values" would be no reason."""
    units = [(key, what, tables) for key, what, tables in mutants(INSTRUMENTS[name].raw) if key.endswith("].unit")]
    units = [one for one in units if one[1] != "left out"]
    assert units
    for key, what, tables in units:
        assert reason_of(name, key, what, tables) == "the same values in another unit of the quantity"
        for line in tables["line"].values():
            # Other fixed characters than the instrument sends: the driver loads, and reads nothing.
            for layout, more in (("bytes", "AB AB "), ("pattern", "never ")):
                line.update({layout: more + line[layout]} if layout in line else {})
        assert is_loaded(tables, INSTRUMENTS[name].options)
        assert reason_of(name, key, what, tables) == ""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "every"), [("balance", 59)])
def test_survivors_have_a_reason(name, every):
    found = judged(name, every)
    assert found.killed
    assert [(key, what) for key, what, why, other in found.survivors if not why or "values" in other] == []
