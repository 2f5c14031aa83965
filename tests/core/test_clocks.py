"""Steps of the machine's clock in a run, and its synchronisation, as facts."""

import random

import pytest

from daq.core.clocks import STEP_NS, ClockFacts
from daq.core.events import ClockAnchor

S = 1_000_000_000
START = 1_772_000_000 * S


def facts(*anchors):
    found = ClockFacts()
    for anchor in anchors:
        found = found.after(anchor)
    return found


@pytest.mark.parametrize("seed", range(20))
def test_steps_are_found_in_any_sequence_of_anchors(seed):
    """The clock is stepped at random by up to two days either way, or not at all; small changes are no steps."""
    rng = random.Random(seed)
    t, ahead, anchors, steps = 1000 * S, START, [ClockAnchor(1000 * S, START + 1000 * S, "boot", True)], []
    for _ in range(rng.randrange(12)):
        t += rng.randrange(1, 3600 * S)
        step = rng.choice([0, rng.randrange(-172_800 * S, 172_800 * S), rng.choice([-1, 1]) * STEP_NS])
        ahead += step
        if abs(step) >= STEP_NS:
            steps.append(step / 1e9)
        anchors.append(ClockAnchor(t, ahead + t, "boot", True))
    found = facts(*anchors)
    assert [s.seconds for s in found.steps] == pytest.approx(steps, abs=1e-6)
    assert found.largest_step == (pytest.approx(max(steps, key=abs), abs=1e-6) if steps else None)
    for later in (0, 1, 25 * 3600 * S):
        assert found.utc_of(1000 * S + later) == START + 1000 * S + later  # whatever the clock did since


@pytest.mark.parametrize(
    "states", [(True,), (None,), (False,), (True, None), (None, True), (True, False), (None, False, True)]
)
def test_the_clock_is_synchronised_only_where_it_always_was(states):
    found = facts(*(ClockAnchor(n * S, START + n * S, "boot", state) for n, state in enumerate(states)))
    assert found.synchronised is (False if False in states else None if None in states else True)
    assert found.steps == []


def test_before_the_start_nothing_is_known():
    assert (ClockFacts().utc_of(5), ClockFacts().largest_step, ClockFacts().synchronised) == (None, None, None)
