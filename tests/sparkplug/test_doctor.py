"""Findings of `daq doctor` about the Sparkplug node."""

from dataclasses import replace

import pytest

from daq.app.delivery.sparkplug import NodeStanding
from daq.app.workshop.diagnosis import _sparkplug_of

STANDING = NodeStanding(alive=True, state="alive", devices=["bench-1"], results=3)


@pytest.mark.parametrize(
    ("change", "fine", "says"),
    [
        ({}, True, "the node is alive; devices: bench-1; 3 results sent"),
        ({"devices": []}, True, "devices: none"),
        (
            {"alive": False, "state": "waiting for the primary host tower"},
            False,
            "the node is waiting for the primary host tower",
        ),
        (
            {"alive": False, "state": "away", "trouble": "no broker answers"},
            False,
            "the node is away: no broker answers",
        ),
    ],
)
def test_state_and_trouble_are_shown(change, fine, says):
    (finding,) = _sparkplug_of(replace(STANDING, **change))
    assert finding.ok is fine
    assert says in finding.say


def test_without_a_node_there_is_no_finding():
    assert list(_sparkplug_of(None)) == []
