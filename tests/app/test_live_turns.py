"""The turns of a live feed: few costly views at a time, none that is late, whatever the number of runs is."""

import random

import pytest

from daq.app.daemon.live.liveturns import TICK_S, VALUE_S, VALUES, VIEW_S, ViewTurns
from daq.app.run.live_digits import LiveDigits
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import Bench
from tests.support.instruments.example_pairs import pair
from tests.support.runs.examples import example
from tests.support.views import view_of

LATE_S = 0.2
"""Greatest delay of a turn in these tests."""


@pytest.mark.parametrize("count", [1, 5, 10, 64, 200])
def test_views_and_values_are_spread_and_none_is_late(count):
    rng, turns, now = random.Random(count), ViewTurns(), 100.0
    runs = [f"unit-{n}" for n in range(count)]
    assert turns.turn(runs, now) == [(name, True) for name in runs]
    viewed = dict.fromkeys(runs, now)
    computed = dict.fromkeys(runs, now)
    for _ in range(400):
        since = TICK_S + rng.choice((0.0, 0.0, 0.0, 0.01, LATE_S))
        now += since
        found = turns.turn(runs, now)
        # One turn costs no more than its share.
        assert len(found) <= 1 + count * since / VIEW_S
        assert sum(with_value for _, with_value in found) <= 1 + since * max(VALUES / TICK_S, count / VALUE_S)
        for name, with_value in found:
            assert now - viewed[name] >= VIEW_S - TICK_S or now - computed[name] >= VALUE_S
            viewed[name] = now
            if with_value:
                computed[name] = now
        assert max(now - at for at in viewed.values()) <= 2 * VIEW_S + LATE_S + TICK_S
        # The page shows the age of a value from 2 s on.
        assert max(now - at for at in computed.values()) <= VALUE_S + VIEW_S + LATE_S + TICK_S
    if count <= VALUES * VIEW_S / TICK_S:
        assert computed == viewed


def test_a_new_run_is_viewed_at_once_and_one_that_ended_is_forgotten():
    turns = ViewTurns()
    turns.turn(["a"], 1.0)
    assert turns.turn(["a", "b"], 1.01) == [("b", True)]
    assert turns.turn(["b"], 1.02) == []
    assert turns.viewed.keys() == turns.computed.keys() == {"b"}
    assert turns.turn(["a", "b"], 1.03) == [("a", True)]


def test_a_view_with_the_value_of_an_earlier_one_has_all_else_of_now_and_no_value_of_another_state():
    pairs = {"bench-1": pair("bench-1", 3, fluid="clear-glaze"), "thermo-1": pair("thermo-1", 3)}
    (instrument, driver, _), companion = pairs["bench-1"], pairs["thermo-1"][:2]
    choices = {"speed": 20}
    plan = compile_plan(
        example("methods/clear-glaze-qc.toml"), instrument, driver, companions=[companion], choices=choices
    )
    bench = Bench(plan, {n: d for n, (_, d, _) in pairs.items()}, {n: box for n, (_, _, box) in pairs.items()})
    bench.begin()
    digits, before, states, kept, anew = LiveDigits(plan), None, set(), 0, 0
    for number in range(1, 200):
        bench.run(number * 1.3)
        # First the cheap view: the other one changes the digits that are kept.
        cheap, whole = view_of(bench, digits, before), view_of(bench, digits)
        costly = ("value", "advice", "decimals")
        rest = [name for name in whole.__slots__ if name not in costly]
        assert [getattr(cheap, name) for name in rest] == [getattr(whole, name) for name in rest]
        source = before if before is not None and before.state == whole.state else whole
        assert [getattr(cheap, name) for name in costly] == [getattr(source, name) for name in costly]
        kept += source is before and before.value != whole.value
        anew += source is whole and before is not None
        states.add(whole.state)
        before = whole
        if bench.motor:
            break
    assert kept > 10
    assert anew >= 2
    assert "measuring" in states
