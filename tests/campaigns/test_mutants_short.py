"""Mutants of descriptions are killed or have a reason: a small part of `python -m tests.campaigns.mutants`."""

import pytest

from tests.campaigns.mutants.changes import mutants
from tests.campaigns.mutants.judge import INSTRUMENTS, judged
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


@pytest.mark.slow
@pytest.mark.parametrize(("name", "every"), [("balance", 59)])
def test_survivors_have_a_reason(name, every):
    found = judged(name, every)
    assert found.killed
    assert [(key, what) for key, what, why, other in found.survivors if not why or "values" in other] == []
